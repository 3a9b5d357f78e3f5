"""Erasing: what is somebody's goes from the database and from the disk, in one act.

The order matters. The list beside the key is written first, then files go, then the rows, with the
transaction still open: what is cut off in between is done when the studio is opened next.
"""

import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, and_, case, delete, insert, not_, null, or_, select, update

from app import tables as t
from app.bench.findings import FOLDER as BENCH
from app.flow.rules import DRYING
from app.flow.steps import MoveKey
from app.orders.order import links
from app.parcels.pictures import FOLDER as PARCELS
from app.photos.pictures.files import ASIDE, INBOX, SIDES, shown_place
from app.photos.release.actions import RELEASED
from app.shared.errors import CannotStart, CannotWrite, NotFound, Refused
from app.shared.people import Person
from app.shared.places import DataFolder
from app.studio.workshop import Workshop
from app.upkeep.kept import erased_list, store
from app.upkeep.kept.erased_list import PERSON, GoneForGood
from app.upkeep.kept.rows import Theirs, theirs
from app.upkeep.kept.what_goes import CHANGED, ERASED, PHOTOS, REMOVED, Goes

# Of an entry's words those stay that are the studio's own: what it was coated with, and that it
# only dries, by which its time is counted.
_LAID_ON = (MoveKey.BLANK_DONE, MoveKey.SHAPED, MoveKey.PAINTED)


def erase(workshop: Workshop, customer_id: int, who: Person) -> None:
    """Erase a person, for good. Raises NotFound, Refused with what has to be settled first, and
    CannotWrite where the disk does not let go of all of it."""
    try:
        with workshop.database.writing() as db:
            record = store.person(db, customer_id)
            if record is None:
                raise NotFound("There is no such customer.")
            if why := store.unsettled(db, customer_id):
                raise Refused(" ".join(why))
            gone = GoneForGood(PERSON, customer_id, record.made_at)
            if gone not in erased_list.read(workshop.folder):
                erased_list.add(workshop.folder, [gone])
            erase_in(db, workshop.folder, customer_id, who.account_id, workshop.now())
    except CannotStart as fault:
        raise Refused(str(fault)) from fault
    except OSError as fault:
        raise CannotWrite(
            f"The disk did not let go of everything ({fault.strerror}). Have it looked at, then do "
            "this again; it is also done when the server is started next."
        ) from fault
    workshop.database.take_in_log()
    workshop.changed.set()


def erase_in(
    db: Connection, folder: DataFolder, customer_id: int, by: int | None, now: int, *,
    again: bool = False,
) -> None:  # fmt: skip
    """Erase a person in a transaction of the caller's, settled or not, and note it."""
    whose = theirs(customer_id)
    orders = db.execute(select(t.orders.c.id, t.orders.c.number).where(whose.by["orders"])).all()
    for order in orders:
        links.revoke(db, order.id, now)
    remove(folder, [*files(db, folder, whose, REMOVED), *_letter_files(db, folder, whose)])
    for order in orders:
        remove_inbox(folder, order.number)
    for table, column in REMOVED:
        db.execute(delete(table).where(whose.of(table, column)))
    _settle_letters(db, whose, now)
    for goes in CHANGED:
        db.execute(update(goes.table).where(whose.of(goes.table, goes.whose)).values(_left(goes)))
    own = update(t.customers).where(whose.by["customer"])
    db.execute(own.values(erased_at=now))
    note(db, PERSON, len(orders), by, now, customer_id=customer_id, again=again)


def note(
    db: Connection, what: str, amount: int, by: int | None, now: int, *,
    customer_id: int | None = None, again: bool = False,
) -> None:  # fmt: skip
    """Keep that something has gone: when, by whom, how much; never whose."""
    values = {"at": now, "account_id": by, "what": what, "amount": amount, "again": int(again)}
    db.execute(insert(t.let_go).values(customer_id=customer_id, **values))


def _left(goes: Goes) -> dict[str, Any]:
    """What each column becomes of which something goes."""
    c, values = goes.table.c, dict[str, Any](goes.becomes)
    for name in goes.emptied:
        values[name] = null() if c[name].nullable else ""
    for name in goes.blotted:
        stays = or_(c[name].is_(None), c[name] == "", c[name] == DRYING)
        if goes.table is t.transitions:
            stays = or_(stays, and_(c.kind == "move", c.move.in_(_LAID_ON), c.until.is_not(None)))
        values[name] = case((not_(stays), ERASED), else_=c[name])
    return values


def _settle_letters(db: Connection, whose: Theirs, now: int) -> None:
    """No letter goes any more, and no news is told."""
    unsent = t.letters.c.state.in_(("waiting", "sending", "held", "dead"))
    its = whose.of(t.letters, "order_id")
    db.execute(update(t.letters).where(its, unsent).values(state="dropped"))
    its = whose.of(t.news, "order_id")
    db.execute(update(t.news).where(its, t.news.c.told_at.is_(None)).values(told_at=now))


# ---------------------------------------------------------------- files


def files(
    db: Connection, folder: DataFolder, whose: Theirs, removed: Sequence[tuple[Any, str]] = PHOTOS
) -> Iterator[Path]:
    """The files under pictures/ of rows that go, but for those that a row of others names, too."""
    pictures = folder.pictures
    for table, column in removed:
        its = whose.of(table, column)
        if table is t.pictures:
            others = select(t.pictures.c.path).where(not_(its))
            only = select(t.pictures).where(its, t.pictures.c.path.not_in(others))
            for row in db.execute(only):
                yield pictures / row.path
                yield pictures / ASIDE / Path(row.path).name
                yield from (pictures / shown_place(row.sha256, side) for side in SIDES.values())
        elif table is t.parcel_pictures:
            others = select(table.c.original).where(not_(its))
            for row in db.execute(select(table).where(its)):
                yield pictures / PARCELS / row.file
            only = select(table.c.original).where(its, table.c.original.not_in(others))
            for name in db.execute(only).scalars():
                yield pictures / PARCELS / "originals" / name
        elif "file" in table.c:
            released = table in (t.released_pictures, t.approval_pictures)
            for name in db.execute(select(table.c.file).where(its)).scalars():
                yield pictures / (RELEASED if released else BENCH) / name


def _letter_files(db: Connection, folder: DataFolder, whose: Theirs) -> Iterator[Path]:
    """Emails that were written into files, as the letters' way into a folder names them."""
    numbered = select(t.letters.c.id, t.orders.c.number).join(
        t.orders, t.orders.c.id == t.letters.c.order_id
    )
    for row in db.execute(numbered.where(whose.of(t.letters, "order_id"))):
        yield folder.letters / f"{row.id:06d}-{row.number}.eml"


def remove(folder: DataFolder, paths: Sequence[Path]) -> int:
    """Delete files of a studio; those that are not there are gone already. Gives how many went."""
    gone = 0
    for path in dict.fromkeys(paths):
        assert path.is_relative_to(folder.path), path
        if path.is_file():
            path.unlink()
            gone += 1
    return gone


def remove_inbox(folder: DataFolder, number: int) -> None:
    """Delete what was dropped for an order and not taken in."""
    shutil.rmtree(folder.pictures / INBOX / str(number), ignore_errors=True)
