"""The command `export`: everything as .csv, with the photos as they came, into a folder.

Exit 0 done, 64 where the folder is not empty or cannot be made.
"""

import os
import sys
import time
from pathlib import Path

from app.history.export import IntoFolder, hand_out
from app.leadtimes.progress import PATIENCE
from app.studio.workshop import Workshop

DONE, WRONG_USAGE = 0, 64


def main(workshop: Workshop, folder: Path, *, with_photos: bool) -> int:
    """Write it all, for no other user of the machine to read; gives the exit code."""
    os.umask(0o077)
    try:
        if folder.exists() and any(folder.iterdir()):
            print(f"{folder} is not empty. Nothing was written.", file=sys.stderr)
            return WRONG_USAGE
        place = IntoFolder(folder)
    except OSError as why:
        print(f"{folder} cannot be written: {why.strerror}.", file=sys.stderr)
        return WRONG_USAGE
    many, said = 0, time.monotonic()
    for name in hand_out(workshop, place, with_photos=with_photos):
        many += 1
        if time.monotonic() - said >= PATIENCE:
            said = time.monotonic()
            print(f"{name} …", file=sys.stderr, flush=True)
    print(f"{many} files in {folder}. columns.csv says what each column is.")
    return DONE
