"""What a studio can set, and what holds until it does. Pure."""

import re
from collections.abc import Callable, Mapping
from datetime import time
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from app.shared.calendar import Hours
from app.shared.text import problem, tidy
from app.studio.boxes import read_boxes, say_boxes
from app.studio.curing import USUAL, Cure, read_table, written
from app.studio.reach import read_address, read_host

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MOST_CHOICES, _LONGEST_CHOICE = 40, 40
_LONGEST_TABLE = 2_000
# Where a finding is, and of what kind, in the trade's own words. A studio changes them.
FINDINGS = """\
Likeness: proportions, pose, ears or tail, expression
Markings: wrong colour, missing patch, asymmetry, eye colour
Paint: runs or sags, orange peel, dust nibs, pinholes, craters, overspray, brush marks, \
poor hiding, bleeding, bloom, crazing, peeling, tacky, wrapping prints, uneven sheen
Form: tool marks, layer lines, seam, bubble, warped, thin part, chip or crack, broken part
Base and text: spelling, not level, wobbles
Packing: wrong recipient, missing copy"""
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
            raise ValueError(f"“{part}” is not a range of hours. Write it like 9:00-17:00.")
        h1, m1, h2, m2 = (int(g or 0) for g in found.groups())
        if h1 > 23 or h2 > 24 or m1 > 59 or m2 > 59 or (h2 == 24 and m2):
            raise ValueError(f"“{part}” is not a time of day.")
        start, end = time(h1, m1), time(h2 % 24, m2)
        if h1 * 60 + m1 >= h2 * 60 + m2 or h1 * 60 + m1 < latest:
            raise ValueError(f"“{part}” ends before it begins, or overlaps the one before.")
        latest = h2 * 60 + m2
        spans.append((start, end))
    return tuple(spans)


def say_hours(hours: Hours) -> str:
    """Working hours in the form in which they are typed."""
    return ", ".join(
        f"{a:%H:%M}-{'24:00' if b == time() else f'{b:%H:%M}'}".removeprefix("0") for a, b in hours
    )


def line(longest: int, *, needed: bool = False) -> Callable[[str], str]:
    """A validator of one line of text."""

    def clean(value: str) -> str:
        value = tidy(value)
        if needed and not value:
            raise ValueError("This has to be filled in.")
        if (wrong := problem(value, longest)) is not None:
            raise ValueError(wrong)
        return value

    return clean


def _choices(value: str) -> str:
    parts = list(dict.fromkeys(p for p in (tidy(p) for p in value.split(",")) if p))
    if not parts:
        raise ValueError("Enter at least one.")
    if len(parts) > _MOST_CHOICES:
        raise ValueError(f"At most {_MOST_CHOICES}, please.")
    for part in parts:
        if (wrong := problem(part, _LONGEST_CHOICE)) is not None:
            raise ValueError(wrong)
    return ", ".join(parts)


def _some_choices(value: str) -> str:
    return _choices(value) if tidy(value) else ""


def read_kinds(text: str) -> dict[str, list[str]]:
    """Kinds of findings by area, from a line each: “Paint: overspray, dust nibs”.

    Raises ValueError with a sentence for the page.
    """
    found: dict[str, list[str]] = {}
    for row in filter(None, tidy(text, lines=True).split("\n")):
        if (wrong := problem(row, _LONGEST_CHOICE * _MOST_CHOICES)) is not None:
            raise ValueError(wrong)
        area, colon, kinds = (tidy(part) for part in row.partition(":"))
        if not colon or not area or not kinds:
            raise ValueError(f"“{row[:40]}”: an area, a colon, then its kinds with commas between.")
        if area in found:
            raise ValueError(f"“{area}” is there twice.")
        if (wrong := problem(area, _LONGEST_CHOICE)) is not None:
            raise ValueError(wrong)
        found[area] = _choices(kinds).split(", ")
    if not 0 < len(found) <= _MOST_CHOICES:
        raise ValueError(f"From one line to {_MOST_CHOICES}, please.")
    return found


