"""The studio's calendar: hours of a weekday, holidays and closures, in its own time zone.

Moments are whole seconds since 1970 in UTC; days and hours are the studio's own. A day of the
clock change has 23 or 25 hours, and every sum here counts the seconds that really passed.
Pure: no clock; the public holidays come in as a set of days.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from datetime import time as day_time
from zoneinfo import ZoneInfo

DAY = 86_400
Hours = tuple[tuple[day_time, day_time], ...]
USUAL_HOURS: Mapping[int, Hours] = {weekday: ((day_time(9), day_time(17)),) for weekday in range(5)}


def whole_days(spans: Iterable[tuple[str, str]]) -> frozenset[date]:
    """Every day of some spans, each from one day to another, both included, as ISO text."""
    pairs = ((date.fromisoformat(a), date.fromisoformat(b)) for a, b in spans)
    return frozenset(a + timedelta(days=n) for a, b in pairs for n in range((b - a).days + 1))


class OddHour(ValueError):
    """A typed time that the clock change skips, or that comes twice that night."""


@dataclass(frozen=True, slots=True)
class Day:
    """One of the studio's days: its first second and the next day's, and the spans worked in it."""

    start: int
    end: int
    closed: bool
    work: tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class Calendar:
    """Which seconds of which days are worked.

    `hours` maps a weekday (Monday is 0) to its working hours; a weekday without an entry is free.
    `closed` holds whole days on which nobody works: holidays and closures.
    """

    zone: ZoneInfo
    hours: Mapping[int, Hours] = field(default_factory=lambda: USUAL_HOURS)
    closed: frozenset[date] = frozenset()
    _days: dict[date, Day] = field(default_factory=dict, compare=False, repr=False)

    def local(self, moment: int) -> datetime:
        """The studio's wall clock at a moment."""
        return datetime.fromtimestamp(moment, self.zone)

    def day_of(self, moment: int) -> date:
        """The studio's day that holds a moment."""
        return self.local(moment).date()

    def start_of(self, day: date) -> int:
        """The first second of a day."""
        return self._day(day).start

    def last_at(self, hour: int, now: int) -> int:
        """The last moment up to `now` at which one of the days was so many hours old."""
        today = self.day_of(now)
        at = self.start_of(today) + hour * 3600
        return at if at <= now else self.start_of(today - timedelta(days=1)) + hour * 3600

    def moment(self, day: date, hour: day_time) -> int:
        """The moment of a typed day and hour.

        Raises OddHour for an hour that the clock change skips or doubles.
        """
        first = datetime.combine(day, hour, self.zone)
        second = first.replace(fold=1)
        if first.utcoffset() != second.utcoffset():
            back = datetime.fromtimestamp(first.timestamp(), self.zone)
            if back.replace(tzinfo=None, fold=0) != datetime.combine(day, hour):
                raise OddHour("That hour does not exist on this day: the clock is put forward.")
            raise OddHour("That hour comes twice on this day: the clock is put back.")
        return int(first.timestamp())

    def is_working_day(self, day: date) -> bool:
        """Whether anybody works on this day at all."""
        return day not in self.closed and bool(self.hours.get(day.weekday()))

    def add_working_days(self, day: date, count: int) -> date:
        """The day `count` working days after `day` (before it for a negative count)."""
        if not any(self.hours.values()):
            return day + timedelta(days=count)
        step = 1 if count > 0 else -1
        left = abs(count)
        while left:
            day += timedelta(days=step)
            left -= self.is_working_day(day)
        return day

    def working_days_between(self, first: date, last: date) -> int:
        """How many working days lie after `first`, up to and with `last`."""
        return sum(
            self.is_working_day(first + timedelta(days=n))
            for n in range(1, (last - first).days + 1)
        )

    def working_seconds(self, start: int, end: int) -> int:
        """Seconds of working hours within [start, end)."""
        return sum(
            max(0, min(end, until) - max(start, since))
            for day in self._between(start, end)
            for since, until in day.work
        )

    def closed_seconds(self, start: int, end: int) -> int:
        """Seconds of holidays and closures, whole days, within [start, end)."""
        return sum(
            min(end, day.end) - max(start, day.start)
            for day in self._between(start, end)
            if day.closed
        )

    def next_open(self, moment: int) -> int:
        """The first working second at or after a moment; the moment itself if nobody works."""
        day = self.day_of(moment)
        for _ in range(800):
            for since, until in self._day(day).work:
                if moment < until:
                    return max(moment, since)
            day += timedelta(days=1)
        return moment

    def days(self, first: date, last: date) -> list[Day]:
        """The days from one to another, both included."""
        return [self._day(first + timedelta(days=n)) for n in range((last - first).days + 1)]

    def _between(self, start: int, end: int) -> list[Day]:
        return self.days(self.day_of(start), self.day_of(end - 1)) if end > start else []

    def _day(self, day: date) -> Day:
        known = self._days.get(day)
        if known is None:
            known = self._days[day] = self._make(day)
        return known

    def _make(self, day: date) -> Day:
        start, end = self._at(day, day_time()), self._at(day + timedelta(days=1), day_time())
        closed = day in self.closed
        hours = () if closed else self.hours.get(day.weekday(), ())
        # "Until 24:00" is written 00:00 and means the end of the day.
        work = tuple(
            (self._at(day, a), end if b == day_time() else self._at(day, b)) for a, b in hours
        )
        return Day(start, end, closed, work)

    def _at(self, day: date, hour: day_time) -> int:
        """The moment of an hour: the first of two, and for a skipped one the change itself."""
        local = datetime.combine(day, hour, self.zone)
        first, second = (int(local.replace(fold=n).astimezone(UTC).timestamp()) for n in (0, 1))
        if second >= first:
            return first
        # A skipped hour reads as `first` by the old offset and as `second` by the new one; the
        # change lies between them. Were it not found, spans of hours could overlap that night.
        new = self.local(first).utcoffset()
        while second + 1 < first:
            middle = (first + second) // 2
            if self.local(middle).utcoffset() == new:
                first = middle
            else:
                second = middle
        return first
