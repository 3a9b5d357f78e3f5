"""Opening the pictures of a set: which files there are, and children that decode them.

The decoding itself is in `decoder.py` and runs in another process, two at a time, with limits
on memory and time. This side imports neither Pillow nor OpenCV.
"""

import io
import json
import os
import queue
import re
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self, TypeVar

from app.shared.child import Helper

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Arrays = dict[str, NDArray[Any]]

T = TypeVar("T")
R = TypeVar("R")

CHILDREN = 2
SECONDS_FOR_ONE = 60.0
ANSWER_AT_MOST = 32 * 2**20
FILE_AT_MOST = 300 * 2**20
DEPTH_AT_MOST = 4

RAW_SUFFIXES = frozenset({
    ".3fr", ".arw", ".cr2", ".cr3", ".crw", ".dng", ".erf", ".iiq", ".kdc", ".mef", ".mos", ".mrw",
    ".nef", ".nrw", ".orf", ".pef", ".raf", ".raw", ".rw2", ".rwl", ".sr2", ".srf", ".srw", ".x3f",
})  # fmt: skip
FILM_SUFFIXES = frozenset({".mov", ".mp4", ".m4v", ".avi", ".mkv", ".webm", ".3gp", ".gif"})

PROBLEMS = {
    "empty": "The file is empty.",
    "not_a_picture": "This is not a photo we can read (JPEG, HEIC, PNG, WebP or TIFF).",
    "damaged": "The file is cut short or damaged.",
    "too_many_pixels": "The photo has more pixels than we can open (89 million).",
    "too_large": "The file is larger than we can open (300 MB).",
    "tiny": "The photo is only a few pixels wide.",
    "film": "This is a video or an animation. We need photos.",
    "raw": "This is a camera raw file, which we can’t read. We need a JPEG of it.",
    "memory": "Opening this photo takes too much memory.",
    "time": "Opening this photo took too long.",
    "crash": "Opening this photo crashed the program that reads photos.",
    "not_opened": "The file could not be opened.",
}


@dataclass(frozen=True)
class Found:
    """One file of a folder. `name` is fit to be shown: no control or direction characters."""

    name: str
    path: Path


@dataclass(frozen=True)
class Features:
    """Local features of one picture: `points` (n, 2) in pixels of a picture of `size` (w, h)."""

    points: "NDArray[np.float32]"
    described: "NDArray[np.uint8]"
    size: tuple[int, int]


@dataclass(frozen=True)
class Read:
    """What came back for one file: a problem, or the facts, a thumbnail and features."""

    found: Found
    problem: str = ""
    facts: dict[str, Any] = field(default_factory=dict)
    thumbnail: "NDArray[np.uint8] | None" = None
    contact: bytes = b""
    features: Features | None = None


def shown_name(name: str) -> str:
    """A file's name with what could mislead or break a page written out as U+… instead.

    Control characters, direction marks (Unicode categories Cc, Cf) and undecodable bytes.
    """
    return "".join(
        f"<U+{ord(c):04X}>" if unicodedata.category(c) in ("Cc", "Cf", "Cs") else c for c in name
    )


def natural(name: str) -> list[tuple[int, int, str]]:
    """Sort key that puts picture2 before picture10."""
    parts = re.split(r"(\d{1,18})", name.casefold())
    return [(1, int(p), "") if p.isdecimal() else (0, 0, p) for p in parts if p]


def pictures_in(folder: Path) -> list[Found]:
    """The plain files of a folder and of its folders, by name, hidden ones left out.

    A missing folder has none. Pipes, devices and links to folders are passed over.
    """
    found: list[Found] = []
    for here, folders, files in os.walk(folder):
        inner = Path(here).relative_to(folder)
        deep = len(inner.parts) >= DEPTH_AT_MOST
        folders[:] = [] if deep else [d for d in folders if not d.startswith((".", "__"))]
        for file in files:
            path = Path(here) / file
            if not file.startswith(".") and path.is_file():
                found.append(Found(shown_name(str(inner / file)), path))
    return sorted(found, key=lambda f: natural(f.name))


def problem_before_opening(name: str, size: int) -> str:
    """The code of a problem that shows without decoding, or nothing; `size` in bytes."""
    suffix = Path(name).suffix.lower()
    if size == 0:
        return "empty"
    if suffix in RAW_SUFFIXES:
        return "raw"
    if suffix in FILM_SUFFIXES:
        return "film"
    return "too_large" if size > FILE_AT_MOST else ""


def opened(child: Helper, path: Path, want: str | int) -> tuple[dict[str, Any], bytes]:
    """What a child answers of a picture, see `decoder`: its facts (or its "problem"), and bytes."""
    wish = {"path": os.path.abspath(path), "want": want}
    parts = child.ask(wish, SECONDS_FOR_ONE, ANSWER_AT_MOST)
    return ({"problem": parts}, b"") if isinstance(parts, str) else (json.loads(parts[0]), parts[1])


class Readers:
    """Two decoding children, kept for the length of a check. Use as a context manager."""

    def __init__(self, children: int = CHILDREN) -> None:
        self._all = [Helper("app.photos.pictures.decoder") for _ in range(children)]
        self._free: queue.SimpleQueue[Helper] = queue.SimpleQueue()
        for child in self._all:
            self._free.put(child)
        self._threads = ThreadPoolExecutor(children, "picture-reader")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._threads.shutdown(wait=False, cancel_futures=True)
        for child in self._all:
            child.kill()
        self._threads.shutdown()
        for child in self._all:
            child.end()

    def read(self, found: Found) -> Read:
        """Facts, measures and ORB features of one file."""
        try:
            problem = problem_before_opening(found.name, found.path.stat().st_size)
        except OSError:
            problem = "not_opened"
        if problem:
            return Read(found, problem)
        facts, arrays = self._ask(found, "measure")
        if "problem" in facts:
            return Read(found, str(facts["problem"]))
        return Read(
            found,
            facts=facts,
            thumbnail=arrays["thumbnail"],
            contact=arrays["contact"].tobytes(),
            features=_features(arrays),
        )

    def better_features(self, found: Found) -> Features | None:
        """SIFT features of one file; nothing where it cannot be read any more."""
        facts, arrays = self._ask(found, "sift")
        return None if "problem" in facts else _features(arrays)

    def each(self, work: Callable[[T], R], things: Sequence[T]) -> Iterator[tuple[int, R]]:
        """The work on each thing, two at a time, with its place, in the order they end."""
        places: dict[Future[R], int] = {}
        coming = iter(enumerate(things))
        while True:
            # A few ahead only: what is read and not yet taken is memory.
            for place, thing in coming:
                places[self._threads.submit(work, thing)] = place
                if len(places) >= 2 * len(self._all):
                    break
            if not places:
                return
            done, _ = wait(places, return_when=FIRST_COMPLETED)
            for future in done:
                yield places.pop(future), future.result()

    def _ask(self, found: Found, want: str) -> "tuple[dict[str, Any], Arrays]":
        # Only here: the server starts without it.
        import numpy as np

        child = self._free.get()
        try:
            facts, archive = opened(child, found.path, want)
        finally:
            self._free.put(child)
        if "problem" in facts:
            return facts, {}
        try:
            with np.load(io.BytesIO(archive), allow_pickle=False) as arrays:
                return facts, {name: arrays[name] for name in arrays.files}
        except ValueError:
            return {"problem": "crash"}, {}


def _features(arrays: "Arrays") -> Features:
    width, height = (int(v) for v in arrays["size"])
    return Features(arrays["points"], arrays["described"], (width, height))
