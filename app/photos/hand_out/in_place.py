"""A TIFF or a HEIC without position data: blanked in place, so that no byte moves. Pure.

Of a TIFF's directories the entries that say how the pixels are to be read, and the camera's own
notes, stay; every other one is taken out and its value overwritten with zeros (TIFF 6.0, parts 1
and 2). Of a HEIC's media data only what image items lie in stays; the item with the camera's own
notes is made anew, and everything else is zeros (ISO/IEC 14496-12: boxes, item location and item
information; 23008-12: the item "Exif").
"""

import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import TypeAlias

from app.photos.hand_out.camera_notes import OF_PICTURE, OF_SHOT, SIZES, kept

# Bytes that are new, or from where to where the file is copied.
Part: TypeAlias = bytes | tuple[int, int]
# From where to where a file is overwritten, and with what; zeros fill what is left.
Patch: TypeAlias = tuple[int, int, bytes]
_ZEROS = bytes(1 << 16)


class CannotTakeOut(Exception):
    """This file's metadata cannot be taken out without touching its pixels."""


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


# ---------------------------------------------------------------- TIFF

# Sizes, sampling, strips and tiles, colours, tables of old JPEGs, predictor, colour profile.
_OF_PIXELS = frozenset({
    254, 255, 256, 257, 258, 259, 262, 263, 266, 273, 277, 278, 279, 280, 281, 284, 290, 291, 292,
    293, 297, 301, 317, 318, 319, 320, 321, 322, 323, 324, 325, 332, 334, 336, 338, 339, 340, 341,
    342, 347, 512, 513, 514, 515, 517, 518, 519, 520, 521, 529, 530, 531, 532, 34675,
})  # fmt: skip
_CHILDREN, _NOTE_BLOCK, _POSITION = 330, 34665, 34853
_NOTHING: frozenset[int] = frozenset()
_DIRECTORIES_AT_MOST = 64


def tiff(data: memoryview) -> Iterator[Part]:
    """The file with its directories blanked. Raises CannotTakeOut, for 64-bit files too."""
    order = {b"II*\0": "<", b"MM\0*": ">"}.get(bytes(data[:4]))
    if order is None:
        raise CannotTakeOut
    patches: list[Patch] = []
    todo = [(int(struct.unpack_from(order + "I", data, 4)[0]), _OF_PIXELS | OF_PICTURE)]
    seen: set[int] = set()
    while todo:
        at, allowed = todo.pop()
        if at == 0 or at in seen:
            continue
        if len(seen) >= _DIRECTORIES_AT_MOST:
            raise CannotTakeOut
        seen.add(at)
        todo += _directory(data, at, order, allowed, patches)
    yield from patched(len(data), patches)