def _kinds(value: str) -> str:
    return "\n".join(f"{area}: {', '.join(kinds)}" for area, kinds in read_kinds(value).items())


def _sizes(value: str) -> str:
    listed = _choices(value)
    for part in listed.split(", "):
        if not (part.isascii() and part.isdigit() and 5 <= int(part) <= 2000):
            raise ValueError(f"“{part}” is not a size: whole millimetres from 5 to 2000.")
    return listed


def _cures(value: str) -> str:
    value = tidy(value, lines=True)
    if (wrong := problem(value, _LONGEST_TABLE, lines=True)) is not None:
        raise ValueError(wrong)
    return written(read_table(value))


def _boxes(value: str) -> str:
    boxes = read_boxes(value)
    if len(boxes) > _MOST_CHOICES:
        raise ValueError(f"At most {_MOST_CHOICES}, please.")
    return line(_MOST_CHOICES * _LONGEST_CHOICE)(say_boxes(boxes))


def _address(value: str) -> str:
    value = tidy(value, lines=True)
    if (wrong := problem(value, 300, lines=True)) is not None:
        raise ValueError(wrong)
    return "\n".join(filter(None, map(str.strip, value.split("\n"))))


def _zone(value: str) -> str:
    value = tidy(value)
    if value not in available_timezones():
        raise ValueError("That time zone is not known. Enter one like Europe/London.")
    return value


def _capitals(value: str) -> str:
    return line(10)(value).upper()


def _folder(value: str) -> str:
    value = line(300)(value)
    if value and not value.startswith("/"):
        raise ValueError("The whole path, please, as in /mnt/disk/backups.")
    return value


def _hours(value: dict[int, str]) -> dict[int, str]:
    return {day: say_hours(read_hours(text)) for day, text in value.items() if text.strip()}


Choices = Annotated[str, AfterValidator(_choices)]
SomeChoices = Annotated[str, AfterValidator(_some_choices)]
Rate = Annotated[int, Field(ge=0, le=1_000_000)]
Capitals = Annotated[str, AfterValidator(_capitals)]
Hour = Annotated[int, Field(ge=0, le=24)]
Weeks = Annotated[int, Field(ge=0, le=104)]


def _none_where_empty(value: object) -> object:
    return None if isinstance(value, str) and not value.strip() else value


# As many as are taken on in a week; None where nobody counts.
Limit = Annotated[Annotated[int, Field(ge=1, le=999)] | None, BeforeValidator(_none_where_empty)]


