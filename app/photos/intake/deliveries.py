"""What is said of deliveries: their ways, when a link lapses, what to ask when one has. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from app.shared.web import words

TOPIC = "Photographs"
WARN_DAYS = 3
WAYS = {
    "link": "by a link",
    "mail": "by email",
    "card": "on a card",
    "prints": "prints by post",
    "post": "by post",
    "in_person": "brought in person",
    "folder": "saved in the folder",
    "other": "another way",
}


@dataclass(frozen=True, slots=True)
class Lapse:
    """When a link stops working. `mark` is "late", "soon" or nothing."""

    sentence: str
    mark: str = ""

    @property
    def lapsed(self) -> bool:
        """Whether it works no more."""
        return self.mark == "late"


def lapse(on: str | None, today: date) -> Lapse | None:
    """What to say of the day on which a link lapses; it holds to the end of that day."""
    if on is None:
        return None
    day = date.fromisoformat(on)
    days = (day - today).days
    if days < 0:
        return Lapse(f"expired on {words.short_day(day, today)}", "late")
    if days <= WARN_DAYS:
        near = {0: "today, ", 1: "tomorrow, "}.get(days, "on ")
        return Lapse(f"expires {near}{words.short_day(day, today)}", "soon")
    return Lapse(f"expires on {words.short_day(day, today)}")


def lapsed_question(names: Sequence[str], on: str | None, today: date) -> str:
    """The prepared question to a customer whose link no longer works."""
    when = f" on {words.day(date.fromisoformat(on), today)}" if on else ""
    return (
        f"The link to the photos of {words.listed(names)} stopped working{when}, before we "
        "had fetched them. Could you send a new one, please? The files as the camera made them are "
        "best, and nothing else is needed."
    )


def against_said(here: int, said: int | None) -> str:
    """What came against what was announced: "143 photos safely here"."""
    if not here:
        return f"{said} announced, none here yet." if said else "None here yet."
    lead = f"{words.capital(words.count(here, 'photo'))} safely here"
    if said is None or said == here:
        return f"{lead}." if said is None else f"{lead}, as announced."
    if here < said:
        return f"{lead}; {said} were announced, so {said - here} may still be missing."
    return f"{lead}; {said} were announced."
