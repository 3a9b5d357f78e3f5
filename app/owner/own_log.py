"""The studio's own log for commands that reckon with it: opened to read, as a table of stays."""

from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
from sqlalchemy import text

from app.leadtimes.log import StayLog
from app.leadtimes.stay_table import Table
from app.orders import record
from app.shared.errors import CannotStart
from app.shared.places import DataFolder
from app.studio.workshop import Workshop
from app.tables.migrating import HEAD, version_of

_CODES = text(
    "SELECT c.id, o.number || '-' || c.letter || c.number AS code FROM copies c"
    " JOIN orders o ON o.id = c.order_id"
)


@contextmanager
def studio_in(folder: DataFolder) -> Iterator[Workshop]:
    """A studio to look at, whether or not a server has it open; nothing is written.

    Raises CannotStart where there is none, or one of another version.
    """
    found = version_of(folder.studio)
    if found is None:
        raise CannotStart(f"There is no studio in {folder.path}.")
    if found != HEAD:
        raise CannotStart(
            f"The studio in {folder.path} is of another version ({found}, not {HEAD}). "
            "Start its server once; that brings it up to date."
        )
    shop = Workshop(folder)
    try:
        yield shop
    finally:
        shop.close()


def own_table(shop: Workshop) -> Table:
    """The pieces' ways as a table of stays; a piece is named by its code, 1147-A2."""
    with shop.house.reading() as db:
        log = record.read(db).log
        code = {row.id: row.code for row in db.execute(_CODES)}
    pieces, place = np.unique(log.piece, return_inverse=True)
    numbered = StayLog(
        place.astype(np.int64), log.step, log.entered, log.left, log.outcome, log.steps
    )
    return Table(numbered, tuple(code[piece] for piece in pieces.tolist()))
