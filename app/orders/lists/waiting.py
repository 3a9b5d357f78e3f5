"""What waits for customers, sorted by what somebody here is to do about it. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

DAY = 86_400
RING_AFTER_DAYS = 7
Row = Mapping[Any, Any]
_SINCE = {
    "photos": "entered_at", "question": "asked_at", "held": "last_at", "silent": "last_news",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Waits:
    """Something that waits: `what` is photos, question, held or silent; `row` its row of the store,
    `reminded` its photo reminders (letters.reminders.Reminded), where there are any.
    """

    what: str
    row: Row
    reminded: Any = None

    @property
    def since(self) -> int:
        """From when on it has waited."""
        return int(self.row[_SINCE[self.what]] or self.row["taken_at"])


@dataclass(frozen=True, slots=True)
class Groups:
    """The work list: each row stands in one group, in the order in which it came."""

    read: list[Waits] = field(default_factory=list)
    decide: list[Waits] = field(default_factory=list)
    ring: list[Waits] = field(default_factory=list)
    wait: list[Waits] = field(default_factory=list)


def sort_out(
    photos: Iterable[Row], questions: Iterable[Row], held: Iterable[Row], silent: Sequence[Row],
    reminded: Mapping[tuple[int, str], Any], today: date, now: int, slow: float,
) -> Groups:  # fmt: skip
    """Put every row where it is worked on."""
    groups = Groups()
    for row in photos:
        one = Waits("photos", row, reminded.get((row["order_id"], row["letter"])))
        _of_photos(one, groups, today, now, slow).append(one)
    for row in questions:
        old = now - row["asked_at"] >= RING_AFTER_DAYS * DAY
        spent = groups.decide if row["round"] is not None else groups.ring
        (spent if old else groups.wait).append(Waits("question", row))
    for row in held:
        (groups.ring if _is_due(row, today) else groups.wait).append(Waits("held", row))
    groups.ring.extend(Waits("silent", row) for row in silent)
    return groups


def _of_photos(one: Waits, groups: Groups, today: date, now: int, slow: float) -> list[Waits]:
    row = one.row
    if row["hold_whose"]:
        return groups.ring if _is_due(row, today) else groups.wait
    if row["told_at"] is not None:
        return groups.read
    if one.reminded is not None and one.reminded.spent:
        return groups.decide
    nothing_goes = one.reminded is None or one.reminded.next_at is None or one.reminded.held
    late = now - row["entered_at"] > slow * DAY
    return groups.ring if nothing_goes and late else groups.wait


def _is_due(row: Row, today: date) -> bool:
    """Whether the day has come on which something on hold is looked at again."""
    return bool(row["hold_look_on"]) and date.fromisoformat(row["hold_look_on"]) <= today
