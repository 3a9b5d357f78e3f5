"""The pictures on a page, in words. Pure."""

from dataclasses import dataclass

from app.shared.web import words
from app.status.document import PICTURE, ShownPicture
from app.status.voice import Days, own


@dataclass(frozen=True, slots=True)
class CaptionedPicture:
    """A picture that somebody released: of which animal, what it shows, by whom and when.

    `shows` is "model" or "painting", `by` a first name or empty, `at` a moment (UTC seconds).
    Under its `name` it lies beside the page.
    """

    animal: str
    shows: str
    by: str
    at: int
    width: int
    height: int
    remembered: bool = False
    name: str = PICTURE


def picture(shown: CaptionedPicture, gift: bool, days: Days) -> ShownPicture:
    """The picture with its caption; folded away where the page may be opened before somebody
    who is to be surprised, or to whom it may come too soon."""
    day = words.day(days.calendar.day_of(shown.at), days.today)
    if shown.shows == "model":
        on = f"{own(shown.by)} screen" if shown.by else "our screen"
        caption = f"{own(shown.animal)} model on {on}, {day}"
        alt = f"{own(shown.animal)} model, on a screen"
    else:
        at = f"{own(shown.by)} bench" if shown.by else "our bench"
        whom = f"The likeness of {shown.animal}" if shown.remembered else shown.animal
        caption = f"{whom} at {at}, {day}"
        alt = f"{whom}, at the painting bench"
    folded = gift or shown.remembered
    return ShownPicture(caption, alt, shown.width, shown.height, folded, shown.name)
