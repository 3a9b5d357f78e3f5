"""A picture's file without position data, its pixels as they were: what is copied, what is new.

`parts` says of a file which bytes are copied and which are put in their place; nothing is decoded
and nothing encoded. Each format has a list of what is kept (pixels, colour, the camera's own notes
as `camera_notes` allows them), and everything else stays behind, a film or a second picture after
the first too. Pure: it reads bytes that it is given.
"""

import re
import struct
import zlib
from collections.abc import Iterator

from app.photos.hand_out import in_place
from app.photos.hand_out.camera_notes import kept
from app.photos.hand_out.in_place import CannotTakeOut, Part


def parts(data: memoryview, format_: str) -> list[Part]:
    """What a picture's file is without its position; `format_` as Pillow names it.

    Raises CannotTakeOut.
    """
    ways = {"TIFF": in_place.tiff, "HEIF": in_place.heic, "PNG": _png, "WEBP": _webp}
    ways |= {"JPEG": _jpeg, "MPO": _jpeg}
    if format_ not in ways:
        raise CannotTakeOut
    try:
        return _joined(ways[format_](data))
    except (struct.error, IndexError, ValueError, OverflowError) as why:
        raise CannotTakeOut from why


def _length(part: Part) -> int:
    return len(part) if isinstance(part, bytes) else part[1] - part[0]


def _joined(found: Iterator[Part]) -> list[Part]:
    """Copied stretches that touch become one; empty parts are left out."""
    whole: list[Part] = []
    for part in found:
        last = whole[-1] if whole else b""
        if isinstance(part, tuple) and isinstance(last, tuple) and last[1] == part[0]:
            whole[-1] = (last[0], part[1])
        elif _length(part):
            whole.append(part)
    return whole


# ---------------------------------------------------------------- JPEG (ITU-T T.81, annex B)

_MARKER = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]")
_EXIF = b"Exif\0\0"
_SOI, _EOI, _SOS, _TEM = 0xD8, 0xD9, 0xDA, 0x01
_COMMENT, _FIRST_APP, _LAST_APP = 0xFE, 0xE0, 0xEF
# The application segments that say how the pixels are to be read.
_OF_PIXELS = {0xE0: b"JFIF\0", 0xE2: b"ICC_PROFILE\0", 0xEE: b"Adobe"}


def _jpeg(data: memoryview) -> Iterator[Part]:
    if bytes(data[:2]) != b"\xff\xd8":
        raise CannotTakeOut
    yield (0, 2)
    at, noted = 2, False
    while True:
        found = _MARKER.search(data, at)
        if found is None:
            raise CannotTakeOut
        # Between two markers lie the pixels of a scan, and fill bytes.
        yield (at, found.start())
        kind, start = data[found.start() + 1], found.start()
        if kind == _EOI:
            yield (start, start + 2)
            return
        if kind in (_SOI, _TEM):
            raise CannotTakeOut
        end = start + 2 + int(struct.unpack_from(">H", data, start + 2)[0])
        if end < start + 4 or end > len(data):
            raise CannotTakeOut
        if kind == 0xE1 and bytes(data[start + 4 : start + 10]) == _EXIF and not noted:
            noted = True
            yield _exif_segment(kept(bytes(data[start + 10 : end])))
        elif _stays(kind, bytes(data[start + 4 : min(end, start + 20)])):
            yield (start, end)
        at = end


def _stays(kind: int, body: bytes) -> bool:
    if kind == _COMMENT:
        return False
    if _FIRST_APP <= kind <= _LAST_APP:
        lead = _OF_PIXELS.get(kind)
        return lead is not None and body.startswith(lead)
    return True


def _exif_segment(block: bytes) -> bytes:
    if not block:
        return b""
    return b"\xff\xe1" + struct.pack(">H", 2 + len(_EXIF) + len(block)) + _EXIF + block


# ---------------------------------------------------------------- PNG (third edition)

_CHUNKS = frozenset({
    b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"gAMA", b"cHRM", b"sRGB", b"iCCP", b"sBIT",
    b"bKGD", b"pHYs", b"cICP", b"mDCV", b"cLLI",
})  # fmt: skip


def _png(data: memoryview) -> Iterator[Part]:
    if bytes(data[:8]) != b"\x89PNG\r\n\x1a\n":
        raise CannotTakeOut
    yield (0, 8)
    at = 8
    while True:
        size, kind = struct.unpack_from(">I4s", data, at)
        end = at + 12 + size
        if end > len(data):
            raise CannotTakeOut
        if kind == b"eXIf":
            yield _png_notes(kept(bytes(data[at + 8 : end - 4])))
        elif kind in _CHUNKS:
            yield (at, end)
        if kind == b"IEND":
            return
        at = end


def _png_notes(block: bytes) -> bytes:
    if not block:
        return b""
    body = b"eXIf" + block
    return struct.pack(">I", len(block)) + body + struct.pack(">I", zlib.crc32(body))


# ---------------------------------------------------------------- WebP (RFC 9649)

_HAS_EXIF, _HAS_XMP = 0x08, 0x04


def _webp(data: memoryview) -> Iterator[Part]:
    if bytes(data[:4]) != b"RIFF" or bytes(data[8:12]) != b"WEBP":
        raise CannotTakeOut
    found: list[Part] = []
    whole = min(len(data), 8 + int(struct.unpack_from("<I", data, 4)[0]))
    at, flags_at, notes = 12, -1, b""
    while at + 8 <= whole:
        kind, size = struct.unpack_from("<4sI", data, at)
        end = at + 8 + size + size % 2
        if end > len(data):
            raise CannotTakeOut
        if kind == b"VP8X":
            flags_at = len(found)
            found.append(bytes(data[at:end]))
        elif kind in (b"VP8 ", b"VP8L", b"ALPH", b"ANIM", b"ANMF", b"ICCP"):
            found.append((at, end))
        elif kind == b"EXIF":
            body = bytes(data[at + 8 : at + 8 + size])
            notes = kept(body.removeprefix(_EXIF))
        at = end
    if notes:
        found.append(struct.pack("<4sI", b"EXIF", len(notes)) + notes + b"\0" * (len(notes) % 2))
    if flags_at >= 0:
        found[flags_at] = _flags(found[flags_at], bool(notes))
    yield b"RIFF" + struct.pack("<I", 4 + sum(map(_length, found))) + b"WEBP"
    yield from found


def _flags(chunk: Part, noted: bool) -> bytes:
    assert isinstance(chunk, bytes)
    flags = chunk[8] & ~(_HAS_EXIF | _HAS_XMP) | (_HAS_EXIF if noted else 0)
    return chunk[:8] + bytes([flags]) + chunk[9:]
