"""What a studio can set, and what holds until it does. Pure."""

import re
from collections.abc import Mapping
from datetime import time
from zoneinfo import ZoneInfo, available_timezones

from pydantic import BaseModel, ConfigDict, Field, field_validator

from app.shared.calendar import Hours
from app.shared.text import problem, tidy

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_SPAN = re.compile(r"^(\d{1,2}):?(\d{2})?\s*(?:-|–|to)\s*(\d{1,2}):?(\d{2})?$")


def read_hours(text: str) -> Hours:
    """Working hours as typed: "9:00-12:30, 13:00-17:00", or empty for a free day.

    Raises ValueError with a sentence for the page.
    """
    spans: list[tuple[time, time]] = []
    latest = 0
    for part in filter(None, (p.strip() for p in text.split(","))):
        found = _SPAN.match(part)
        if found is None:
            raise ValueError(f"“{part}” is not a span of hours. Write it like 9:00-17:00.")
        h1, m1, h2, m2 = (int(g or 0) for g in found.groups())
        if h1 > 23 or h2 > 24 or m1 > 59 or m2 > 59 or (h2 == 24 and m2):
            raise ValueError(f"“{part}” is not a time of day.")
        start, end = time(h1, m1), time(h2 % 24, m2)
        if h1 * 60 + m1 >= h2 * 60 + m2 or h1 * 60 + m1 < latest:
            raise ValueError(f"“{part}” ends before it begins, or begins before the last one ends.")
        latest = h2 * 60 + m2
        spans.append((start, end))
    return tuple(spans)


def say_hours(hours: Hours) -> str:
    """Working hours in the form in which they are typed."""
    return ", ".join(
        f"{a:%H:%M}-{'24:00' if b == time() else f'{b:%H:%M}'}".removeprefix("0") for a, b in hours
    )


class StudioSettings(BaseModel):
    """Everything a person can set. Each field is one row of the settings table, as JSON.

    `hours` maps a weekday (0 is Monday) to hours as typed; `capacity` maps a step to how many
    pieces it can have in hand at once; days are working days where the name says so.
    """

    model_config = ConfigDict(frozen=True, extra="ignore")

    name: str = "Our workshop"
    contact_mail: str = ""
    contact_phone: str = ""
    contact_hours: str = "weekdays from 9 to 17"
    zone: str = "Europe/London"
    country: str = ""
    region: str = ""
    hours: dict[int, str] = Field(default_factory=lambda: dict.fromkeys(range(5), "9:00-17:00"))
    first_number: int = 1001
    blank_on: bool = True
    capacity: dict[str, int] = Field(default_factory=dict)
    copy_deadline_working_days: int = 5
    assumed_received_days: int = 14
    link_lapses_days: int = 90
    carriers: str = "Post"
    bases: str = "none, oak, walnut, slate"
    poses: str = "standing, lying, sitting, head"
    sizes: str = "60, 80, 100, 120"
    posting_from: int = 10
    posting_until: int = 17

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        if value not in available_timezones():
            raise ValueError("That time zone is not known. One is called Europe/London, say.")
        return value

    @field_validator("hours")
    @classmethod
    def _readable_hours(cls, value: dict[int, str]) -> dict[int, str]:
        return {day: say_hours(read_hours(text)) for day, text in value.items() if text.strip()}

    @field_validator("name", "contact_phone", "contact_hours", "contact_mail", "carriers")
    @classmethod
    def _clean(cls, value: str) -> str:
        value = tidy(value)
        if (wrong := problem(value, 200)) is not None:
            raise ValueError(wrong)
        return value

    def weekly(self) -> Mapping[int, Hours]:
        """Working hours by weekday."""
        return {day: read_hours(text) for day, text in self.hours.items()}

    def zone_info(self) -> ZoneInfo:
        """The studio's zone."""
        return ZoneInfo(self.zone)

    def choices(self, field: str) -> list[str]:
        """A comma-separated setting as a list."""
        text: str = getattr(self, field)
        return [part for part in (p.strip() for p in text.split(",")) if part]
