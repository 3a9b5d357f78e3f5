"""The studio's carriers: where a parcel is followed, how long it usually takes. Pure.

Days on the way are whole days after the day of handing over. Working days of a carrier are Monday
to Friday: its holidays are not known here, so around them a parcel takes longer than these days.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from urllib.parse import quote, urlsplit

from app.shared.countries import code_of
from app.shared.text import fold

MOST_DAYS = 120
LONGEST_ADDRESS = 300
# The kinds of number that can be checked, and what each is called in the list.
NUMBER_FORMS: Mapping[str, str] = {
    "none": "no particular kind",
    "s10": "UPU S10, like RR 4731 2482 9 GB",
    "sscc": "GS1 SSCC, 18 digits",
    "digits22": "22 digits",
}
_SPAN = re.compile(r"^(\d{1,3})(?:\s*(?:-|–|to)\s*(\d{1,3}))?$")
_COUNTRY = re.compile(r"^(.*?\S)\s*:?\s+(\d{1,3}(?:\s*(?:-|–|to)\s*\d{1,3})?)$")


@dataclass(frozen=True, slots=True)
class Journey:
    """From so many to so many days on the way, working days (Monday to Friday) or calendar days."""

    least: int
    most: int
    working: bool = True

    def arrives(self, left: date) -> tuple[date, date]:
        """The first and the last day on which a parcel that left on a day is usually there."""
        return self._after(left, self.least), self._after(left, self.most)

    def leave_by(self, needed: date) -> date:
        """The latest day of leaving from which it is usually there on a day, or before it."""
        left = needed - timedelta(days=self.most)
        while self._after(left, self.most) > needed:
            left -= timedelta(days=1)
        return left

    def _after(self, day: date, count: int) -> date:
        if not self.working:
            return day + timedelta(days=count)
        while count:
            day += timedelta(days=1)
            count -= day.weekday() < 5
        return day


# Where nothing is known of the way, a parcel still takes a night.
OVERNIGHT = Journey(1, 1, working=False)


def last_arrival(left: date, journey: Journey | None) -> date:
    """The day by which what leaves on a day is usually there: what a needed day is held against."""
    return (journey or OVERNIGHT).arrives(left)[1]


def last_leaving(needed: date, journey: Journey | None) -> date:
    """The latest day of leaving that still is in time for a day, by `last_arrival`."""
    return (journey or OVERNIGHT).leave_by(needed)


@dataclass(frozen=True, slots=True)
class Carrier:
    """A carrier of the studio's list. What is None or empty is not known.

    `tracking` is an https address with {number} in it; `claim_days` count from handing over;
    `texts` says that the carrier writes to the recipient by itself.
    """

    id: int
    name: str
    tracking: str = ""
    number_form: str = "none"
    home: Journey | None = None
    abroad: Journey | None = None
    countries: Mapping[str, Journey] = field(default_factory=dict)
    claim_days: int | None = None
    texts: bool = False

    def journey_to(self, country: str, home: str) -> Journey | None:
        """The usual days to a country as an address has it; `home` is the studio's own code."""
        code, own = code_of(country), code_of(home)
        if code is not None and code in self.countries:
            return self.countries[code]
        # An address without a country is one at home; where home is nobody has said, the rest is
        # not known.
        if not country.strip() or (code and code == own):
            return self.home
        return self.abroad if code and own else None

    def arrives(self, left: date, country: str, home: str) -> tuple[date, date] | None:
        """The days on which what left on a day is usually there; None where they are not known."""
        journey = self.journey_to(country, home)
        return journey.arrives(left) if journey is not None else None

    def link(self, number: str) -> str:
        """Where a number is followed, as an https address; empty where that is not known."""
        if not self.tracking or not number:
            return ""
        return self.tracking.replace("{number}", quote(number, safe=""))

    def claim_by(self, left: date) -> date | None:
        """The last day for a claim about a parcel that left on a day."""
        return left + timedelta(days=self.claim_days) if self.claim_days is not None else None


def named(carriers: Iterable[Carrier], name: str) -> Carrier | None:
    """The carrier of the list that a parcel names; None where it is not on it."""
    return next((one for one in carriers if fold(one.name) == fold(name)), None)


def usual_journey(carriers: Sequence[Carrier], country: str, home: str) -> Journey | None:
    """The days on the way of a parcel yet to leave: those of the first carrier that goes there."""
    known = (one.journey_to(country, home) for one in carriers)
    return next((journey for journey in known if journey is not None), None)


# ---------------------------------------------------------------- as typed


def read_days(typed: str, *, working: bool) -> Journey | None:
    """From "2 to 4", "2-4" or "3" days; None where nothing is typed. Raises ValueError."""
    text = typed.strip()
    if not text:
        return None
    found = _SPAN.match(text)
    if found is None:
        raise ValueError("Days like 2 to 4, please, or a single number.")
    least = int(found[1])
    most = int(found[2] or found[1])
    if least > most:
        raise ValueError("The first number is the larger one. Turn them round.")
    if not 1 <= most <= MOST_DAYS:
        raise ValueError(f"From 1 to {MOST_DAYS} days, please.")
    return Journey(least, most, working)


def read_countries(typed: str, *, working: bool) -> dict[str, Journey]:
    """From lines like "Ireland 3 to 5", by country code. Raises ValueError, naming the line."""
    found: dict[str, Journey] = {}
    for line in filter(None, map(str.strip, typed.splitlines())):
        parts = _COUNTRY.match(line)
        code = code_of(parts[1]) if parts else None
        if parts is None or code is None:
            raise ValueError(f"“{line}” is not a country and its days. One reads: Ireland 3 to 5.")
        if code in found:
            raise ValueError(f"“{line}”: that country stands there twice.")
        journey = read_days(parts[2], working=working)
        assert journey is not None
        found[code] = journey
    return found


def said_days(journey: Journey | None) -> str:
    """Days as they are typed: "2 to 4"."""
    if journey is None:
        return ""
    return str(journey.most) if journey.least == journey.most else (
        f"{journey.least} to {journey.most}"
    )  # fmt: skip


def said_way(journey: Journey) -> str:
    """Days on the way in a sentence: "2 to 4 working days"."""
    kind = "working day" if journey.working else "day"
    return f"{said_days(journey)} {kind}{'' if journey.most == 1 else 's'}"


def check_tracking(address: str) -> str:
    """The address, if numbers can be put into it and it is https. Raises ValueError."""
    if not address:
        return ""
    if "{number}" not in address:
        raise ValueError("Write {number} where the tracking number belongs.")
    try:
        parts = urlsplit(address.replace("{number}", "1"))
        host = parts.hostname or ""
    except ValueError:
        raise ValueError("That is not an address.") from None
    plain = address.isascii() and address.isprintable() and not set(address) & set(" \"'<>\\`")
    if parts.scheme != "https" or "." not in host or not plain or "@" in parts.netloc:
        raise ValueError("An address that begins with https://, please, without spaces.")
    if "{number}" in address.split("/", 3)[2]:
        raise ValueError("The number belongs behind the host’s name, not in it.")
    return address
