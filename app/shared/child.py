"""Child processes: work that is slow, that hostile bytes may bring down, or that needs limits.

A child is a module of this program, run by the same Python with nothing of the environment. It is
told its wish as a line of JSON on standard input and answers on standard output: with lines of
JSON until it ends (`Child.lines`), or, where it is asked again and again, with an answer in parts
for each wish (`Helper`, and `answer` on the child's side).
"""

import contextlib
import json
import os
import select
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO, Self

_ROOT = str(Path(__file__).resolve().parents[2])
_CHUNK = 1 << 20
_LOOK_EVERY = 0.5


def environment() -> dict[str, str]:
    """What a child gets to know: where the program lies, and to work on one thread."""
    one = {f"{name}_NUM_THREADS": "1" for name in ("OMP", "OPENBLAS", "MKL")}
    return {"PATH": os.defpath, "PYTHONPATH": _ROOT, **one}


class Stopped(Exception):
    """The house closes: what was being worked out is not waited for."""


class Child:
    """A child process with the words after its name. As a context manager it is ended for sure.

    `quiet` drops what it says on standard error: codecs complain of every odd picture.
    """

    def __init__(self, module: str, *words: str, quiet: bool = True) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-P", "-m", module, *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL if quiet else None,
            env=environment(),
            # Ctrl+C at the prompt is for who began it, who ends it.
            start_new_session=True,
        )
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self._wishes, self._answers = self.process.stdin, self.process.stdout

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.end()

    @property
    def gone(self) -> bool:
        """Whether it has ended."""
        return self.process.poll() is not None

    def tell(self, wish: object, *, last: bool = False) -> None:
        """Send a wish; after the `last` one the child reads the end. Raises OSError."""
        self._wishes.write(json.dumps(wish).encode() + b"\n")
        self._wishes.flush()
        if last:
            self._wishes.close()

    def lines(self, seconds: float, stop: threading.Event | None = None) -> Iterator[Any]:
        """What each line of its answer holds, until it ends.

        Raises Stopped once `stop` is set, TimeoutError after some seconds, and CalledProcessError
        where it ends in failure.
        """
        until, rest = time.monotonic() + seconds, b""
        while part := self._read(_CHUNK, until, stop):
            *whole, rest = (rest + part).split(b"\n")
            for line in whole:
                yield json.loads(line)
        if code := self.process.wait():
            raise subprocess.CalledProcessError(code, self.process.args)

    def parts(self, seconds: float, most: int) -> list[bytes]:
        """The parts of one answer, `most` bytes in all.

        Raises TimeoutError after some seconds, and EOFError where it ended or says too much.
        """
        until = time.monotonic() + seconds
        (many,) = struct.unpack("<B", self._whole(1, until))
        lengths = struct.unpack(f"<{many}Q", self._whole(8 * many, until))
        if sum(lengths) > most:
            raise EOFError
        return [self._whole(length, until) for length in lengths]

    def _whole(self, length: int, until: float) -> bytes:
        parts: list[bytes] = []
        while length:
            part = self._read(min(length, _CHUNK), until)
            if not part:
                raise EOFError
            parts.append(part)
            length -= len(part)
        return b"".join(parts)

    def _read(self, most: int, until: float, stop: threading.Event | None = None) -> bytes:
        """What comes next, nothing at the end."""
        while True:
            if stop is not None and stop.is_set():
                raise Stopped
            left = until - time.monotonic()
            if left <= 0:
                raise TimeoutError
            if select.select([self._answers], [], [], min(left, _LOOK_EVERY))[0]:
                return os.read(self._answers.fileno(), most)

    def kill(self) -> None:
        """Let it end at once, whoever waits for its answer."""
        self.process.kill()

    def end(self) -> None:
        """End it, and wait until it has."""
        for pipe in (self._wishes, self._answers):
            # A wish that it never took may still be in the pipe; it is of no use now.
            with contextlib.suppress(OSError):
                pipe.close()
        self.process.kill()
        self.process.wait()


class Helper:
    """A child that is asked again and again: begun when first asked, and anew once it is gone."""

    def __init__(self, module: str) -> None:
        self._module = module
        self.child: Child | None = None

    def ask(self, wish: object, seconds: float, most: int) -> list[bytes] | str:
        """The parts of the answer; "time" where it took too long, "crash" where the child died."""
        try:
            self._tell(wish)
            assert self.child is not None
            return self.child.parts(seconds, most)
        except TimeoutError:
            self.end()
            return "time"
        except (OSError, EOFError):
            self.end()
            return "crash"

    def _tell(self, wish: object) -> None:
        if self.child is not None:
            with contextlib.suppress(BrokenPipeError):
                if not self.child.gone:
                    return self.child.tell(wish)
            # It went home since the last wish, or this very moment.
            self.end()
        self.child = Child(self._module)
        return self.child.tell(wish)

    def kill(self) -> None:
        """Let an answer that is waited for end in "crash" at once."""
        if self.child is not None:
            self.child.kill()

    def end(self) -> None:
        """End the child and forget it."""
        child, self.child = self.child, None
        if child is not None:
            child.end()


def answer(answers: BinaryIO, *parts: bytes) -> None:
    """The child's side of `Child.parts`."""
    answers.write(struct.pack(f"<B{len(parts)}Q", len(parts), *map(len, parts)))
    answers.writelines(parts)
    answers.flush()
