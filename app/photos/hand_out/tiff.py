"""A TIFF without position data: its directories are blanked in place, so that no byte moves.

Entries that say how the pixels are to be read, and the camera's own notes, stay; every other one
is taken out of its directory and its value overwritten with zeros. Layout: TIFF 6.0, parts 1 and 2.
Pure.
"""

import struct
from collections.abc import Iterator

from app.photos.hand_out.camera_notes import OF_PICTURE, OF_SHOT, SIZES
from app.photos.hand_out.parts import CannotTakeOut, Part, Patch, patched

# Sizes, sampling, strips and tiles, colours, tables of old JPEGs, predictor, colour profile.
_OF_PIXELS = frozenset({
    254, 255, 256, 257, 258, 259, 262, 263, 266, 273, 277, 278, 279, 280, 281, 284, 290, 291, 292,
    293, 297, 301, 317, 318, 319, 320, 321, 322, 323, 324, 325, 332, 334, 336, 338, 339, 340, 341,
    342, 347, 512, 513, 514, 515, 517, 518, 519, 520, 521, 529, 530, 531, 532, 34675,
})  # fmt: skip
_CHILDREN, _NOTES, _POSITION = 330, 34665, 34853
_NOTHING: frozenset[int] = frozenset()
_DIRECTORIES_AT_MOST = 64


def parts(data: memoryview) -> Iterator[Part]:
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
    below = {_CHILDREN: allowed, _NOTES: OF_SHOT, _POSITION: _NOTHING}
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
