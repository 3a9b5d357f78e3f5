"""A set handed to the machine that builds: the originals without position, as a zip or a folder.

The pixels and the camera's notes are the customer's own; names are ours: 1042-A-001.jpg, in the
order of taking. A file that cannot be freed of its position stays in the house and is named in
"left out.txt" beside the others. Memory stays at a chunk of one file.
"""

import mmap
import os
import secrets
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, cast

from sqlalchemy import Connection, select

from app.flow import store as flow
from app.flow.steps import Of, piece_code
from app.flow.store import Ref
from app.photos import store
from app.photos.hand_out.in_place import CannotTakeOut, Part
from app.photos.hand_out.without_position import parts
from app.shared.errors import NotFound, Refused
from app.shared.text import whole_number
from app.tables import models, orders

LEFT_OUT = "left out.txt"
_CHUNK = 1 << 18
_LEAD = (
    "These photos are left out: they must not be passed on as they are, or their files are\n"
    "missing. The customer's own file names are in brackets.\n\n"
)
_STAYS_HERE = (
    "the place where it was taken cannot be removed without changing the photo. The original is {}."
)


@dataclass(frozen=True, slots=True)
class Original:
    """A picture to be handed out: our name for it, the customer's, its format, where it lies."""

    name: str
    theirs: str
    format: str
    path: Path


@dataclass(slots=True)
class Handed:
    """What came of it: the names handed out, and those left out with the reason."""

    names: list[str] = field(default_factory=list)
    left_out: list[tuple[Original, str]] = field(default_factory=list)

    def said(self) -> str:
        """The text of "left out.txt"."""
        return _LEAD + "".join(f"{o.name} ({o.theirs}): {why}\n" for o, why in self.left_out)


def model_by_code(db: Connection, code: str) -> int:
    """The model that a code such as 1042-A names. Raises NotFound."""
    typed, _, letter = code.strip().upper().partition("-")
    query = (
        select(models.c.id)
        .join(orders, orders.c.id == models.c.order_id)
        .where(orders.c.number == (whole_number(typed) or 0), models.c.letter == letter)
        .order_by(models.c.number.desc())
    )
    found = db.execute(query).scalar()
    if found is None:
        raise NotFound(f"There is no model {code}. A code is an order number and a letter: 1042-A.")
    return int(found)


def set_of(db: Connection, model_id: int, pictures: Path) -> tuple[str, list[Original]]:
    """A model's code and its originals, in the order of taking; `pictures` is that folder.

    Raises NotFound for no such model and Refused where it has no pictures here.
    """
    piece = flow.load(db, Ref(Of.MODEL, model_id))
    query = select(orders.c.number).where(orders.c.id == piece.order_id)
    code = piece_code(db.execute(query).scalar_one(), piece.letter)
    rows = store.of_model(db, model_id)
    if not rows:
        raise Refused("There are no photos of this animal here.")
    return code, [
        Original(
            f"{code}-{place:03d}{Path(row['path']).suffix}", row["name"], row["format"],
            pictures / row["path"],
        )
        for place, row in enumerate(rows, 1)
    ]  # fmt: skip


def zip_of(originals: list[Original]) -> Iterator[bytes]:
    """A zip, stored and not compressed, as it grows: no file on the disk, no whole in memory.

    A disk that fails in the middle of a file ends it without its directory: no reader takes that
    for a whole one.
    """
    handed, sink = Handed(), _Sink()
    with zipfile.ZipFile(cast("IO[bytes]", sink), "w", zipfile.ZIP_STORED) as archive:
        for original in originals:
            with _freed(original, handed) as chunks:
                if chunks is None:
                    continue
                with archive.open(_entry(original.name), "w", force_zip64=False) as file:
                    for chunk in chunks:
                        file.write(chunk)
                        yield sink.taken()
            yield sink.taken()
        if handed.left_out:
            archive.writestr(_entry(LEFT_OUT), handed.said())
    yield sink.taken()


def into_folder(originals: list[Original], folder: Path) -> Handed:
    """The same as files in a folder, each there whole or not at all.

    Raises Refused where a name is taken, before anything is written, and OSError of the disk.
    """
    folder.mkdir(parents=True, exist_ok=True)
    taken = [o.name for o in originals if (folder / o.name).exists()]
    if taken or (folder / LEFT_OUT).exists():
        name = taken[0] if taken else LEFT_OUT
        raise Refused(f"{folder} already holds {name}. Choose another folder.")
    handed = Handed()
    for original in originals:
        with _freed(original, handed) as chunks:
            if chunks is not None:
                _put(folder / original.name, chunks)
    if handed.left_out:
        _put(folder / LEFT_OUT, iter([handed.said().encode()]))
    return handed


def _put(path: Path, chunks: Iterator[bytes]) -> None:
    passing = path.with_name(f".{secrets.token_hex(8)}.part")
    try:
        with passing.open("xb") as file:
            for chunk in chunks:
                file.write(chunk)
            file.flush()
            os.fsync(file.fileno())
        os.rename(passing, path)
    finally:
        passing.unlink(missing_ok=True)


@contextmanager
def _freed(original: Original, handed: Handed) -> Iterator[Iterator[bytes] | None]:
    """A picture's bytes without its position; None, and noted, where they cannot be had."""
    try:
        with original.path.open("rb") as file:
            whole = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
    except (OSError, ValueError):
        handed.left_out.append((original, "the file is missing or empty."))
        yield None
        return
    with whole, memoryview(whole) as data:
        try:
            found = parts(data, original.format)
        except CannotTakeOut:
            handed.left_out.append((original, _STAYS_HERE.format(original.path)))
            yield None
            return
        handed.names.append(original.name)
        yield _chunks(data, found)


def _chunks(data: memoryview, found: list[Part]) -> Iterator[bytes]:
    for part in found:
        if isinstance(part, bytes):
            yield part
            continue
        for start in range(part[0], part[1], _CHUNK):
            yield bytes(data[start : min(start + _CHUNK, part[1])])


def _entry(name: str) -> zipfile.ZipInfo:
    """One date for all: when a picture was taken stands in the picture."""
    entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    entry.external_attr = 0o600 << 16
    return entry


class _Sink:
    """What a zip is written to: it is taken away as it grows, and cannot be gone back in."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []

    def write(self, part: bytes) -> int:
        self._parts.append(bytes(part))
        return len(part)

    def flush(self) -> None:
        """Nothing is held back."""

    def taken(self) -> bytes:
        """What has been written since the last time."""
        parts_, self._parts = b"".join(self._parts), []
        return parts_
