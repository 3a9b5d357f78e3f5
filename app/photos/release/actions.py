"""One picture that somebody releases to an order's page, made anew from its pixels.

pictures/released/<sha256>.jpg holds the JPEG: at most 200 kB, turned upright, without any data of
the file that it was made from. The house keeps the name; the pages file gets the bytes.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Column, Connection, bindparam, insert, select, text, update

from app.flow import groups
from app.flow import store as flow
from app.flow.steps import STEPS
from app.flow.store import Piece, Ref
from app.photos.pictures import files
from app.photos.pictures.reading import PROBLEMS
from app.shared.errors import BadFields, NotFound, Refused
from app.shared.people import Person, first_name
from app.studio.workshop import Workshop
from app.tables import released_pictures

RELEASED = "released"
AT_MOST = 200_000
# Long sides in px, tried until the JPEG is small enough; the last one always is.
_SIDES = (1400, 1200, 1000, 800, 640, 480, 360)
_MISSING = "This picture cannot be shown: its file is missing or damaged."


@dataclass(frozen=True, slots=True)
class Released:
    """A released picture: of which animal, released by whom, and what it shows.

    `shows` is "model" or "painting"; `released_at` is a moment (UTC seconds); `by` a first name;
    `number` counts those that the customer is to approve, and is 0 for the released one.
    """

    id: int
    order_id: int
    animal: str
    shows: str
    by: str
    released_at: int
    file: str
    size: int
    width: int
    height: int
    remembered: bool
    number: int = 0


def may_show(piece: Piece) -> bool:
    """Whether there is anything of this piece that a customer may want to see."""
    return bool(STEPS[piece.state.step].shows)


def place(pictures: Path, file: str) -> Path:
    """Where a released picture lies."""
    return pictures / RELEASED / file


def release(workshop: Workshop, ref: Ref, source: Path, who: Person) -> Released:
    """Release the picture in a file to the page of the piece's order, instead of an earlier one.

    The file is opened in a child process. Raises BadFields where it is no picture, Refused where
    nothing of the piece is to be seen yet, and NotFound.
    """
    with workshop.database.reading() as db:
        piece = flow.load(db, ref)
    if not may_show(piece):
        raise Refused(
            "A picture can go on the page once the model is built, or while a copy is at painting."
        )
    small = kept_anew(workshop.folder.pictures, source, RELEASED, AT_MOST)
    now = workshop.now()
    with workshop.database.writing() as db:
        _take_back(db, piece.order_id, now)
        db.execute(
            insert(released_pictures).values(
                order_id=piece.order_id, model_id=piece.model_id,
                shows=STEPS[piece.state.step].shows, file=small.file,
                size=small.size, width=small.width, height=small.height, released_at=now,
                account_id=who.account_id,
            )
        )  # fmt: skip
        flow.mark_stale(db, [piece.order_id])
        made = released(db, [piece.order_id])[piece.order_id]
    workshop.changed.set()
    return made


@dataclass(frozen=True, slots=True)
class Anew:
    """A JPEG made anew from a picture's pixels: its file's name, bytes, and size in px."""

    file: str
    size: int
    width: int
    height: int


def kept_anew(pictures: Path, source: Path, folder: str, at_most: int) -> Anew:
    """Make a JPEG of at most so many bytes from a picture, and keep it in a folder of pictures/.

    Nothing of the file's own data goes along. It is opened in a child process. Raises BadFields
    where it is no picture.
    """
    jpeg = _encoded(source, at_most)
    with files.Incoming(pictures) as incoming:
        incoming.write(jpeg)
        incoming.close()
        file = f"{incoming.sha256}.jpg"
        files.settle(pictures, incoming, f"{folder}/{file}")
    return Anew(file, len(jpeg), *size_of(jpeg))


def _encoded(source: Path, at_most: int) -> bytes:
    for side in _SIDES:
        small = files.OPENER.open(source, side)
        if small.problem:
            said = PROBLEMS.get(small.problem, "It cannot be read.")
            raise BadFields({"file": f"This file can’t be used. {said}"})
        if len(small.jpeg) <= at_most:
            return small.jpeg
    raise BadFields({"file": "This picture cannot be made small enough for the page."})


def size_of(jpeg: bytes) -> tuple[int, int]:
    """Width and height from the frame header of a baseline JPEG (ITU-T T.81 B.2.2), ours."""
    at = 2
    while at + 9 < len(jpeg):
        marker, length = jpeg[at + 1], int.from_bytes(jpeg[at + 2 : at + 4], "big")
        if marker in (0xC0, 0xC1, 0xC2):
            height, width = jpeg[at + 5 : at + 7], jpeg[at + 7 : at + 9]
            return int.from_bytes(width, "big"), int.from_bytes(height, "big")
        at += 2 + length
    raise BadFields({"file": _MISSING})


def take_back(workshop: Workshop, order_id: int) -> None:
    """Take the picture off the order's page. Raises NotFound where none is on it."""
    with workshop.database.writing() as db:
        if not _take_back(db, order_id, workshop.now()):
            raise NotFound("There is no picture on that page any more.")
        flow.mark_stale(db, [order_id])
    workshop.changed.set()


