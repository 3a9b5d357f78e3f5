"""Pictures of how a parcel was packed: the original is kept for a claim, pages show one made anew.

pictures/parcels/<sha256>.jpg              what pages show, without any data of the file
pictures/parcels/originals/<sha256>        what the camera gave, untouched
"""

from collections.abc import Callable
from pathlib import Path

from sqlalchemy import func, insert, select

from app.parcels import store
from app.parcels.rules import PICTURES
from app.photos.pictures import files
from app.photos.release.actions import kept_anew
from app.shared.errors import BadFields, NotFound
from app.shared.people import Person
from app.studio.workshop import Workshop
from app.tables import parcel_pictures

FOLDER = "parcels"
AT_MOST = 400_000
# Two of each of the five would do; a parcel of many pieces has more.
MOST = 60
_PIECE = 1 << 20


def keeper(workshop: Workshop, parcel_id: int, of: str, who: Person) -> Callable[[Path], object]:
    """What keeps an uploaded file as a picture of a parcel, of one of the five things to show.

    Raises NotFound. What it gives raises BadFields where the file is no picture, or there are too
    many.
    """
    if of not in PICTURES:
        raise NotFound("There is no such picture.")
    with workshop.database.reading() as db:
        store.parcel(db, parcel_id)

    def keep(source: Path) -> None:
        c = parcel_pictures.c
        own = select(func.count()).where(c.parcel_id == parcel_id)
        with workshop.database.reading() as db:
            if db.execute(own).scalar_one() >= MOST:
                raise BadFields({"file": f"{MOST} pictures of one parcel are enough."})
        folder = workshop.folder.pictures
        shown = kept_anew(folder, source, FOLDER, AT_MOST)
        original = _kept_whole(folder, source)
        with workshop.database.writing() as db:
            db.execute(
                insert(parcel_pictures).values(
                    parcel_id=parcel_id, of=of, file=shown.file, original=original,
                    width=shown.width, height=shown.height, at=workshop.now(),
                    account_id=who.account_id,
                )
            )  # fmt: skip

    return keep


def _kept_whole(pictures: Path, source: Path) -> str:
    """Keep a file as it came, named by the hash (SHA-256) of its bytes; gives that."""
    with files.Incoming(pictures) as incoming, source.open("rb") as came:
        while part := came.read(_PIECE):
            incoming.write(part)
        incoming.close()
        digest = incoming.sha256
        files.settle(pictures, incoming, f"{FOLDER}/originals/{digest}")
    return digest
