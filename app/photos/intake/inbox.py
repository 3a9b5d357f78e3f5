"""The watched folder: what the technician drops into pictures/inbox/<order number>/ is brought in.

A file is taken when nobody has written to it for a moment. What was kept is gone from the folder;
what could not be read lies in "not read" beside it.
"""

import contextlib
import os
import stat
from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import select

from app.photos import store
from app.photos.intake.archive import is_zip
from app.photos.intake.bring_in import KEPT, KNOWN, Bringing, Brought
from app.photos.pictures import files
from app.photos.pictures.reading import FILE_AT_MOST
from app.shared.people import AUTOMATIC, Person
from app.shared.text import whole_number
from app.studio.workshop import Workshop
from app.tables import orders, photo_deliveries

NOT_READ = "not read"
QUIET_SECONDS = 3.0
DEPTH_AT_MOST = 3
AT_ONCE = 500
FOLDER = "folder"
ZIP_AT_MOST = 4 * 2**30
_CHUNK = 1 << 20


def folder_of(workshop: Workshop, number: int) -> Path:
    """The watched folder of an order."""
    return workshop.folder.pictures / files.INBOX / str(number)


def prepare(workshop: Workshop) -> None:
    """A folder for each order of which pictures are expected."""
    with workshop.database.reading() as db:
        numbers = {row["number"] for row in store.expected(db, "")}
    for number in numbers:
        folder_of(workshop, number).mkdir(mode=0o700, parents=True, exist_ok=True)


def look(
    workshop: Workshop, wall: float, who: Person = AUTOMATIC, only: int | None = None
) -> Brought:
    """Bring in what lies in the folders, or in one order's. `wall` is the file system's time.

    Raises OSError where the disk is full; Refused where an order has too many pictures.
    """
    brought = Brought()
    inbox = workshop.folder.pictures / files.INBOX
    for folder in sorted(inbox.glob("*")) if only is None else [folder_of(workshop, only)]:
        number = whole_number(folder.name)
        if number is None or folder.is_symlink():
            continue
        waiting = list(_waiting(folder, wall))
        if not waiting:
            continue
        delivery = _delivery_of(workshop, number, who)
        if delivery is None:
            continue
        for path in waiting:
            outcome = Brought()
            _take(Bringing(workshop, delivery, who, outcome), folder, path)
            brought.counts += outcome.counts
            brought.not_read += outcome.not_read
    return brought


def _waiting(folder: Path, wall: float) -> Iterator[Path]:
    """Plain files that nobody has written to for a moment; no links, nothing hidden."""
    taken = 0
    for here, folders, names in os.walk(folder):
        deep = len(Path(here).relative_to(folder).parts) >= DEPTH_AT_MOST
        folders[:] = [] if deep else [f for f in folders if f != NOT_READ and f[0] != "."]
        for name in sorted(names):
            path = Path(here) / name
            with contextlib.suppress(OSError):
                facts = path.lstat()
                quiet = abs(wall - facts.st_mtime) >= QUIET_SECONDS
                if stat.S_ISREG(facts.st_mode) and quiet and name[0] != ".":
                    taken += 1
                    yield path
            if taken >= AT_ONCE:
                return


def _delivery_of(workshop: Workshop, number: int, who: Person) -> store.Delivery | None:
    """The order's delivery that is not counted yet, or a new one; None for no such order."""
    with workshop.database.writing() as db:
        order_id = db.execute(select(orders.c.id).where(orders.c.number == number)).scalar()
        if order_id is None:
            return None
        expected = db.execute(
            select(photo_deliveries.c.id)
            .where(photo_deliveries.c.order_id == order_id, photo_deliveries.c.fetched_at.is_(None))
            .order_by(photo_deliveries.c.id.desc())
        ).scalar()
        if expected is None:
            expected = store.new_delivery(db, order_id, FOLDER, workshop.now(), who)
        return store.delivery(db, expected)


def _take(bringing: Bringing, folder: Path, path: Path) -> None:
    """Bring in one file; then it is gone from the folder, or lies in "not read"."""
    try:
        # Opened without following a link: the name may have changed hands since it was seen.
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError:
        return
    pictures = bringing.workshop.folder.pictures
    with os.fdopen(handle, "rb") as source, files.Incoming(pictures) as incoming:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            return
        while part := source.read(_CHUNK):
            incoming.write(part)
            if incoming.size > (ZIP_AT_MOST if is_zip(incoming.head) else FILE_AT_MOST):
                break
        bringing.take(incoming, path.name)
    outcome = bringing.brought
    if not outcome.not_read and outcome.counts[KEPT] + outcome.counts[KNOWN]:
        path.unlink(missing_ok=True)
    else:
        aside = folder / NOT_READ
        aside.mkdir(mode=0o700, exist_ok=True)
        os.replace(path, aside / path.name)
