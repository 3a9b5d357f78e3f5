"""The command `backup`: what was made, and what to keep elsewhere. Exit 0 made, 1 it differs."""

import sys
from pathlib import Path

from app.shared import clock
from app.shared.places import DataFolder
from app.shared.web.words import capital, count
from app.upkeep.backup import back_up, read_label
from app.upkeep.pictures_kept import keep_pictures

MADE, DIFFERS = 0, 1


def main(folder: DataFolder, to: Path, pictures: Path | None = None) -> int:
    """Make a backup, and with `pictures` keep those of it in that folder, and say so; gives the
    exit code. Raises CannotStart."""
    made = back_up(folder, to, clock.now())
    counts = made.audit.counts
    print(
        f"{made.path}: {made.size / 1e6:.1f} MB, "
        f"{counts.get('orders', 0):,} orders, {counts.get('transitions', 0):,} log entries, "
        f"{count(made.pictures, 'photo')} listed.",
        flush=True,
    )
    if pictures is not None:
        there, new = keep_pictures(folder.pictures, pictures, read_label(made.path).pictures)
        print(f"{capital(count(there, 'photo'))} in {pictures}, {new:,} of them new.", flush=True)
    beside = "" if pictures is not None else f", and {folder.pictures} with the backups"
    print(
        f"The key is not in it. Keep one copy of {folder.key_file} elsewhere{beside}.", flush=True
    )
    if made.audit.ok:
        print("Audited: everything agrees with the log.", flush=True)
        return MADE
    found = count(len(made.audit.differences), "difference")
    print(
        f"{capital(found)} from the log, in the data and in the backup. "
        "The log itself is complete. See: likewright audit",
        file=sys.stderr, flush=True,
    )  # fmt: skip
    return DIFFERS
