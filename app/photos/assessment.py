"""What is completed at an assessment beside the judgement: marks, and the views worked from."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from sqlalchemy import Connection, delete, insert, select

from app.flow import store as flow
from app.flow.changes import add_in, change_in
from app.flow.steps import Of
from app.flow.store import Ref
from app.photos import store
from app.photos.pictures import files
from app.photos.release.actions import size_of
from app.shared.errors import BadFields, NotFound
from app.shared.people import Person
from app.shared.web.fields import Fields, Line, Short, Tick
from app.studio.workshop import Workshop
from app.tables import marks, models, pictures, reference_views

VIEWS = {
    "left": "Left side", "right": "Right side", "front": "From the front",
    "back": "From the back", "above": "From above", "face": "The face",
}  # fmt: skip
# What is cut out, in thousandths of the picture: left, top, right, bottom.
CROPS = {
    "whole": ("the whole photo", (0, 0, 1000, 1000)),
    "middle": ("its middle", (200, 200, 800, 800)),
    "left": ("its left half", (0, 0, 550, 1000)),
    "right": ("its right half", (450, 0, 1000, 1000)),
    "top": ("its upper half", (0, 0, 1000, 550)),
    "bottom": ("its lower half", (0, 450, 1000, 1000)),
}
MOST_MARKS = 60


class MarkFields(Fields):
    """A mark: where, what, on which side of the animal, must it match."""

    place: Short
    what: Line
    side: Literal["left", "right", "both", "none", "not_asked"] = "not_asked"
    must: Tick


def marks_of(db: Connection, model_id: int) -> Sequence[int]:
    """The marks of a model's animal that are not taken off, oldest first."""
    query = (
        select(marks.c.id)
        .join(models, models.c.animal_id == marks.c.animal_id)
        .where(models.c.id == model_id, marks.c.gone_at.is_(None))
        .order_by(marks.c.id)
    )
    return db.execute(query).scalars().all()


def save_marks(
    workshop: Workshop, model_id: int, typed: Mapping[str, MarkFields], who: Person
) -> None:
    """Complete the marks of a model's animal: by mark id, and one under "new".

    A mark whose words were emptied is taken off. Raises NotFound for a mark of another animal.
    """
    now = workshop.now()
    with workshop.database.writing() as db:
        piece = flow.load(db, Ref(Of.MODEL, model_id))
        known = set(marks_of(db, model_id))
        animal = db.execute(select(models.c.animal_id).where(models.c.id == model_id)).scalar_one()
        for key, mark in typed.items():
            values = {
                "place": mark.place, "what": mark.what, "side": mark.side, "must": int(mark.must),
            }  # fmt: skip
            if key == "new":
                if mark.what and len(known) < MOST_MARKS:
                    new = {"animal_id": animal, **values}
                    add_in(db, marks, piece.order_id, new, "what", who, now)
                continue
            if int(key) not in known:
                raise NotFound("That marking is not this animal’s any more.")
            new = values if mark.what else {"gone_at": now}
            change_in(db, marks, int(key), piece.order_id, new, who, now)
        orders = [order for order, _ in flow.orders_of_model(db, model_id)]
        flow.mark_stale(db, [piece.order_id, *orders])
    workshop.changed.set()


@dataclass(frozen=True, slots=True)
class View:
    """A view that is worked from: which picture, and the part of it in its own pixels.

    `key` is a side or "mark:12"; `box` is left, top, width, height in px of the shown picture.
    """

    key: str
    picture_id: int
    crop: str
    width: int
    height: int
    box: tuple[int, int, int, int]


def views_of(workshop: Workshop, db: Connection, model_id: int) -> dict[str, View]:
    """The views chosen for a model, by key; one whose file is lost is left out."""
    query = (
        select(reference_views, pictures.c.sha256, pictures.c.path)
        .join(pictures, pictures.c.id == reference_views.c.picture_id)
        .where(reference_views.c.model_id == store.whose_photos(model_id))
    )
    found: dict[str, View] = {}
    for row in db.execute(query):
        jpeg = files.shown(workshop.folder.pictures, row.sha256, row.path, files.FULL)
        if jpeg is None:
            continue
        width, height = size_of(jpeg)
        crop = (row.crop_left, row.crop_top, row.crop_right, row.crop_bottom)
        left, top = width * crop[0] // 1000, height * crop[1] // 1000
        right, bottom = -(-width * crop[2] // 1000), -(-height * crop[3] // 1000)
        key = row.view if row.mark_id is None else f"mark:{row.mark_id}"
        name = next((name for name, (_, box) in CROPS.items() if box == crop), "whole")
        box = (left, top, right - left, bottom - top)
        found[key] = View(key, row.picture_id, name, width, height, box)
    return found


def in_order(
    chosen: Mapping[str, View], marks_: Sequence[Mapping[str, Any]]
) -> list[tuple[str, View]]:
    """The chosen views with their names: the sides first, then the marks of the animal."""
    names = dict(VIEWS)
    for mark in marks_:
        side = f" ({mark['side']})" if mark["side"] in ("left", "right") else ""
        names[f"mark:{mark['id']}"] = f"{mark['what']}{side}"
    return [(name, chosen[key]) for key, name in names.items() if key in chosen]


def choose_views(
    workshop: Workshop, model_id: int, chosen: Mapping[str, tuple[int, str]], who: Person
) -> None:
    """Name the pictures that are worked from: by key, a picture's id and a crop's name.

    What is not in `chosen` is not named any more. Raises BadFields, and NotFound for a picture
    or a mark of another animal.
    """
    now = workshop.now()
    with workshop.database.writing() as db:
        flow.load(db, Ref(Of.MODEL, model_id))
        own = {row["id"] for row in store.of_model(db, model_id)}
        known = {f"mark:{id_}" for id_ in marks_of(db, model_id)} | set(VIEWS)
        db.execute(delete(reference_views).where(reference_views.c.model_id == model_id))
        for key, (picture, crop) in chosen.items():
            if key not in known or picture not in own:
                raise NotFound("That photo or marking is not of this animal.")
            if crop not in CROPS:
                raise BadFields({"views": "Choose one from the list."})
            left, top, right, bottom = CROPS[crop][1]
            view, _, mark = key.partition(":")
            db.execute(
                insert(reference_views).values(
                    model_id=model_id, view=view, mark_id=int(mark) if mark else None,
                    picture_id=picture, crop_left=left, crop_top=top, crop_right=right,
                    crop_bottom=bottom, chosen_at=now, account_id=who.account_id,
                )
            )  # fmt: skip
