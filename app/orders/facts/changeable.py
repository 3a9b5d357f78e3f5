"""What of a piece can still be made otherwise than it was ordered. Pure.

The pose is the model's, another one another version of it; the size is that of the blank. Bases
are mounted and inscriptions cut from painting on, so that inspection sees them; nothing is cut
before its spelling is confirmed.
"""

from enum import StrEnum

from app.flow.steps import PLACE, Step


class Detail(StrEnum):
    """Something that a customer may want otherwise."""

    POSE = "pose"
    SIZE = "size"
    BASE = "base"
    INSCRIPTION = "inscription"


def may_regroup(copy: Step) -> bool:
    """Whether who stands on a copy's base can still change: until its blank is begun."""
    return copy is Step.NOT_BEGUN


def changeable(copy: Step, *, confirmed: bool = True) -> tuple[Detail, ...]:
    """What of a copy can still change, by its step; `confirmed` says whether an inscription may
    be cut."""
    unmounted = PLACE[copy] < PLACE[Step.PAINTING]
    uncut = not confirmed and PLACE[copy] <= PLACE[Step.PACKING]
    can = {
        Detail.POSE: copy is Step.NOT_BEGUN,
        Detail.SIZE: copy is Step.NOT_BEGUN,
        Detail.BASE: unmounted,
        Detail.INSCRIPTION: unmounted or uncut,
    }
    return tuple(detail for detail, open_ in can.items() if open_)
