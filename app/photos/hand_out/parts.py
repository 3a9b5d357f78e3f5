"""What a file without its position is made of: stretches of the old one, and new bytes. Pure."""

from collections.abc import Iterable, Iterator
from typing import TypeAlias

# Bytes that are new, or from where to where the file is copied.
Part: TypeAlias = bytes | tuple[int, int]
# From where to where a file is overwritten, and with what; zeros fill what is left.
Patch: TypeAlias = tuple[int, int, bytes]
_ZEROS = bytes(1 << 16)


class CannotTakeOut(Exception):
    """This file's metadata cannot be taken out without touching its pixels."""


def length(found: Iterable[Part]) -> int:
    """How many bytes some parts are."""
    return sum(len(p) if isinstance(p, bytes) else p[1] - p[0] for p in found)


def joined(found: Iterable[Part]) -> Iterator[Part]:
    """Copied stretches that touch become one; empty parts are left out."""
    last: tuple[int, int] | None = None
    for part in found:
        if not length([part]):
            continue
        if isinstance(part, tuple):
            if last is not None and last[1] == part[0]:
                last = (last[0], part[1])
                continue
            if last is not None:
                yield last
            last = part
        else:
            if last is not None:
                yield last
            last = None
            yield part
    if last is not None:
        yield last


def patched(size: int, patches: Iterable[Patch]) -> Iterator[Part]:
    """A file of so many bytes with some overwritten. Raises CannotTakeOut where two overlap."""
    done = 0
    for at, end, new in sorted(patches):
        if at < done or end > size or len(new) > end - at:
            raise CannotTakeOut
        yield (done, at)
        yield new
        left = end - at - len(new)
        yield from [_ZEROS] * (left // len(_ZEROS))
        yield _ZEROS[: left % len(_ZEROS)]
        done = end
    yield (done, size)
