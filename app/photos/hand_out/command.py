"""`likewright photos hand-out CODE FOLDER`: a set's originals for the machine that builds."""

import sys
from contextlib import closing
from pathlib import Path

from app.photos.hand_out.originals import LEFT_OUT, into_folder, model_by_code, set_of
from app.shared.database import Database
from app.shared.errors import CannotStart
from app.shared.places import DataFolder
from app.shared.web.words import capital, count

WHOLE, SOME_LEFT_OUT = 0, 1


def main(folder: DataFolder, code: str, to: Path) -> int:
    """Write the set and say so; gives the exit code. Raises NotFound, Refused, CannotStart."""
    if not folder.database_file.exists():
        raise folder.missing()
    with closing(Database(folder.database_file)) as database, database.reading() as db:
        code, originals = set_of(db, model_by_code(db, code), folder.pictures)
    try:
        handed = into_folder(originals, to)
    except OSError as why:
        raise CannotStart(f"Cannot write to {to}: {why.strerror}.") from why
    pictures = capital(count(len(handed.names), "photo"))
    print(f"{pictures} of {code} written to {to}, without the place where they were taken.")
    sys.stdout.flush()
    if not handed.left_out:
        return WHOLE
    left = capital(count(len(handed.left_out), "photo"))
    print(f"{left} left out, listed in {LEFT_OUT}.", file=sys.stderr, flush=True)
    return SOME_LEFT_OUT
