"""How days, times and numbers are said on a page. English, and the same everywhere."""

import re
from collections.abc import Sequence
from datetime import date, datetime
from zoneinfo import ZoneInfo

from app.shared.calendar import DAY

MONTHS = (
    "January", "February", "March", "April", "May", "June", "July",
    "August", "September", "October", "November", "December",
)  # fmt: skip
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
NUMBERS = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven",
    "twelve",
)  # fmt: skip


def day(value: date, today: date | None = None) -> str:
    """25 November; with the year where it is not today's."""
    words = f"{value.day} {MONTHS[value.month - 1]}"
    return words if today is not None and value.year == today.year else f"{words} {value.year}"


def short_day(value: date | str, today: date) -> str:
    """Wed 25 Nov, the form of every list; with the year where it is not today's. Takes ISO too."""
    value = date.fromisoformat(value) if isinstance(value, str) else value
    return f"{WEEKDAYS[value.weekday()][:3]} {_no_weekday(value, today)}"


def _no_weekday(value: date, today: date) -> str:
    words = f"{value.day} {MONTHS[value.month - 1][:3]}"
    return words if value.year == today.year else f"{words} {value.year}"


def weekday(value: date) -> str:
    """Wednesday."""
    return WEEKDAYS[value.weekday()]


def clock(moment: int, zone: ZoneInfo) -> str:
    """14:10, in the studio's zone."""
    return f"{datetime.fromtimestamp(moment, zone):%H:%M}".removeprefix("0")


def when(moment: int, now: int, zone: ZoneInfo) -> str:
    """A moment near today: "today, 14:10", "yesterday, 9:05", "9 Nov, 10:05", "9 Nov 2025"."""
    there, today = datetime.fromtimestamp(moment, zone), datetime.fromtimestamp(now, zone).date()
    away = (there.date() - today).days
    near = {0: "today", -1: "yesterday", 1: "tomorrow"}.get(away)
    if near:
        return f"{near}, {clock(moment, zone)}"
    if there.year != today.year:
        return _no_weekday(there.date(), today)
    return f"{_no_weekday(there.date(), today)}, {clock(moment, zone)}"


def count(number: int, one: str, many: str = "") -> str:
    """ "one piece", "three copies", "63 pieces"."""
    word = NUMBERS[number] if 0 <= number < len(NUMBERS) else str(number)
    return f"{word} {one if number == 1 else (many or one + 's')}"


def listed(names: Sequence[str]) -> str:
    """Juniper, Otis and Fern."""
    names = list(dict.fromkeys(names))
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def capital(words: str) -> str:
    """The first letter large, the rest untouched."""
    return words[:1].upper() + words[1:]


def days_long(seconds: float) -> str:
    """How long somebody has waited: "today", "one day", "13 days"."""
    whole = int(seconds // DAY)
    return "less than a day" if whole < 1 else count(whole, "day")


def with_said(lead: str, said: str) -> str:
    """A lead and what somebody typed, as one sentence; whole sentences stand for themselves.

    "By eye" with "the far ear" → "By eye: the far ear."; with "The ear is hidden." → "By eye. The
    ear is hidden."
    """
    lines = [" ".join(line.split()) for line in said.splitlines() if line.strip()]
    if lines and lines[0][0].isupper() and lines[-1].endswith("."):
        return f"{lead}. {' '.join(lines)}"
    return f"{lead}: {'; '.join(line.rstrip('.;,') for line in lines)}."


def one_line(said: str) -> str:
    """What somebody typed over several lines, as one."""
    return "; ".join(line.strip() for line in said.splitlines() if line.strip())


def side_of(side: str, *said: str) -> str:
    """The side of a marking; empty where the words beside it say it already ("torn ear, left")."""
    return "" if side in re.findall(r"\w+", " ".join(said).lower()) else side


def role(value: str) -> str:
    """A role as people at the workshop say it."""
    return "office" if value == "desk" else value


_CHANNELS = {
    "mail": "by email",
    "phone": "by phone",
    "in_person": "in person",
    "shop": "through the shop",
    "page": "on the page",
}


def by_channel(channel: str, letter: str = "by email") -> str:
    """How something was said: by phone. Our own letters go by email; a customer's come by post."""
    return letter if channel == "letter" else _CHANNELS.get(channel, "another way")
