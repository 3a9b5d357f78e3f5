"""Orders with something that their customer lent, and with something that went wrong on the way."""

from dataclasses import replace

from app.flow.steps import Step
from app.orders.facts.lent import LentFacts
from app.orders.facts.order import CopyFacts, OrderFacts
from tests.making import DAY, NOW
from tests.status.rows import PARCEL, PASSED, RANGE, animal, copy, order

COLLAR = LentFacts("collar", animal="Juniper")


def made(*copies: CopyFacts, **more: object) -> OrderFacts:
    return order(animal(Step.READY, 8, copies=copies, **PASSED), **{"shown": RANGE, **more})


def after_rows() -> dict[str, OrderFacts]:
    gone = copy(Step.HANDED_OVER, 2, parcel_id=1)
    there = copy(Step.RECEIVED, 1, parcel_id=1)
    back = {"returned_at": NOW - 2 * DAY}
    other = LentFacts("other", "a blue blanket with her scent")
    return {
        "a collar here": made(copy(Step.PAINTING), lent=(COLLAR,)),
        "a collar and prints here": made(
            copy(Step.PAINTING), lent=(COLLAR, LentFacts("prints", animal="Juniper"))
        ),
        "hair of nobody in particular": made(copy(Step.PAINTING), lent=(LentFacts("hair"),)),
        "a collar that is collected": made(copy(Step.PACKING), lent=(replace(COLLAR, way="hand"),)),
        "something else": made(copy(Step.SHAPING), lent=(other,)),
        "ashes here": made(copy(Step.SHAPING), lent=(LentFacts("ashes", animal="Juniper"),)),
        "ashes from hand to hand": made(
            copy(Step.SHAPING), lent=(LentFacts("ashes", animal="Juniper", way="hand"),)
        ),
        "a collar in the parcel": made(
            gone, parcels=(PARCEL,), lent=(replace(COLLAR, parcel_id=1, **back),)
        ),
        "a collar left behind": made(gone, parcels=(PARCEL,), lent=(COLLAR,)),
        "a collar given back by hand": made(
            there, parcels=(replace(PARCEL, received_at=NOW - DAY),), shown=None,
            lent=(replace(COLLAR, way="hand", **back),),
        ),
        "a collar posted alone": made(
            there, parcels=(replace(PARCEL, received_at=NOW - DAY),), shown=None,
            lent=(replace(COLLAR, way="post", **back),),
        ),
        "cancelled with a collar here": replace(
            made(copy(Step.CANCELLED), lent=(COLLAR,)), shown=None
        ),
    }  # fmt: skip
