"""The pictures on a page, in words. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass

from app.shared.web import words
from app.status.document import PICTURE, Block, ShownPicture
from app.status.round_drawing import RoundDrawing, drawn
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


@dataclass(frozen=True, slots=True)
class OwnPhoto:
    """A photo of the customer's own that a request names: of the animal with this letter, the name
    of its file, and the name under which a small one lies beside the page. The check read it and
    all of its set as taken from these sides, in degrees; it may have read none."""

    letter: str
    file: str
    name: str
    azimuth: int | None = None
    around: tuple[int, ...] = ()


def with_own_photos(blocks: Sequence[Block], own: Sequence[OwnPhoto]) -> list[Block]:
    """A request's blocks, the photos that it names below its list and what is said of it: nobody
    finds a file by its name on a phone."""
    if not own:
        return list(blocks)
    lead = "This is the photo of yours that we mean:"
    if len(own) > 1:
        lead = "These are the photos of yours that we mean:"
    drawing = _between(own)
    numbers = ("1: ", "2: ") if drawing is not None else ("",) * len(own)
    # Their sizes are the style sheet's business: all stand in boxes of one shape.
    photos = tuple(
        ShownPicture(number + p.file, f"Your photo {p.file}", 0, 0, name=p.name)
        for number, p in zip(numbers, own, strict=True)
    )
    lines = (lead,) if drawing is None else (lead, SEEN_FROM_ABOVE)
    shown = Block("photos", lines, photos, drawing)
    ends = [k + 2 for k, block in enumerate(blocks) if block.kind == "steps"]
    return [*blocks[: ends[0]], shown, *blocks[ends[0] :]] if ends else list(blocks)


SEEN_FROM_ABOVE = (
    "Seen from above, roughly: each dot is where you took a photo; 1 and 2 are the two above. No "
    "photo shows us the shaded side."
)


def _between(own: Sequence[OwnPhoto]) -> RoundDrawing | None:
    """Where the photos stood, if two are named and no photo was taken between them."""
    if len(own) != 2 or own[0].azimuth is None or own[1].azimuth is None:
        return None
    return drawn(own[0].around, (own[0].azimuth, own[1].azimuth))


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
