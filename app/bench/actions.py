"""What a piece's form says, read for the one act that moves pieces."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import time
from typing import Literal

from app.bench.curing import CoatFields, read_coat
from app.flow.actions import Done
from app.flow.rules import Kind
from app.flow.steps import MoveKey
from app.flow.store import Ref
from app.moving.effects import MoveDetails
from app.moving.inspecting import WhatIsWrong
from app.moving.perform import Seen, perform
from app.shared.errors import BadFields, Refused
from app.shared.people import Person
from app.shared.web.fields import Asker, Day, Line, Number, Short, Tick, Words
from app.studio.rules import read_kinds
from app.studio.typed import typed_moment
from app.studio.workshop import Workshop

_KINDS = (Kind.START, Kind.ASIDE, Kind.HOLD, Kind.LIFT, Kind.FINDING)


class MoveFields(CoatFields):
    """What a move's form may hold; which of it is needed depends on the move."""

    move: Short
    version: Number
    once: Line
    happened_on: Day
    happened_at: Short
    reason: Words
    cause: Short
    whose: Literal["", "customer", "studio", "supplier"] = ""
    until_on: Day
    until_at: Short
    look_on: Day
    amount: Number
    views: Words
    limits: Words
    agreed: Line
    machine: Number
    found: Line
    severity: Literal["", "light", "mend", "again"] = ""
    nobodys: Literal["", "material", "carrier"] = ""
    wrong_mark: Number
    sure: Tick
    asked_by: Asker | Literal[""] = ""


def move_piece(
    workshop: Workshop,
    ref: Ref,
    typed: MoveFields,
    ticked: Sequence[int],
    who: Person,
    checked: Sequence[str] = (),
) -> Done:
    """Do what a piece's form asks: take in hand, set aside, hold, note a finding, or move on.

    Raises BadFields with what is missing, and whatever else `perform` raises.
    """
    if typed.move not in _KINDS and typed.move not in tuple(MoveKey):
        raise Refused("There is no such move.")
    what = Kind(typed.move) if typed.move in _KINDS else MoveKey(typed.move)
    said = replace(_said(workshop, ref, typed, ticked), checked=checked)
    try:
        return perform(workshop, [Seen(ref, typed.version)], what, said, who, typed.once)
    except BadFields as why:
        if "happened_at" in why.fields and not typed.happened_at:
            raise BadFields({"happened_on": why.fields["happened_at"]}) from None
        raise


def _said(workshop: Workshop, ref: Ref, typed: MoveFields, ticked: Sequence[int]) -> MoveDetails:
    in_force, now = workshop.in_force(), workshop.now()
    today = in_force.calendar.day_of(now)
    happened = typed_moment(
        in_force, typed.happened_on, typed.happened_at, "happened_at", today, time(12)
    )
    if happened is not None and happened > now:
        if typed.happened_at or typed.happened_on != today:
            name = "happened_at" if typed.happened_at else "happened_on"
            raise BadFields({name: "That is in the future. Type a time that has passed."})
        happened = None
    until = typed_moment(in_force, typed.until_on, typed.until_at, "until_at", today, time(9))
    if until is not None and until <= now:
        raise BadFields({"until_at" if typed.until_at else "until_on": "That has passed already."})
    return MoveDetails(
        happened_at=happened,
        reason=typed.reason,
        cause=typed.nobodys or typed.cause,
        whose=typed.whose,
        until=until,
        look_on=typed.look_on.isoformat() if typed.look_on else None,
        counted={ref: typed.amount or 0},
        views=read_views(typed.views),
        limits=typed.limits,
        agreed=typed.agreed,
        marks=ticked,
        machine=typed.machine,
        coat=read_coat(in_force, typed, now if happened is None else happened),
        found=_found(workshop, typed),
        sure=typed.sure,
        asked_by=typed.asked_by,
    )


def _found(workshop: Workshop, typed: MoveFields) -> WhatIsWrong:
    """What of the studio's list was chosen. Raises BadFields for what is not on it."""
    area, colon, kind = typed.found.partition(": ")
    if typed.found:
        kinds = read_kinds(workshop.in_force().settings.finding_kinds)
        if not colon or kind not in kinds.get(area, ()):
            raise BadFields({"found": "Choose one from the list."})
    return WhatIsWrong(area, kind, typed.severity, mark=typed.wrong_mark)


def read_views(typed: str) -> list[str]:
    """The views that are asked for, one a line; numbers typed before them are taken off."""
    wishes = [line.strip().lstrip("0123456789.)-• ").strip() for line in typed.split("\n")]
    return [wish for wish in wishes if wish]
