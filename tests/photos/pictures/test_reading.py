"""Files of every bad kind: each is named with words, the rest goes on, nothing crashes."""

import io
import os
import struct
import sys
import zlib
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from PIL import Image

from app.photos.pictures import reading
from app.photos.pictures.reading import PROBLEMS, Found, Read, Readers, pictures_in

RNG = np.random.default_rng(7)


def photo(wide: int = 640, high: int = 480) -> Image.Image:
    grain = RNG.integers(0, 255, (high // 8, wide // 8, 3), np.uint8)
    return Image.fromarray(grain).resize((wide, high), Image.Resampling.BICUBIC)


def saved(kind: str, image: Image.Image | None = None, **options: object) -> bytes:
    buffer = io.BytesIO()
    (image or photo()).save(buffer, kind, **options)
    return buffer.getvalue()


def heic() -> bytes:
    buffer = io.BytesIO()
    pillow_heif.from_pillow(photo()).save(buffer, quality=60)
    return buffer.getvalue()


def png_header(wide: int, high: int) -> bytes:
    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    head = struct.pack(">IIBBBBB", wide, high, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(b"\0"))
        + chunk(b"IEND", b"")
    )


def frames(count: int) -> list[Image.Image]:
    return [photo(64, 64) for _ in range(count)]


def deep_grey() -> Image.Image:
    levels = np.linspace(0, 65535, 640 * 480).reshape(480, 640).astype(np.uint16)
    return Image.fromarray(levels)


def read_bytes(folder: Path, name: str, content: bytes) -> Read:
    path = folder / name
    path.write_bytes(content)
    with Readers(1) as readers:
        return readers.read(Found(name, path))


BAD = {
    "empty.jpg": (b"", "empty"),
    "letter.jpg": (b"Dear workshop, here are the pictures of our goat. " * 20, "not_a_picture"),
    "page.svg": (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "not_a_picture"),
    "cut.jpg": (saved("JPEG")[:6000], "damaged"),
    "cut.png": (saved("PNG")[:6000], "damaged"),
    "cut.webp": (saved("WEBP")[:2000], "damaged"),
    "cut.heic": (heic()[:1500], "damaged"),
    "stub.jpg": (b"\xff\xd8\xff\xe0", "damaged"),
    "huge.png": (png_header(30_000, 30_000), "too_many_pixels"),
    "large.png": (png_header(11_000, 11_000), "too_many_pixels"),
    "none.png": (png_header(0, 0), "damaged"),
    "speck.png": (saved("PNG", photo(16, 16)), "tiny"),
    "drawing.eps": (b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 99 99\n", "not_a_picture"),
    "film.gif": (saved("GIF"), "film"),
    "film.png": (saved("PNG", frames(1)[0], save_all=True, append_images=frames(20)), "film"),
    "film.webp": (saved("WEBP", frames(1)[0], save_all=True, append_images=frames(20)), "film"),
    "pages.tif": (saved("TIFF", frames(1)[0], save_all=True, append_images=frames(999)), "film"),
    "camera.cr2": (saved("TIFF"), "raw"),
    "camera.dng": (saved("TIFF"), "raw"),
    "camera.tif": (saved("TIFF", tiffinfo={50706: b"\1\4\0\0"}), "raw"),
    "camera.jpg": (b"\0\0\0\x18ftypcrx \0\0\0\1crx isom", "raw"),
}


@pytest.mark.parametrize("name", sorted(BAD))
def test_what_cannot_be_read_is_named_by_its_problem(tmp_path: Path, name: str) -> None:
    content, problem = BAD[name]
    assert read_bytes(tmp_path, name, content).problem == problem
    assert PROBLEMS[problem].endswith(".")


GOOD = {
    "plain.jpg": saved("JPEG"),
    "progressive.jpg": saved("JPEG", progressive=True),
    "grey.jpg": saved("JPEG", photo().convert("L")),
    "print.jpg": saved("JPEG", photo().convert("CMYK")),
    "wrong.png": saved("JPEG"),
    "no-suffix": saved("PNG"),
    "clear.png": saved("PNG", photo().convert("RGBA")),
    "palette.png": saved("PNG", photo().convert("P")),
    "deep.png": saved("PNG", deep_grey()),
    "deep.tif": saved("TIFF", deep_grey()),
    "float.tif": saved("TIFF", Image.fromarray(np.full((480, 640), 128.0, np.float32))),
    "web.webp": saved("WEBP"),
    "phone.heic": heic(),
    "two.mpo": saved("MPO", photo(), save_all=True, append_images=[photo()]),
    "script.jpg": saved("JPEG") + b"<script>alert(1)</script><?php system($_GET['c']); ?>",
}


@pytest.mark.parametrize("name", sorted(GOOD))
def test_what_can_be_read_is_read_by_its_bytes_whatever_its_name(tmp_path: Path, name: str) -> None:
    read = read_bytes(tmp_path, name, GOOD[name])
    assert read.problem == ""
    assert (read.facts["width"], read.facts["height"]) == (640, 480)
    assert read.thumbnail is not None
    assert b"script" not in read.contact


def test_sixteen_bit_grey_is_scaled_and_not_clipped_to_white(tmp_path: Path) -> None:
    assert read_bytes(tmp_path, "deep.png", GOOD["deep.png"]).facts["measures"][
        "luminance"
    ] == pytest.approx(127, abs=3)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_honoured(tmp_path: Path, orientation: int) -> None:
    upright = np.zeros((480, 640, 3), np.uint8)
    upright[:240, :320] = 250  # the top left is bright when seen as it was meant
    stored = Image.fromarray(upright)
    back = {2: 0, 3: 1, 4: 6, 5: 5, 6: 2, 7: 3, 8: 4}  # names below, by what undoes each
    undo = [
        Image.Transpose.FLIP_LEFT_RIGHT, Image.Transpose.ROTATE_180, Image.Transpose.ROTATE_90,
        Image.Transpose.TRANSVERSE, Image.Transpose.ROTATE_270, Image.Transpose.TRANSPOSE,
        Image.Transpose.FLIP_TOP_BOTTOM,
    ]  # fmt: skip
    if orientation > 1:
        stored = stored.transpose(undo[back[orientation]])
    exif = Image.Exif()
    exif[274] = orientation
    read = read_bytes(tmp_path, "turned.jpg", saved("JPEG", stored, exif=exif))
    assert read.thumbnail is not None
    assert read.thumbnail[8, 8] > 200
    assert read.thumbnail[8, 24] < 50
    assert read.thumbnail[24, 8] < 50


def test_a_heic_picture_comes_already_turned(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[274] = 6
    buffer = io.BytesIO()
    pillow_heif.from_pillow(photo()).save(buffer, quality=60, exif=exif.tobytes())
    read = read_bytes(tmp_path, "turned.heic", buffer.getvalue())
    assert read.features is not None
    assert read.features.size == tuple(read.facts[k] for k in ("width", "height"))


def test_lens_and_date_are_read_and_the_place_is_not(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[271] = "Invented"
    exif.get_ifd(0x8769).update({36867: "2025:05:04 10:11:12", 37386: 4.25, 41989: 26})
    exif.get_ifd(0x8825).update({1: "N", 2: (51.0, 2.0, 3.0), 3: "E", 4: (7.0, 8.0, 9.0)})
    read = read_bytes(tmp_path, "placed.jpg", saved("JPEG", photo(), exif=exif))
    assert read.facts["taken"] == "2025:05:04 10:11:12"
    assert (read.facts["focal"], read.facts["focal_35"]) == (4.25, 26)
    assert "gps" not in str(read.facts).lower()
    with Image.open(io.BytesIO(read.contact)) as small:
        assert not dict(small.getexif())


def test_the_folder_is_read_in_natural_order_with_safe_names(tmp_path: Path) -> None:
    for name in ("b10.jpg", "b2.jpg", ".hidden.jpg", "evil\u202egpj.exe", "line\nbreak.jpg"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "inner").mkdir()
    (tmp_path / "inner" / "a.jpg").write_bytes(b"x")
    (tmp_path / "__MACOSX").mkdir()
    (tmp_path / "__MACOSX" / "a.jpg").write_bytes(b"x")
    os.mkfifo(tmp_path / "pipe.jpg")
    os.symlink(tmp_path, tmp_path / "loop")
    names = [f.name for f in pictures_in(tmp_path)]
    assert names == [
        "b2.jpg", "b10.jpg", "evil<U+202E>gpj.exe", "inner/a.jpg", "line<U+000A>break.jpg",
    ]  # fmt: skip


def test_a_missing_folder_has_no_pictures(tmp_path: Path) -> None:
    assert pictures_in(tmp_path / "nowhere") == []


def test_a_file_that_vanished_is_named(tmp_path: Path) -> None:
    with Readers(1) as readers:
        assert readers.read(Found("gone.jpg", tmp_path / "gone.jpg")).problem == "not_opened"


def test_a_child_that_ends_is_begun_again(tmp_path: Path) -> None:
    path = tmp_path / "good.jpg"
    path.write_bytes(GOOD["plain.jpg"])
    with Readers(1) as readers:
        assert readers.read(Found("good.jpg", path)).problem == ""
        child = readers._all[0].child
        assert child is not None
        child.process.kill()
        child.process.wait()
        assert readers.read(Found("good.jpg", path)).problem == ""


def test_a_child_that_does_not_answer_is_ended(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reading, "SECONDS_FOR_ONE", 0.0)
    path = tmp_path / "good.jpg"
    path.write_bytes(GOOD["plain.jpg"])
    with Readers(1) as readers:
        assert readers.read(Found("good.jpg", path)).problem == "time"
        assert readers._all[0].child is None


def test_a_picture_that_takes_too_much_memory_is_named(tmp_path: Path) -> None:
    Image.new("RGBA", (9400, 9400)).save(tmp_path / "vast.png", compress_level=1)
    with Readers(1) as readers:
        assert readers.read(Found("vast.png", tmp_path / "vast.png")).problem in ("memory", "")
        assert readers._all[0].child is not None


def test_no_child_outlives_the_check(tmp_path: Path) -> None:
    path = tmp_path / "good.jpg"
    path.write_bytes(GOOD["plain.jpg"])
    with Readers(2) as readers:
        list(readers.each(readers.read, [Found("good.jpg", path)] * 4))
        pids = [c.child.process.pid for c in readers._all if c.child is not None]
    assert pids
    assert not any(Path(f"/proc/{pid}").exists() for pid in pids)


def test_this_side_loads_no_picture_library() -> None:
    code = "import sys, app.photos.pictures.reading, app.photos.check.rules, app.photos.check.run, app.photos.check.wording;"
    code += "print([m for m in ('cv2', 'PIL', 'networkx') if m in sys.modules])"
    import subprocess

    answer = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert answer.stdout.strip() == "[]"
