"""A process that brings files in and says each that is acknowledged: a trial cuts it off."""

import sys
from pathlib import Path

from app.photos import pictures as files
from app.photos import store
from app.photos.intake import Brought, bring
from app.shared.places import DataFolder
from tests.making import CAST
from tests.photos_desk.shots import jpeg
from tests.staff.browser import Shop

MANY = 5


def bring_all(shop: Shop, delivery_id: int) -> Brought:
    """Bring in MANY pictures, one after another; each is said once it is acknowledged."""
    brought = Brought()
    with shop.house.reading() as db:
        delivery = store.delivery(db, delivery_id)
    for k in range(MANY):
        with files.Incoming(shop.folder.pictures) as incoming:
            incoming.write(jpeg(k))
            bring(shop, delivery, incoming, f"{k}.jpg", CAST.desk, brought)
        sys.stdout.write(f"{k}.jpg\n")
        sys.stdout.flush()
    return brought


if __name__ == "__main__":
    bring_all(Shop(DataFolder(Path(sys.argv[1]))), int(sys.argv[2]))