class StudioSettings(BaseModel):
    """Everything a person can set. Each field is one row of the settings table, as JSON.

    `hours` maps a weekday (0 is Monday) to hours as typed; `capacity` maps a step to how many
    pieces it can have in hand at once; `cures` is a table, a material a line; days are working days
    where the name says so. `own_words` are the studio's words in its letters, by field
    (`app/letters/own_words.py`, which checks them), `keeps` how long what is kept
    (`app/upkeep/kept/rules.py`), a kind that is not in it for ever. The rates say what an hour, the
    material of a piece made again and sending one again cost, in whatever the studio counts in; 0
    where it counts nothing. The usual weeks are from the photos' passing until the last piece is
    ready, as the studio says them itself; 0 where it does not. The mail server's password is not
    here, but in the data folder (`DataFolder.mail_password`). `set_up_fine` are the steps of
    setting up that the owner leaves as they are, `set_up_over` that nobody is reminded of the
    others.
    """

    model_config = ConfigDict(frozen=True, extra="ignore")

    name: Annotated[str, AfterValidator(line(80, needed=True))] = "Our workshop"
    contact_mail: Annotated[str, AfterValidator(line(254))] = ""
    contact_phone: Annotated[str, AfterValidator(line(60))] = ""
    contact_hours: Annotated[str, AfterValidator(line(120))] = "weekdays from 9 to 17"
    how_to_send_photos: Annotated[str, AfterValidator(line(300, needed=True))] = (
        "put the files in a shared folder online and email us the link. Together they’re usually "
        "too big to attach to an email."
    )
    zone: Annotated[str, AfterValidator(_zone)] = "Europe/London"
    country: Capitals = ""
    region: Capitals = ""
    hours: Annotated[dict[int, str], AfterValidator(_hours)] = Field(
        default_factory=lambda: dict.fromkeys(range(5), "9:00-17:00")
    )
    starts_when: Literal["none", "part", "all"] = "none"
    first_number: Annotated[int, Field(ge=1, le=9_999_999)] = 1001
    intake_limit: Limit = None
    blank_on: bool = True
    approves: Literal["nothing", "model", "paint", "both"] = "nothing"
    capacity: dict[str, int] = Field(default_factory=dict)
    copy_deadline_working_days: Annotated[int, Field(ge=0, le=60)] = 5
    assumed_received_days: Annotated[int, Field(ge=1, le=90)] = 14
    link_lapses_days: Annotated[int, Field(ge=7, le=1_095)] = 90
    ask_in_parts_days: Annotated[int, Field(ge=1, le=90)] = 5
    boxes: Annotated[str, AfterValidator(_boxes)] = (
        "Tiny 20×16×18, Small 30×22×25, Middle 40×30×35, Large 45×37×40, Tall 55×45×55, "
        "Great 70×55×60"
    )
    return_address: Annotated[str, AfterValidator(_address)] = ""
    customs_words: Annotated[str, AfterValidator(line(80, needed=True))] = (
        "hand-painted resin figure"
    )
    bases: Choices = "none, oak, walnut, slate"
    cures: Annotated[str, AfterValidator(_cures)] = USUAL
    poses: Choices = "standing, lying, sitting, head"
    sizes: Annotated[str, AfterValidator(_sizes)] = "60, 80, 100, 120"
    posting_from: Hour = 10
    posting_until: Hour = 17
    own_words: dict[str, str] = Field(default_factory=dict)
    keeps: dict[str, int] = Field(default_factory=dict)
    inspection_list: SomeChoices = (
        "stance, symmetry, eyes in line, seams, varnish, base level, spelling, copies complete"
    )
    finding_kinds: Annotated[str, AfterValidator(_kinds)] = FINDINGS
    photos_at_pass: bool = False
    own_photos: bool = True
    hour_rate: Rate = 0
    piece_rate: Rate = 0
    sending_rate: Rate = 0
    usual_weeks_from: Weeks = 0
    usual_weeks_to: Weeks = 0
    public_address: Annotated[str, AfterValidator(read_address)] = ""
    mail_host: Annotated[str, AfterValidator(read_host)] = ""
    mail_port: Annotated[int, Field(ge=1, le=65_535)] = 587
    mail_security: Literal["starttls", "tls"] = "starttls"
    mail_user: Annotated[str, AfterValidator(line(254))] = ""
    mail_tagged: bool = False
    backups_folder: Annotated[str, AfterValidator(_folder)] = ""
    set_up_fine: Annotated[str, AfterValidator(line(400))] = ""
    set_up_over: bool = False

    def usual_weeks(self) -> tuple[int, int] | None:
        """Our usual weeks from the photos' passing on; None where the studio does not say."""
        return (self.usual_weeks_from, self.usual_weeks_to) if self.usual_weeks_to else None

    def weekly(self) -> Mapping[int, Hours]:
        """Working hours by weekday."""
        return {day: read_hours(text) for day, text in self.hours.items()}

    def zone_info(self) -> ZoneInfo:
        """The studio's zone."""
        return ZoneInfo(self.zone)

    def curing(self) -> tuple[Cure, ...]:
        """What a piece may be coated with last, and how long each takes until it may be wrapped."""
        return read_table(self.cures)

    def choices(self, field: str) -> list[str]:
        """A comma-separated setting as a list."""
        text: str = getattr(self, field)
        return [part for part in (p.strip() for p in text.split(",")) if part]
