"""Where pictures lie, and how a file gets there whole or not at all.

    pictures/originals/ab/<sha256>.jpg   what the customer sent, untouched
    pictures/shown/<sha256>-<side>.jpg   what pages show, made from it, without metadata
    pictures/incoming/*.tmp              on the way in; swept at the start
    pictures/inbox/<order number>/       where the technician drops files
    pictures/aside/                      originals that no row knows, after a crash or a restore

A file is written under a passing name, put on disk, renamed, and only then is its row committed.
Pictures are opened in a child process; this module imports no picture library.
"""

import contextlib
import hashlib
import os
import secrets
import threading
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Self

from app.photos.pictures.reading import opened
from app.shared.child import Helper
from app.shared.places import sync

ORIGINALS, SHOWN, INCOMING, INBOX, ASIDE = "originals", "shown", "incoming", "inbox", "aside"
THUMB, FULL = 360, 1600
SIDES = {"thumb": THUMB, "full": FULL}
_SUFFIXES = {
    "JPEG": "jpg", "MPO": "jpg", "PNG": "png", "WEBP": "webp", "TIFF": "tif", "HEIF": "heic",
}  # fmt: skip

# Held from a file's rename to the commit of its row, and while unknown files are looked for.
keeping = threading.Lock()
# What this very process is taking in: no half files that somebody left behind.
_arriving: set[Path] = set()


@dataclass(frozen=True, slots=True)
class Small:
    """A picture opened: its facts and a JPEG without metadata, or a problem's code."""

    problem: str = ""
    format: str = ""
    width: int = 0
    height: int = 0
    taken: str = ""
    jpeg: bytes = b""


class Incoming:
    """A file on its way in: bytes are written and counted; gone at the end unless kept."""

    def __init__(self, pictures: Path) -> None:
        folder = pictures / INCOMING
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        self.path = folder / f"{secrets.token_hex(12)}.tmp"
        _arriving.add(self.path)
        handle = os.open(self.path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
        self._file: IO[bytes] = os.fdopen(handle, "wb", buffering=0)
        self._hash = hashlib.sha256()
        self.size = 0
        self.head = b""

    def write(self, part: bytes) -> None:
        """Add bytes. Raises OSError where the disk is full."""
        view = memoryview(part)
        while view:
            view = view[self._file.write(view) :]
        self._hash.update(part)
        self.size += len(part)
        if len(self.head) < 16:
            self.head = (self.head + part)[:16]

    def close(self) -> None:
        """Nothing more will be written; what is here goes to the disk."""
        if not self._file.closed:
            os.fsync(self._file.fileno())
            self._file.close()

    @property
    def sha256(self) -> str:
        return self._hash.hexdigest()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(OSError):
            self._file.close()
        self.path.unlink(missing_ok=True)
        _arriving.discard(self.path)


def place_of(sha256: str, format_: str) -> str:
    """An original's path under pictures/, from its hash and what it is."""
    return f"{ORIGINALS}/{sha256[:2]}/{sha256}.{_SUFFIXES.get(format_, 'bin')}"


def shown_place(sha256: str, side: int) -> str:
    """Where the JPEG that pages show lies."""
    return f"{SHOWN}/{sha256}-{side}.jpg"


def settle(pictures: Path, incoming: Incoming, place: str) -> None:
    """Give a whole file its lasting name; the name is on disk when this returns."""
    target = pictures / place
    target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    os.rename(incoming.path, target)
    for folder in (target.parent, target.parent.parent):
        sync(folder)


def keep_shown(pictures: Path, sha256: str, side: int, jpeg: bytes) -> None:
    """Keep a small picture. It can be made again, so it is not waited for."""
    with Incoming(pictures) as file:
        file.write(jpeg)
        target = pictures / shown_place(sha256, side)
        target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        os.rename(file.path, target)


def shown(pictures: Path, sha256: str, path: str, side: int) -> bytes | None:
    """The JPEG that a page shows, made now where it is missing; None where it cannot be."""
    with contextlib.suppress(OSError):
        return (pictures / shown_place(sha256, side)).read_bytes()
    made = OPENER.open(pictures / path, side)
    if made.problem:
        return None
    with contextlib.suppress(OSError):
        keep_shown(pictures, sha256, side, made.jpeg)
    return made.jpeg


def sweep(pictures: Path, known: Collection[str]) -> int:
    """At the start: half files go, originals that no row knows are put aside, never thrown away.

    Gives how many were put aside. Call it with `keeping` held.
    """
    for path in (pictures / INCOMING).glob("*.tmp"):
        if path not in _arriving:
            path.unlink(missing_ok=True)
    moved = 0
    for path in (pictures / ORIGINALS).glob("??/*"):
        if path.relative_to(pictures).as_posix() not in known:
            (pictures / ASIDE).mkdir(mode=0o700, exist_ok=True)
            os.replace(path, pictures / ASIDE / path.name)
            moved += 1
    return moved


class Opener:
    """One child that opens pictures, begun when first asked; it ends by itself when idle."""

    def __init__(self) -> None:
        self._turn = threading.Lock()
        self._helper = Helper("app.photos.pictures.decoder")

    def open(self, path: Path, side: int) -> Small:
        """Open a picture and shrink it to `side` px, in the child."""
        with self._turn:
            facts, jpeg = opened(self._helper, path, side)
        return Small(jpeg=jpeg, **facts)

    def end(self) -> None:
        """End the child; whoever asks next begins it anew."""
        self._helper.end()


OPENER = Opener()
