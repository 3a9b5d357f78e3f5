"""Unpacking a zip that may be hostile: no links, no paths, bounded in number, size and ratio.

A member's name is only ever shown, never used as a path. Sizes are counted while unpacking: what
the zip says of itself is not believed.
"""

import stat
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

from app.photos.pictures.reading import FILE_AT_MOST

MOST_MEMBERS = 5_000
DIRECTORY_AT_MOST = 4 * 2**20
UNPACKED_AT_MOST = 8 * 2**30
# All of it together, where members may share their bytes.
RATIO_OF_ALL, ROOM_OF_ALL = 20, 256 * 2**20
# Pictures hardly get smaller in a zip; a member of a megabyte from ten kilobytes is no picture.
RATIO_AT_MOST = 100
RATIO_FROM = 1 << 20
_CHUNK = 1 << 18
_END = b"PK\x05\x06"
_LOCKED = 0x1

Write = Callable[[bytes], None]
Unpack = Callable[[Write], str]


def is_zip(head: bytes) -> bool:
    """Whether a file begins as a zip does (APPNOTE 4.3.7, 4.3.16)."""
    return head.startswith((b"PK\x03\x04", _END))


def members(path: Path) -> Iterator[tuple[str, Unpack | str]]:
    """The files of a zip: a name, and how to unpack it or the code of what is wrong with it.

    Unpacking gives a problem's code, or nothing. Raises zipfile.BadZipFile, its argument a code,
    for a zip that cannot be taken as a whole.
    """
    _check_directory(path)
    try:
        archive = zipfile.ZipFile(path)
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as why:
        raise zipfile.BadZipFile("zip_broken") from why
    with archive:
        inner = [m for m in archive.infolist() if not m.is_dir() and not _left_out(m.filename)]
        if len(inner) > MOST_MEMBERS:
            raise zipfile.BadZipFile("zip_too_many")
        left = [min(UNPACKED_AT_MOST, RATIO_OF_ALL * path.stat().st_size + ROOM_OF_ALL)]
        for member in inner:
            if stat.S_ISLNK(member.external_attr >> 16):
                yield member.filename, "zip_link"
            elif member.flag_bits & _LOCKED:
                yield member.filename, "zip_locked"
            else:
                yield member.filename, _unpacker(archive, member, left)


def _check_directory(path: Path) -> None:
    """Look at the directory's own size before the library reads all of it into memory."""
    size = path.stat().st_size
    with path.open("rb") as file:
        file.seek(max(0, size - 65_557))
        tail = file.read()
    at = tail.rfind(_END)
    if at < 0 or len(tail) - at < 22:
        raise zipfile.BadZipFile("zip_broken")
    many, directory = struct.unpack("<HI", tail[at + 10 : at + 16])
    # The largest numbers stand for "see the 64-bit record": more than is ever taken.
    if many > 2 * MOST_MEMBERS or directory > DIRECTORY_AT_MOST:
        raise zipfile.BadZipFile("zip_too_many")


def _left_out(name: str) -> bool:
    """Hidden files and what some systems add beside each picture."""
    parts = name.replace("\\", "/").split("/")
    return parts[0] == "__MACOSX" or parts[-1].startswith(".") or parts[-1] == "Thumbs.db"


def _unpacker(archive: zipfile.ZipFile, member: zipfile.ZipInfo, left: list[int]) -> Unpack:
    def unpack(write: Write) -> str:
        most = max(RATIO_FROM, RATIO_AT_MOST * member.compress_size)
        taken = 0
        try:
            with archive.open(member) as file:
                while part := file.read(_CHUNK):
                    taken += len(part)
                    left[0] -= len(part)
                    if taken > most:
                        return "zip_bomb"
                    if taken > FILE_AT_MOST:
                        return "too_large"
                    if left[0] < 0:
                        raise zipfile.BadZipFile("zip_too_large")
                    write(part)
        except (zlib.error, EOFError, NotImplementedError, RuntimeError):
            return "damaged"
        except zipfile.BadZipFile as why:
            if str(why) == "zip_too_large":
                raise
            return "damaged"
        return ""

    return unpack
