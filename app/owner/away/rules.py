"""What an absence means for the work of some days. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from app.shared.calendar import DAY, Calendar

# Nobody is taken to be away for good: the simulation needs somebody who comes back.
LEAST_LEFT = 0.02


@dataclass(frozen=True, slots=True)
class Away:
    """A person (`account_id`) or a machine (`machine_id`) that is away on whole days."""

    id: int
    account_id: int | None
    machine_id: int | None
    name: str
    first: date
    last: date

    def days(self) -> set[date]:
        """Every day of it."""
        return {self.first + timedelta(days=n) for n in range((self.last - self.first).days + 1)}


def parts_there(known: Iterable[Away], calendar: Calendar, now: int, days: int) -> dict[int, float]:
    """By account, the part of the studio's hours of the next days for which somebody is not
    away; only those who are away for some of them."""
    first = calendar.day_of(now)
    hours = {
        day: calendar.working_seconds(calendar.start_of(day), calendar.start_of(day) + DAY)
        for day in (first + timedelta(days=n) for n in range(days))
    }
    total = sum(hours.values())
    gone: dict[int, set[date]] = {}
    for one in known:
        if one.account_id is not None:
            gone.setdefault(one.account_id, set()).update(one.days() & hours.keys())
    return {
        who: max(LEAST_LEFT, 1 - sum(hours[day] for day in missed) / total)
        for who, missed in gone.items()
        if total and any(hours[day] for day in missed)
    }


def places_out(
    known: Iterable[Away], machines: Sequence[tuple[int, int, str | None]], today: date, days: int
) -> Mapping[str | None, int]:
    """By what machines make (None for builds), how many places are out of use for more than half
    of the next days. `machines` are (id, places, makes)."""
    span = {today + timedelta(days=n) for n in range(days)}
    gone: dict[int, set[date]] = {}
    for one in known:
        if one.machine_id is not None:
            gone.setdefault(one.machine_id, set()).update(one.days() & span)
    out: dict[str | None, int] = {}
    for id_, places, makes in machines:
        if len(gone.get(id_, ())) > days / 2:
            out[makes] = out.get(makes, 0) + places
    return out
