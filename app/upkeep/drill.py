"""A restore on trial: the newest backup put into a folder of its own, audited, and thrown away.

A backup that nobody ever restored is a hope. The nightly worker does this once a month, and the
owner's page says how it went.
"""

import shutil
import tempfile
from pathlib import Path
from typing import Any

from sqlalchemy import insert, select

from app.shared.calendar import DAY
from app.shared.errors import CannotStart
from app.shared.places import DataFolder
from app.shared.web.words import capital, count
from app.studio.workshop import Workshop
from app.tables import drills
from app.upkeep.audit import audit
from app.upkeep.backup import read_label
from app.upkeep.restore import restore

EVERY = 30 * DAY


def try_out(workshop: Workshop, file: Path) -> str:
    """Restore a backup on trial and note what came of it; gives what was wrong, or nothing.

    The scratch folder lies beside the backup, where there is room for it, and is gone afterwards.
    Raises CannotStart where it cannot be tried at all.
    """
    now = workshop.now()
    label = read_label(file)
    try:
        scratch = Path(tempfile.mkdtemp(prefix=".on-trial-", dir=file.parent))
        try:
            why = _tried(workshop.folder, DataFolder(scratch), file, now)
        finally:
            shutil.rmtree(scratch, ignore_errors=True)
    except OSError as fault:
        raise CannotStart(f"{file} could not be tried out: {fault.strerror}.") from fault
    with workshop.database.writing() as db:
        db.execute(insert(drills).values(at=now, backup_at=label.made_at, why=why))
    return why


def _tried(own: DataFolder, scratch: DataFolder, file: Path, now: int) -> str:
    shutil.copyfile(own.key_file, scratch.key_file)
    scratch.key_file.chmod(0o600)
    try:
        restore(scratch, file, now)
        found = audit(scratch, now, with_key=True).differences
    except CannotStart as why:
        return str(why)
    lost = [one for one in read_label(file).pictures if not (own.pictures / one.path).is_file()]
    said = []
    if found:
        said.append(f"The audit of it finds {count(len(found), 'difference')}.")
    if lost:
        said.append(f"{capital(count(len(lost), 'photo'))} of it can no longer be found.")
    return " ".join(said)


def last(workshop: Workshop) -> Any:
    """The last trial: at, backup_at, why; None before the first."""
    with workshop.database.reading() as db:
        return db.execute(select(drills).order_by(drills.c.id.desc()).limit(1)).first()


def is_due(workshop: Workshop) -> bool:
    """Whether a month has passed since the last one."""
    before = last(workshop)
    return before is None or workshop.now() - before.at >= EVERY
