"""Opening the pictures of a set: which files there are, and children that decode them.

The decoding itself is in `decoder.py` and runs in another process, two at a time, with limits
on memory and time. This side imports neither Pillow nor OpenCV.
"""

import contextlib
import io
import json
import os
import queue
import re
import select
import struct
import subprocess
import sys
import time
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

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
    "not_a_picture": "This is not a picture we can read (JPEG, HEIC, PNG, WebP or TIFF).",
    "damaged": "The file is cut short or damaged.",
    "too_many_pixels": "The file claims more pixels than we open (89 million).",
    "too_large": "The file is larger than we open (300 MB).",
    "tiny": "The picture is only a few pixels wide.",
    "film": "This is a film or an animation; stills are needed.",
    "raw": "This is a camera raw file, which is not read here; a JPEG of it is needed.",
    "memory": "Opening the picture takes more memory than we give one picture.",
    "time": "Opening the picture took too long.",
    "crash": "Opening the picture ended the program that opens pictures.",
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


def problem_before_opening(found: Found) -> str:
    """A problem that shows without decoding, or nothing."""
    suffix = found.path.suffix.lower()
    if suffix in RAW_SUFFIXES:
        return "raw"
    if suffix in FILM_SUFFIXES:
        return "film"
    try:
        return "too_large" if found.path.stat().st_size > FILE_AT_MOST else ""
    except OSError:
        return "not_opened"


class _Child:
    """One decoding process, begun when first asked and begun again after it was ended."""

    def __init__(self) -> None:
        self.process: subprocess.Popen[bytes] | None = None

    def ask(self, path: Path, want: str) -> "dict[str, NDArray[Any]] | str":
        """The arrays of the answer, or the code of the problem."""
        process = self.process or self._begin()
        self.process = process
        request = json.dumps({"path": os.path.abspath(path), "want": want}) + "\n"
        try:
            assert process.stdin is not None
            process.stdin.write(request.encode())
            process.stdin.flush()
            until = time.monotonic() + SECONDS_FOR_ONE
            (length,) = struct.unpack("<Q", self._receive(8, until))
            if length > ANSWER_AT_MOST:
                raise EOFError
            return _arrays(self._receive(length, until))
        except TimeoutError:
            self.end()
            return "time"
        except (OSError, EOFError, ValueError):
            self.end()
            return "crash"

    def _begin(self) -> subprocess.Popen[bytes]:
        root = str(Path(__file__).resolve().parents[3])
        one = {f"{name}_NUM_THREADS": "1" for name in ("OMP", "OPENBLAS", "MKL")}
        return subprocess.Popen(
            [sys.executable, "-P", "-m", "app.photos.pictures.decoder"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={"PATH": os.defpath, "PYTHONPATH": root, **one},
        )

    def _receive(self, length: int, until: float) -> bytes:
        assert self.process is not None
        assert self.process.stdout is not None
        pipe = self.process.stdout.fileno()
        parts: list[bytes] = []
        while length:
            left = until - time.monotonic()
            if left <= 0 or not select.select([pipe], [], [], left)[0]:
                raise TimeoutError
            part = os.read(pipe, min(length, 1 << 20))
            if not part:
                raise EOFError
            parts.append(part)
            length -= len(part)
        return b"".join(parts)

    def end(self) -> None:
        """End the process and forget it."""
        if self.process is None:
            return
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                # A request it never took may still be in the pipe; it is of no use now.
                with contextlib.suppress(OSError):
                    pipe.close()
        self.process.kill()
        self.process.wait()
        self.process = None


def _arrays(archive: bytes) -> "dict[str, NDArray[Any]]":
    # Here and not above: the server reads what may come in, and only the check's child pictures.
    import numpy as np

    with np.load(io.BytesIO(archive), allow_pickle=False) as opened:
        return {name: opened[name] for name in opened.files}


class Readers:
    """Two decoding children, kept for the length of a check. Use as a context manager."""

    def __init__(self, children: int = CHILDREN) -> None:
        self._all = [_Child() for _ in range(children)]
        self._free: queue.SimpleQueue[_Child] = queue.SimpleQueue()
        for child in self._all:
            self._free.put(child)
        self._threads = ThreadPoolExecutor(children, "picture-reader")

    def __enter__(self) -> "Readers":
        return self

    def __exit__(self, *_: object) -> None:
        self._threads.shutdown(cancel_futures=True)
        for child in self._all:
            child.end()

    def read(self, found: Found) -> Read:
        """Facts, measures and ORB features of one file."""
        problem = problem_before_opening(found)
        arrays = problem or self._ask(found, "measure")
        if isinstance(arrays, str):
            return Read(found, arrays)
        facts = json.loads(arrays["meta"].tobytes())
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
        arrays = self._ask(found, "sift")
        return _features(arrays) if isinstance(arrays, dict) and "points" in arrays else None

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

    def _ask(self, found: Found, want: str) -> "dict[str, NDArray[Any]] | str":
        child = self._free.get()
        try:
            return child.ask(found.path, want)
        finally:
            self._free.put(child)


def _features(arrays: "dict[str, NDArray[Any]]") -> Features:
    width, height = (int(v) for v in arrays["size"])
    return Features(arrays["points"], arrays["described"], (width, height))
