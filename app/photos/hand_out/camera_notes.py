"""The camera's own notes (EXIF) of a picture, made anew from what a build needs. Pure.

What is kept stands in a list; everything else, known or not, stays behind: positions, names,
serial numbers, the maker's private notes, the small preview. Layout: TIFF 6.0, part 1; tags:
Exif 2.32 (CIPA DC-008).
"""

import struct
from collections.abc import Mapping
from dataclasses import dataclass

# Maker, model, orientation, resolution and its unit, software, date.
OF_PICTURE = frozenset({271, 272, 274, 282, 283, 296, 305, 306})
# Exposure, aperture, speed, dates, focal lengths and zoom, pixel sizes, lens.
OF_SHOT = frozenset({
    33434, 33437, 34850, 34855, 34864, 36864, 36867, 36868, 37377, 37378, 37379, 37380, 37381,
    37383, 37384, 37385, 37386, 37520, 37521, 37522, 40960, 40961, 40962, 40963, 41486, 41487,
    41488, 41495, 41985, 41986, 41987, 41988, 41989, 41990, 41991, 41992, 41993, 41994, 41996,
    42034, 42035, 42036,
})  # fmt: skip
_BLOCK = 0x8769
SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
_TEXT, _LONG = 2, 4
_VALUE_AT_MOST, _ENTRIES_AT_MOST = 128, 512


@dataclass(frozen=True, slots=True)
class _Value:
    kind: int
    count: int
    data: bytes


def kept(exif: bytes) -> bytes:
    """An EXIF block (without its "Exif" lead) that holds what may leave the house; b"" for none.

    What cannot be read of the old one is left out; nothing is raised for it.
    """
    order = {b"II*\0": "<", b"MM\0*": ">"}.get(exif[:4])
    if order is None or len(exif) < 8:
        return b""
    entries = _entries(exif, struct.unpack(order + "I", exif[4:8])[0], order)
    picture = {tag: value for tag, value in entries.items() if tag in OF_PICTURE}
    block = entries.get(_BLOCK)
    shot: dict[int, _Value] = {}
    if block is not None and block.kind == _LONG and len(block.data) == 4:
        at = struct.unpack(order + "I", block.data)[0]
        shot = {t: v for t, v in _entries(exif, at, order).items() if t in OF_SHOT}
    return _written(picture, shot, order) if picture or shot else b""


def _entries(exif: bytes, at: int, order: str) -> dict[int, _Value]:
    """The entries of one directory whose values lie inside the block and are short."""
    found: dict[int, _Value] = {}
    if at + 2 > len(exif):
        return found
    many = min(struct.unpack_from(order + "H", exif, at)[0], _ENTRIES_AT_MOST)
    for place in range(at + 2, at + 2 + 12 * many, 12):
        if place + 12 > len(exif):
            break
        tag, kind, count = struct.unpack_from(order + "HHI", exif, place)
        size = SIZES.get(kind, 0) * count
        start = place + 8 if size <= 4 else struct.unpack_from(order + "I", exif, place + 8)[0]
        if 0 < size <= _VALUE_AT_MOST and start + size <= len(exif):
            found.setdefault(tag, _Value(kind, count, exif[start : start + size]))
    return found


def _written(picture: Mapping[int, _Value], shot: Mapping[int, _Value], order: str) -> bytes:
    lead = (b"II*\0" if order == "<" else b"MM\0*") + struct.pack(order + "I", 8)
    first = dict(picture)
    if shot:
        # The second directory follows the first; the pointer does not change the first's size.
        first[_BLOCK] = _Value(_LONG, 1, bytes(4))
        at = 8 + len(_directory(first, 8, order))
        first[_BLOCK] = _Value(_LONG, 1, struct.pack(order + "I", at))
        return lead + _directory(first, 8, order) + _directory(shot, at, order)
    return lead + _directory(first, 8, order)


def _directory(values: Mapping[int, _Value], at: int, order: str) -> bytes:
    """A directory that lies at `at`, followed by the values that do not fit into its entries."""
    head = struct.pack(order + "H", len(values))
    beyond = b""
    after = at + 2 + 12 * len(values) + 4
    for tag in sorted(values):
        one = values[tag]
        data = _clean(one)
        head += struct.pack(order + "HHI", tag, one.kind, one.count)
        if len(data) <= 4:
            head += data.ljust(4, b"\0")
        else:
            head += struct.pack(order + "I", after + len(beyond))
            beyond += data + b"\0" * (len(data) % 2)
    return head + bytes(4) + beyond


def _clean(one: _Value) -> bytes:
    """Text ends where it says that it ends: nothing is hidden behind it."""
    if one.kind != _TEXT:
        return one.data
    return one.data.split(b"\0", 1)[0].ljust(len(one.data), b"\0")
