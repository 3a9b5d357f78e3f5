"""Pictures beside a backup: a folder in which each lies once, under the hash of its bytes.

What is there already is not copied again, so one folder serves every backup of a studio. Which
pictures belong to a backup, and under which names, stands in the backup's own label.
"""

import os
import shutil
from collections.abc import Iterable
from pathlib import Path

from app.shared.errors import CannotStart
from app.shared.places import hash_of, sync
from app.upkeep.backup import StoredPicture


def _place(kept: Path, sha256: str) -> Path:
    return kept / sha256[:2] / sha256


def keep_pictures(pictures: Path, kept: Path, named: Iterable[StoredPicture]) -> tuple[int, int]:
    """Copy what is not there yet from a studio's pictures/; gives how many are there, and how many
    of them are new. Raises CannotStart where the folder takes nothing, or a picture has changed.
    """
    hashes, new = set(), 0
    try:
        for picture in named:
            hashes.add(picture.sha256)
            to = _place(kept, picture.sha256)
            if not to.exists() or to.stat().st_size != picture.size:
                _copy(pictures / picture.path, to, picture.sha256)
                new += 1
    except OSError as why:
        raise CannotStart(f"The photos could not be kept in {kept}: {why.strerror}.") from why
    return len(hashes), new


def put_pictures_back(kept: Path, pictures: Path, named: Iterable[StoredPicture]) -> int:
    """Put in place what is missing or another one under pictures/ and lies in the folder; gives how
    many. What is not in the folder, or not what its name says, is left as it is."""
    back = 0
    for picture in named:
        to, source = pictures / picture.path, _place(kept, picture.sha256)
        if to.is_file() and to.stat().st_size == picture.size and hash_of(to) == picture.sha256:
            continue
        if source.is_file():
            try:
                _copy(source, to, picture.sha256)
            except CannotStart:
                continue
            back += 1
    return back


def _copy(source: Path, to: Path, sha256: str) -> None:
    """Whole and as it should be, or not at all."""
    to.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    half = to.with_name(f".{to.name}.part")
    try:
        shutil.copyfile(source, half)
        if hash_of(half) != sha256:
            raise CannotStart(f"{source} is not the photo that it was. Run: likewright audit")
        os.chmod(half, 0o600)
        sync(half)
        half.replace(to)
        sync(to.parent)
    finally:
        half.unlink(missing_ok=True)
