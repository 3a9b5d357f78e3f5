"""A studio opened for a command, and its own log as a table of stays."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime

import numpy as np
from sqlalchemy import text

from app.leadtimes.log import StayLog
from app.leadtimes.open_time import OpenTime
from app.leadtimes.stay_table import Table
from app.orders.forecast import record
from app.orders.forecast.open_days import open_time
from app.shared.errors import CannotStart
from app.shared.places import DataFolder
from app.studio import store
from app.studio.workshop import Workshop
from app.tables.migrating import HEAD, version_of

_CODES = text(
    "SELECT c.id, o.number || '-' || c.letter || c.number AS code FROM copies c"
    " JOIN orders o ON o.id = c.order_id"
)


@contextmanager
def studio_in(folder: DataFolder) -> Iterator[Workshop]:
    """A studio for one command, whether or not a server has it open.

    Raises CannotStart where there is none, or one of another version.
    """
    found = version_of(folder.database_file)
    if found is None:
        raise folder.missing()
    if found != HEAD:
        raise CannotStart(
            f"The data in {folder.path} is from another version ({found}, not {HEAD}). "
            "Start the server once to bring it up to date."
        )
    workshop = Workshop(folder)
    try:
        yield workshop
    finally:
        workshop.close()


def own_table(workshop: Workshop) -> Table:
    """The pieces' ways as a table of stays; a piece is named by its code, 1147-A2.

    The log is the record's own, with what was known of each stay and since when a piece is watched.
    """
    with workshop.database.reading() as db:
        log = record.read(db).log
        code = {row.id: row.code for row in db.execute(_CODES)}
    pieces, place = np.unique(log.piece, return_inverse=True)
    numbered = replace(log, piece=place.astype(np.int64))
    names = (code.get(piece, f"brought in {-piece}") for piece in pieces.tolist())
    return Table(numbered, tuple(names))


def own_time(workshop: Workshop, log: StayLog, when: float) -> OpenTime:
    """Open time by the studio's calendar, with the pace in closures that the log showed by `when`.

    Days off are those that the calendar holds today: that a closure was decided late, the calendar
    does not tell.
    """
    with workshop.database.reading() as db:
        settings = store.load(db)
        this_year = datetime.fromtimestamp(workshop.now(), settings.zone_info()).year
        calendar = store.calendar(db, settings, this_year)
    return open_time(calendar, log, int(when))
