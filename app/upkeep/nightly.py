"""A backup every night, as many as are wanted, and a warning where the last one is old.

The data folder holds nothing but the studio, so backups lie beside it, in `<data>-backups`, or
where the owner or LIKEWRIGHT_BACKUPS says: better on another disk.
LIKEWRIGHT_BACKUPS_KEEP says how many (14).
"""

import logging
import re
import threading
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated
from weakref import WeakKeyDictionary

from pydantic import Field
from sqlalchemy import select

from app.history import files as sheets
from app.shared.calendar import DAY, Calendar
from app.shared.errors import CannotStart, CannotWrite
from app.shared.settings import FromEnvironment
from app.studio.cached import cached_a_minute
from app.studio.workshop import Workshop
from app.tables import house
from app.upkeep import drill
from app.upkeep.backup import StoredPicture, back_up, read_label
from app.upkeep.kept import ending

AT_HOUR = 2
OLD_AFTER = 2 * DAY
_LOOK_EVERY, _AFTER_TROUBLE = 60, 900
_STAMP = "%Y%m%dT%H%M%SZ"
_NAME = re.compile(r"likewright-(\d{8}T\d{6}Z)\.db")
_HALF = re.compile(r"\.likewright-\d{8}T\d{6}Z\.db(\.part|\.part-journal)")
_log = logging.getLogger("likewright.backups")
_trouble: WeakKeyDictionary[Workshop, str] = WeakKeyDictionary()


class Backups(FromEnvironment):
    """Where backups lie and how many are kept, as found in the environment."""

    backups: Path | None = None
    backups_keep: Annotated[int, Field(ge=1)] = 14


def backups_folder(workshop: Workshop) -> Path:
    """Where a studio's nightly backups lie: as the environment says, as was set, or beside it."""
    if given := Backups.read().backups:
        return given
    typed = workshop.in_force().settings.backups_folder
    beside = workshop.folder.path.resolve()
    return Path(typed) if typed else beside.with_name(f"{beside.name}-backups")


def kept(place: Path) -> list[tuple[int, Path]]:
    """The nightly backups in a folder with their moments, the oldest first."""
    if not place.is_dir():
        return []
    names = ((_NAME.fullmatch(path.name), path) for path in place.iterdir())
    return sorted((_moment(found[1]), path) for found, path in names if found)


def _moment(stamp: str) -> int:
    return int(datetime.strptime(stamp, _STAMP).replace(tzinfo=UTC).timestamp())


def is_due(newest: int | None, now: int, calendar: Calendar) -> bool:
    """Whether a backup should be made: none since the last two o'clock at night, local time."""
    return newest is None or newest < calendar.last_at(AT_HOUR, now)


def run(workshop: Workshop, stop: threading.Event) -> None:
    """Make a backup each night until `stop` is set; one that was missed is made at once. After it
    goes what has been kept for as long as the studio keeps it, and once a month the backup is
    restored on trial. Sheets that were sent and have lain here for a day go, too.

    An invented studio is not backed up: it can be made anew.
    """
    while not stop.is_set():
        wait = _LOOK_EVERY
        sheets.let_go(workshop.folder, workshop.now())
        try:
            if not workshop.demo and (made := tonight(workshop)):
                # After the backup: what goes by mistake is there for some nights more.
                ending.end(workshop)
                if drill.is_due(workshop):
                    drill.try_out(workshop, made)
        except (CannotStart, CannotWrite) as why:
            _log.warning("no backup: %s", why)
            _trouble[workshop] = str(why)
            wait = _AFTER_TROUBLE
        stop.wait(wait)


def tonight(workshop: Workshop) -> Path | None:
    """Make tonight's backup if it is due, and let the oldest go. Raises CannotStart."""
    place, now = backups_folder(workshop), workshop.now()
    there = kept(place)
    if not is_due(there[-1][0] if there else None, now, workshop.in_force().calendar):
        return None
    _clear_halves(place)
    name = datetime.fromtimestamp(now, UTC).strftime(f"likewright-{_STAMP}.db")
    made = back_up(workshop.folder, place / name, now, _known(there))
    _trouble.pop(workshop, None)
    if not made.audit.ok:
        _log.warning("the backup is whole, but the audit finds %d", len(made.audit.differences))
        _trouble[workshop] = "Parts of it do not match its own log. Run: likewright audit"
    for _, path in kept(place)[: -Backups.read().backups_keep]:
        path.unlink()
    return made.path


def _clear_halves(place: Path) -> None:
    """What a cut in the middle of a backup has left."""
    if place.is_dir():
        for path in place.iterdir():
            if _HALF.fullmatch(path.name):
                path.unlink()


def _known(there: list[tuple[int, Path]]) -> Mapping[str, StoredPicture]:
    if not there:
        return {}
    try:
        return {one.path: one for one in read_label(there[-1][1]).pictures}
    except CannotStart:
        return {}


@cached_a_minute
def warning(workshop: Workshop) -> str | None:
    """A sentence for every staff page where the last backup is more than two days old, or None."""
    if workshop.demo:
        return None
    place, now = backups_folder(workshop), workshop.now()
    trouble = _trouble.get(workshop, "")
    there = kept(place)
    if there and now - there[-1][0] <= OLD_AFTER:
        return f"Something is wrong with the last backup. {trouble}" if trouble else None
    why = trouble or f"One should be made every night in {place}."
    if there:
        last = workshop.in_force().calendar.local(there[-1][0])
        return f"The last backup was made on {last:%-d %B}. {why}"
    with workshop.database.reading() as db:
        made_at: int = db.execute(select(house.c.made_at)).scalar_one()
    if now - made_at <= OLD_AFTER:
        return None
    return f"There is no backup yet. {why}"
