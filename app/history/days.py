"""Days as sheets write them: ISO, day first or month first, months by name, with or without a time.

Which comes first, day or month, is one decision for a whole column: a single cell cannot tell.
Pure.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from enum import StrEnum
from typing import Final


class DayOrder(StrEnum):
    """What comes first where a day is written in figures."""

    DAY_FIRST = "day_first"
    MONTH_FIRST = "month_first"


# Where the month is usually written first, by the country's two letters (common practice, no
# source); everywhere else it is the day, or the year, which is told by its four figures.
_MONTH_FIRST: Final = frozenset({"US"})
_NUMBERS = re.compile(r"(\d{1,4})[./\-\s]{1,2}(\d{1,2})[./\-\s]{1,2}(\d{1,4})")
_NAMED = re.compile(r"(?:[^\W\d_]+,?\s+)?(\d{1,2})(?:st|nd|rd|th|er)?[.\s\-]*([^\W\d_]+)\.?[\s\-,]*"
                    r"(\d{2}|\d{4})", re.IGNORECASE)  # fmt: skip
_NAME_FIRST = re.compile(r"([^\W\d_]+)\.?\s+(\d{1,2})(?:st|nd|rd|th)?,?\s+(\d{4})", re.IGNORECASE)
_TIME = re.compile(r"[T\s]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?\s*(?:[ap]m)?$", re.IGNORECASE)
_MOMENT = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}Z")
# A spreadsheet's own count of days (ECMA-376 part 1, 18.17.4.1, the 1900 system from March on).
_SERIAL = re.compile(r"\d{5}(?:\.\d+)?")
_SERIAL_ZERO: Final = date(1899, 12, 30)
_FIRST_SERIAL, _LAST_SERIAL = 25_569, 73_050  # 1970 to 2099
# Month names as they begin, in English, German, French, Dutch, Spanish and Italian.
_MONTHS: Final[Mapping[int, tuple[str, ...]]] = {
    1: ("jan", "jän", "janv", "ene", "gen"), 2: ("feb", "fév", "fev"),
    3: ("mar", "mär", "mrz", "maa", "mrt"), 4: ("apr", "avr", "abr"),
    5: ("may", "mai", "mei", "mag"), 6: ("jun", "juin", "giu"), 7: ("jul", "juil", "lug"),
    8: ("aug", "aoû", "aou", "ago"), 9: ("sep", "set"), 10: ("oct", "okt", "ott"),
    11: ("nov",), 12: ("dec", "dez", "déc", "dic"),
}  # fmt: skip
_BY_NAME: Final = sorted(
    ((name, month) for month, names in _MONTHS.items() for name in names),
    key=lambda pair: -len(pair[0]),
)


@dataclass(frozen=True, slots=True)
class Moment:
    """When something was: a day, or a moment of it (UTC seconds) where the sheet has one."""

    day: date
    at: int | None = None


class NotADay(ValueError):
    """A cell is no day; the words say why."""


def usual_order(country: str) -> DayOrder | None:
    """What comes first in a country (two letters); None where no country is known."""
    if not country:
        return None
    return DayOrder.MONTH_FIRST if country in _MONTH_FIRST else DayOrder.DAY_FIRST


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a column's cells say: how many can only be day first, only month first, or either."""

    day_first: int
    month_first: int
    either: int

    @property
    def matters(self) -> bool:
        """Whether it makes a difference at all which comes first."""
        return bool(self.day_first or self.month_first or self.either)

    def decided(self, usual: DayOrder | None) -> DayOrder | None:
        """The order in which to read the column; None where a person has to say.

        Cells of both kinds contradict each other, unless one kind is hardly there.
        """
        if self.day_first and self.month_first:
            few, many = sorted((self.day_first, self.month_first))
            if few * 20 > many:
                return None
        if self.day_first != self.month_first:
            return DayOrder.DAY_FIRST if self.day_first > self.month_first else DayOrder.MONTH_FIRST
        return usual if self.either else (usual or DayOrder.DAY_FIRST)


def evidence(cells: Iterable[str]) -> Evidence:
    """What the cells of a column say of the order of day and month."""
    day = month = either = 0
    for cell in cells:
        parts = _NUMBERS.fullmatch(_TIME.sub("", cell.strip()))
        if parts is None or len(parts[1]) == 4:
            continue
        first, second = int(parts[1]), int(parts[2])
        if first > 12 >= second:
            day += 1
        elif second > 12 >= first:
            month += 1
        elif first != second and "." not in cell:
            either += 1
    return Evidence(day, month, either)


def read(cell: str, order: DayOrder, this_year: int, zone: tzinfo = UTC) -> Moment:
    """What a cell says; a moment's day is that of `zone`. Raises NotADay."""
    typed = cell.strip()
    if _MOMENT.fullmatch(typed):
        try:
            moment = datetime.fromisoformat(typed)
        except ValueError:
            raise NotADay(f"“{typed}” is not a moment") from None
        return Moment(moment.astimezone(zone).date(), int(moment.timestamp()))
    plain = _TIME.sub("", typed)
    if (parts := _NUMBERS.fullmatch(plain)) is not None:
        return Moment(_by_numbers(parts[1], parts[2], parts[3], order, cell, this_year))
    if (parts := _NAMED.fullmatch(plain)) is not None:
        return Moment(_by_name(parts[1], parts[2], parts[3], cell, this_year))
    if (parts := _NAME_FIRST.fullmatch(plain)) is not None:
        return Moment(_by_name(parts[2], parts[1], parts[3], cell, this_year))
    if _SERIAL.fullmatch(plain) and _FIRST_SERIAL <= float(plain) <= _LAST_SERIAL:
        return Moment(_SERIAL_ZERO + timedelta(days=int(float(plain))))
    raise NotADay(f"“{_short(typed)}” is not a day")


def _by_numbers(
    first: str, second: str, third: str, order: DayOrder, cell: str, this_year: int
) -> date:
    if len(first) >= 3:
        year, month, day = first, second, third
    elif order is DayOrder.MONTH_FIRST and "." not in cell:
        month, day, year = first, second, third
    else:
        day, month, year = first, second, third
    return _date(_year(year, this_year), int(month), int(day), cell)


def _by_name(day: str, name: str, year: str, cell: str, this_year: int) -> date:
    folded = name.casefold()
    month = next((month for begin, month in _BY_NAME if folded.startswith(begin)), None)
    if month is None:
        raise NotADay(f"“{_short(cell)}” is not a day: no month is called “{_short(name)}”")
    return _date(_year(year, this_year), month, int(day), cell)


def _year(typed: str, this_year: int) -> int:
    """A year of two figures is of the hundred years that end next year."""
    if len(typed) > 2:
        return int(typed)
    year = this_year // 100 * 100 + int(typed)
    return year if year <= this_year + 1 else year - 100


def _date(year: int, month: int, day: int, cell: str) -> date:
    if month > 12:
        raise NotADay(f"“{_short(cell)}” is not a day: there is no month {month}")
    try:
        return date(year, month, day)
    except ValueError:
        raise NotADay(f"“{_short(cell)}” is not a day of the calendar") from None


def _short(text: str) -> str:
    return text if len(text) <= 30 else f"{text[:29]}…"
