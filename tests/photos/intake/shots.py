"""Small picture files of every kind, whole and broken, and a desk that brings them in."""

import io
import struct
import zipfile
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import httpx
import numpy as np
from PIL import Image

from tests.making import MadeOrder, rows
from tests.staff.browser import ORIGIN, Browser, ClockedWorkshop

Named = Sequence[tuple[str, bytes]]


def pixels(seed: int, size: tuple[int, int] = (96, 64)) -> Image.Image:
    """A picture of coloured blocks, another one for each seed."""
    rng = np.random.default_rng(seed)
    blocks = rng.integers(0, 255, (size[1] // 8, size[0] // 8, 3), np.uint8)
    return Image.fromarray(blocks.repeat(8, 0).repeat(8, 1))


def jpeg(seed: int = 1, taken: str = "", turn: int = 1, size: tuple[int, int] = (96, 64)) -> bytes:
    """A JPEG with a position in it, and a date and an orientation where they are given."""
    exif = Image.Exif()
    exif[271] = "Example"
    exif[274] = turn
    exif[0x8825] = {1: "N", 2: (51.0, 30.0, 0.0), 3: "W", 4: (0.0, 7.0, 0.0)}
    if taken:
        exif[0x8769] = {36867: taken}
    buffer = io.BytesIO()
    pixels(seed, size).save(buffer, "JPEG", quality=90, exif=exif)
    return buffer.getvalue()


def other(kind: str, seed: int = 2, **more: Any) -> bytes:
    """The same as PNG, WEBP, TIFF or HEIF."""
    if kind == "HEIF":
        import pillow_heif

        pillow_heif.register_heif_opener()
    buffer = io.BytesIO()
    pixels(seed).save(buffer, kind, **more)
    return buffer.getvalue()


def frames(many: int) -> bytes:
    """A TIFF of many tiny pages."""
    buffer = io.BytesIO()
    pages = [Image.new("L", (40, 40), k % 256) for k in range(many)]
    pages[0].save(buffer, "TIFF", save_all=True, append_images=pages[1:])
    return buffer.getvalue()


def huge_header() -> bytes:
    """A PNG that says it is 30 000 by 30 000."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        check = struct.pack(">I", zlib.crc32(kind + body))
        return struct.pack(">I", len(body)) + kind + body + check

    head = struct.pack(">IIBBBBB", 30_000, 30_000, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0" * 99))


def zipped(members: Mapping[str, bytes], links: Sequence[str] = ()) -> bytes:
    """A zip of these members; those named in `links` are symbolic links to their content."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            info = zipfile.ZipInfo(name)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = (0o120777 if name in links else 0o100644) << 16
            archive.writestr(info, content)
    return buffer.getvalue()


@dataclass
class Desk:
    """Somebody at the photo desk, and the delivery of an order."""

    workshop: ClockedWorkshop
    browser: Browser
    order: MadeOrder

    @property
    def delivery(self) -> int:
        [(id_,)] = rows(
            self.workshop.database,
            "SELECT max(id) FROM photo_deliveries WHERE order_id = ?",
            self.order.id,
        )
        return int(str(id_))

    def bring(self, files: Named, **headers: str) -> httpx.Response:
        """Send files as the page's form does; by default as the script asks."""
        parts = [("files", (name, content)) for name, content in files]
        headers = {"origin": ORIGIN, "accept": "application/json"} | headers
        return self.browser.send(
            "POST", f"/photos/bring/{self.delivery}", files=parts, headers=headers
        )

    def give(self, **fields: str | Sequence[str]) -> httpx.Response:
        return self.browser.post(f"/photos/deliveries/{self.delivery}/sorting", fields)

    def count(self, **fields: str) -> httpx.Response:
        return self.browser.post(
            f"/photos/deliveries/{self.delivery}/count", {"once": "counting", **fields}
        )

    def names(self) -> list[str]:
        found = rows(
            self.workshop.database,
            "SELECT name FROM pictures WHERE delivery_id = ? ORDER BY id",
            self.delivery,
        )
        return [str(name) for (name,) in found]

    def ids(self) -> list[str]:
        """The delivery's pictures in the order of the page."""
        query = "SELECT id FROM pictures WHERE delivery_id = ? ORDER BY taken = '', taken, name, id"
        return [str(id_) for (id_,) in rows(self.workshop.database, query, self.delivery)]

    def files(self) -> set[str]:
        """The originals on the disk."""
        folder = self.workshop.folder.pictures
        return {p.relative_to(folder).as_posix() for p in folder.glob("originals/*/*")}

    def paths(self) -> set[str]:
        """The originals that have a row."""
        return {str(p) for (p,) in rows(self.workshop.database, "SELECT path FROM pictures")}

    def half_files(self) -> list[str]:
        return [p.name for p in self.workshop.folder.pictures.glob("incoming/*")]
