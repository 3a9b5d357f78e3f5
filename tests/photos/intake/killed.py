"""A process that brings files in and says each that is acknowledged: a trial cuts it off."""

import sys
from pathlib import Path

from app.photos import store
from app.photos.intake.bring_in import Bringing, Brought
from app.photos.pictures import files
from app.shared.places import DataFolder
from tests.making import CAST
from tests.photos.intake.shots import jpeg
from tests.staff.browser import ClockedWorkshop

MANY = 5


def bring_all(workshop: ClockedWorkshop, delivery_id: int) -> Brought:
    """Bring in MANY pictures, one after another; each is said once it is acknowledged."""
    brought = Brought()
    with workshop.database.reading() as db:
        delivery = store.delivery(db, delivery_id)
    bringing = Bringing(workshop, delivery, CAST.desk, brought)
    for k in range(MANY):
        with files.Incoming(workshop.folder.pictures) as incoming:
            incoming.write(jpeg(k))
            bringing.take(incoming, f"{k}.jpg")
        sys.stdout.write(f"{k}.jpg\n")
        sys.stdout.flush()
    return brought


if __name__ == "__main__":
    bring_all(ClockedWorkshop(DataFolder(Path(sys.argv[1]))), int(sys.argv[2]))