def _take_back(db: Connection, order_id: int, now: int) -> bool:
    live = released_pictures.c.taken_back_at.is_(None)
    done = db.execute(
        update(released_pictures)
        .where(released_pictures.c.order_id == order_id, live)
        .values(taken_back_at=now)
    )
    return bool(done.rowcount)


_LIVE = text(
    f"SELECT r.*, {groups.names('shown', 'a')} AS animal, a.life, k.name AS by"  # noqa: S608
    " FROM released_pictures r"
    " JOIN models m ON m.id = r.model_id JOIN animals a ON a.id = m.animal_id"
    " LEFT JOIN accounts k ON k.id = r.account_id"
    # At the benches all who stand on one base are in the picture, on a screen there is one model.
    " LEFT JOIN copies shown ON r.shows = 'painting' AND shown.id = (SELECT c.id FROM copies c"
    " JOIN copy_companions g ON g.copy_id = c.id WHERE c.order_id = r.order_id"
    " AND c.model_id = r.model_id AND c.withdrawn = 0 LIMIT 1)"
    " WHERE r.taken_back_at IS NULL AND r.order_id IN :ids"
).bindparams(bindparam("ids", expanding=True))


def released(db: Connection, order_ids: Sequence[int]) -> Mapping[int, Released]:
    """The picture on the page of each order that has one."""
    return {
        r.order_id: Released(
            r.id, r.order_id, r.animal, r.shows, first_name(r.by or ""), r.released_at,
            r.file, r.size, r.width, r.height, r.life == "remembered",
        )
        for r in db.execute(_LIVE, {"ids": list(order_ids)})
    }  # fmt: skip


_TO_APPROVE = text(
    "SELECT p.*, q.order_id, q.asked_at, a.name AS animal, a.life, k.name AS by,"
    " CASE WHEN q.copy_id IS NULL THEN 'model' ELSE 'painting' END AS shows"
    " FROM approval_pictures p JOIN questions q ON q.id = p.question_id"
    " LEFT JOIN copies c ON c.id = q.copy_id"
    " JOIN models m ON m.id = coalesce(q.model_id, c.model_id)"
    " JOIN animals a ON a.id = m.animal_id LEFT JOIN accounts k ON k.id = q.asked_by_id"
    " WHERE q.order_id IN :ids AND q.asked <> '' AND q.answered_at IS NULL ORDER BY q.id, p.id"
).bindparams(bindparam("ids", expanding=True))


def on_pages(db: Connection, order_ids: Sequence[int]) -> Mapping[int, Sequence[Released]]:
    """The pictures on the pages of some orders: what the customer is to approve, then the released
    one."""
    found: dict[int, list[Released]] = {}
    for r in db.execute(_TO_APPROVE, {"ids": list(order_ids)}):
        own = found.setdefault(r.order_id, [])
        own.append(
            Released(
                r.id, r.order_id, r.animal, r.shows, first_name(r.by or ""), r.asked_at, r.file,
                r.size, r.width, r.height, r.life == "remembered", len(own) + 1,
            )
        )  # fmt: skip
    for order_id, one in released(db, order_ids).items():
        found.setdefault(order_id, []).append(one)
    return found


def jpeg_of(workshop: Workshop, file: Column[str], id_: int, folder: str) -> bytes:
    """The bytes of a picture that was made anew: `file` is the column that names it, in the row of
    this id, `folder` where it lies under pictures/. Raises NotFound."""
    with workshop.database.reading() as db:
        name = db.execute(select(file).where(file.table.c.id == id_)).scalar()
    if name is None:
        raise NotFound("There is no such picture.")
    return read_kept(workshop.folder.pictures, f"{folder}/{name}")


def take_off(workshop: Workshop, of: Column[int], id_: int) -> int:
    """A picture is shown no more, and its file stays; gives what it is `of`, the column that says
    so. Raises NotFound."""
    c = of.table.c
    own = (c.id == id_) & c.gone_at.is_(None)
    with workshop.database.writing() as db:
        found = db.execute(select(of).where(own)).scalar()
        if found is None:
            raise NotFound("That photo is not here any more.")
        db.execute(update(of.table).where(own).values(gone_at=workshop.now()))
    return int(found)


def read_kept(pictures: Path, path: str) -> bytes:
    """The bytes of a JPEG that was made anew, by its path under pictures/. Raises NotFound."""
    try:
        return (pictures / path).read_bytes()
    except OSError:
        raise NotFound(_MISSING) from None