def _directory(
    data: memoryview, at: int, order: str, allowed: frozenset[int], patches: list[Patch]
) -> list[tuple[int, frozenset[int]]]:
    """Blank one directory; gives those that it leads to."""
    many = int(struct.unpack_from(order + "H", data, at)[0])
    end = at + 2 + 12 * many
    leads = [(int(struct.unpack_from(order + "I", data, end)[0]), allowed)]
    below = {_CHILDREN: allowed, _NOTE_BLOCK: OF_SHOT, _POSITION: _NOTHING}
    stay = b""
    for place in range(at + 2, end, 12):
        tag, kind, count = struct.unpack_from(order + "HHI", data, place)
        if kind not in SIZES:
            raise CannotTakeOut
        size = SIZES[kind] * count
        start = place + 8
        if size > 4:
            start = int(struct.unpack_from(order + "I", data, place + 8)[0])
        if tag in below and SIZES[kind] == 4:
            offsets = struct.unpack_from(f"{order}{count}I", data, start)
            leads += [(offset, below[tag]) for offset in offsets]
        if tag in allowed or (tag in below and tag != _POSITION):
            stay += bytes(data[place : place + 12])
        elif size > 4:
            patches.append((start, start + size, b""))
    new = struct.pack(order + "H", len(stay) // 12) + stay + bytes(data[end : end + 4])
    patches.append((at, end + 4, new))
    return leads


# ---------------------------------------------------------------- HEIC

_IMAGES = frozenset({
    b"hvc1", b"hev1", b"lhv1", b"av01", b"avc1", b"jpeg", b"j2k1", b"vvc1", b"unci", b"grid",
    b"iovl", b"iden", b"tmap",
})  # fmt: skip
_IN_META = frozenset({
    b"hdlr", b"pitm", b"iinf", b"iref", b"iprp", b"iloc", b"idat", b"grpl", b"dinf",
})  # fmt: skip
_NO_NOTES = b"II*\0" + struct.pack("<IHI", 8, 0, 0)
_ITEMS_AT_MOST = 4_096


@dataclass(frozen=True, slots=True)
class _Box:
    """From where to where a box reaches, and where its content begins."""

    kind: bytes
    start: int
    body: int
    end: int


@dataclass(slots=True)
class _Items:
    """By number of item its kind, and the stretches of the file in which it lies."""

    kinds: dict[int, bytes] = field(default_factory=dict)
    where: dict[int, list[tuple[int, int]]] = field(default_factory=dict)


def heic(data: memoryview) -> Iterator[Part]:
    """The file with everything blanked that is no image. Raises CannotTakeOut."""
    top = list(_boxes(data, 0, len(data)))
    metas = [box for box in top if box.kind == b"meta"]
    if len(metas) != 1 or top[0].kind != b"ftyp":
        raise CannotTakeOut
    inside = list(_boxes(data, metas[0].body + 4, metas[0].end))
    items = _items(data, inside)
    patches: list[Patch] = []
    stay = sorted(_stretches(data, items, patches))
    for box in top:
        if box.kind == b"mdat":
            patches += _blanked(box, stay, patches)
        elif box.kind not in (b"ftyp", b"meta"):
            patches.append(_freed(data, box))
    for box in inside:
        if box.kind == b"idat":
            patches += _blanked(box, stay, patches)
        elif box.kind not in _IN_META:
            patches.append(_freed(data, box))
    homes = [box for box in (*top, *inside) if box.kind in (b"mdat", b"idat")]
    if not all(any(h.body <= a and b <= h.end for h in homes) for a, b in stay):
        raise CannotTakeOut
    yield from patched(len(data), patches)


def _boxes(data: memoryview, at: int, end: int) -> Iterator[_Box]:
    while at + 8 <= end:
        size, kind = struct.unpack_from(">I4s", data, at)
        body = at + 8
        if size == 1:
            size, body = int(struct.unpack_from(">Q", data, body)[0]), body + 8
        after = end if size == 0 else at + size
        if after < body or after > end:
            raise CannotTakeOut
        yield _Box(kind, at, body, after)
        at = after


def _freed(data: memoryview, box: _Box) -> Patch:
    """A box that nobody reads, as long as it was."""
    return (box.start + 4, box.end, b"free" + bytes(data[box.start + 8 : box.body]))


def _blanked(box: _Box, stay: list[tuple[int, int]], others: list[Patch]) -> list[Patch]:
    """Zeros wherever no image and nothing else that was decided on lies in a box."""
    kept_here = sorted([*stay, *((a, b) for a, b, _ in others)])
    found: list[Patch] = []
    at = box.body
    for start, end in kept_here:
        if end <= box.body or start >= box.end:
            continue
        if start > at:
            found.append((at, start, b""))
        at = max(at, end)
    if at < box.end:
        found.append((at, box.end, b""))
    return found


def _stretches(data: memoryview, items: _Items, patches: list[Patch]) -> Iterator[tuple[int, int]]:
    """Where images lie; the camera's notes are put among the patches."""
    for number, places in items.where.items():
        kind = items.kinds.get(number, b"")
        if kind in _IMAGES:
            yield from places
        elif kind == b"Exif" and len(places) == 1:
            patches.append(_notes(data, *places[0]))


def _notes(data: memoryview, start: int, end: int) -> Patch:
    lead = int(struct.unpack_from(">I", data, start)[0])
    block = kept(bytes(data[start + 4 + lead : end])) or _NO_NOTES
    new = bytes(4) + block
    return (start, end, new if len(new) <= end - start else b"")


def _items(data: memoryview, inside: list[_Box]) -> _Items:
    by_kind = {box.kind: box for box in inside}
    if b"iinf" not in by_kind or b"iloc" not in by_kind:
        raise CannotTakeOut
    items = _Items()
    info = by_kind[b"iinf"]
    head = info.body + 4 + (2 if data[info.body] == 0 else 4)
    for box in _boxes(data, head, info.end):
        version = data[box.body]
        if box.kind != b"infe" or version not in (2, 3):
            raise CannotTakeOut
        wide = 2 if version == 2 else 4
        number = int.from_bytes(data[box.body + 4 : box.body + 4 + wide], "big")
        at = box.body + 4 + wide + 2
        items.kinds[number] = bytes(data[at : at + 4])
    idat = by_kind.get(b"idat")
    _locate(data, by_kind[b"iloc"], idat.body if idat is not None else None, items)
    return items


class _Reader:
    """Whole numbers of any width, one after another."""

    def __init__(self, data: memoryview, at: int, end: int) -> None:
        self._data, self._at, self._end = data, at, end

    def take(self, width: int) -> int:
        if self._at + width > self._end:
            raise CannotTakeOut
        self._at += width
        return int.from_bytes(self._data[self._at - width : self._at], "big")


def _locate(data: memoryview, box: _Box, idat: int | None, items: _Items) -> None:
    read = _Reader(data, box.body, box.end)
    version = read.take(4) >> 24
    sizes = read.take(2)
    offset, length, base, index = (sizes >> shift & 15 for shift in (12, 8, 4, 0))
    if version > 2 or not length:
        raise CannotTakeOut
    number_wide = 2 if version < 2 else 4
    many = read.take(number_wide)
    if many > _ITEMS_AT_MOST:
        raise CannotTakeOut
    for _ in range(many):
        number = read.take(number_wide)
        way = read.take(2) & 15 if version else 0
        elsewhere = read.take(2)
        begin = read.take(base)
        home = 0 if way == 0 else idat
        if elsewhere or way > 1 or home is None:
            raise CannotTakeOut
        places = items.where.setdefault(number, [])
        for _ in range(read.take(2)):
            read.take(index if version else 0)
            start = home + begin + read.take(offset)
            end = start + read.take(length)
            if end <= start or end > len(data) or len(places) >= _ITEMS_AT_MOST:
                raise CannotTakeOut
            places.append((start, end))
