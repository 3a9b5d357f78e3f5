"""A set handed out: pixel for pixel, with the focal length, and without where it was taken."""

import contextlib
import io
import struct
import tracemalloc
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, PngImagePlugin

from app.photos.hand_out import command as handing_out_command
from app.photos.hand_out import originals as handing_out
from app.photos.hand_out.in_place import CannotTakeOut
from app.photos.hand_out.originals import LEFT_OUT, Original
from app.photos.hand_out.without_position import parts
from app.shared.errors import Refused
from tests.making import CAST
from tests.photos.intake.shots import Desk, jpeg, other, pixels
from tests.staff.browser import Browser
from tests.whole_site import words

DEGREES = (51_234_567, 1_000_001)
POSITION = struct.pack(">I", DEGREES[0]), struct.pack("<I", DEGREES[0])
PLACE = b"<exif:GPSLatitude>51,14.07N</exif:GPSLatitude>"
OWNER = "Imre Vant"
FOCAL, ORIENTATION, TAKEN = 37386, 274, "2026:03:03 10:00:00"


def exif() -> Image.Exif:
    """Notes as a telephone writes them: focal length, position, owner, private notes."""
    from PIL.TiffImagePlugin import IFDRational

    notes = Image.Exif()
    notes[271], notes[ORIENTATION], notes[315] = "Example", 6, OWNER
    where = IFDRational(*DEGREES)
    notes[0x8825] = {1: "N", 2: (where, 30.0, 0.0), 3: "W", 4: (0.0, 7.0, 0.0)}
    notes[0x8769] = {
        36867: TAKEN, FOCAL: IFDRational(4250, 1000), 41989: 26, 42032: OWNER, 42033: "SN-778899",
        37500: b"private " + PLACE,
    }  # fmt: skip
    return notes


def made(kind: str) -> bytes:
    """A file of this kind that says in each of its ways where it was taken."""
    buffer, more = io.BytesIO(), dict[str, Any](exif=exif())
    picture = pixels(3)
    if kind == "MPO":
        picture.save(buffer, "MPO", save_all=True, append_images=[pixels(4)], **more)
        return buffer.getvalue()
    if kind == "HEIF":
        import pillow_heif

        pillow_heif.register_heif_opener()
        more |= {"xmp": PLACE, "quality": -1}
    if kind == "PNG":
        text = PngImagePlugin.PngInfo()
        text.add_text("Comment", PLACE.decode())
        text.add_itxt("XML:com.adobe.xmp", PLACE.decode())
        more["pnginfo"] = text
    if kind in ("JPEG", "progressive"):
        more |= {"xmp": PLACE, "comment": PLACE, "progressive": kind == "progressive"}
    if kind == "WEBP":
        more |= {"xmp": PLACE, "lossless": True}
    if kind == "TIFF":
        notes = Image.Exif()
        notes.load(exif().tobytes())
        notes[700], notes[270] = PLACE, PLACE.decode()
        more["exif"] = notes
    picture.save(buffer, "JPEG" if kind == "progressive" else kind, **more)
    tail = PLACE if kind in ("JPEG", "progressive", "PNG", "WEBP") else b""
    return buffer.getvalue() + tail


KINDS = ("JPEG", "progressive", "MPO", "PNG", "WEBP", "TIFF", "HEIF")


def freed(data: bytes, kind: str) -> bytes:
    found = parts(memoryview(data), "JPEG" if kind == "progressive" else kind)
    return b"".join(p if isinstance(p, bytes) else data[p[0] : p[1]] for p in found)


@pytest.mark.parametrize("kind", KINDS)
def test_the_pixels_stay_and_the_position_goes(kind: str) -> None:
    before = made(kind)
    assert any(sign in before for sign in POSITION), "the file says where it was taken"
    after = freed(before, kind)
    for sign in (*POSITION, PLACE, b"GPSLatitude", OWNER.encode(), b"SN-778899"):
        assert sign not in after
    with Image.open(io.BytesIO(before)) as old, Image.open(io.BytesIO(after)) as new:
        assert np.array_equal(np.asarray(old.convert("RGB")), np.asarray(new.convert("RGB")))
        notes = new.getexif()
        assert not notes.get_ifd(0x8825)
        assert notes[271] == "Example"
        assert notes.get(ORIENTATION) == old.getexif().get(ORIENTATION)
        block = notes.get_ifd(0x8769)
        assert float(block[FOCAL]) == 4.25
        assert (block[41989], block[36867]) == (26, TAKEN)
        assert not {37500, 42032, 42033} & set(block)


def test_what_is_freed_once_stays_as_it_is_the_second_time() -> None:
    for kind in KINDS:
        once = freed(made(kind), kind)
        assert freed(once, kind) == once, kind


def test_a_film_behind_the_picture_stays_in_the_house() -> None:
    after = freed(jpeg(1) + b"\0\0\0\x18ftypmp42" + PLACE, "JPEG")
    assert after.endswith(b"\xff\xd9")
    assert b"ftyp" not in after


@settings(max_examples=300, deadline=None)
@given(
    st.sampled_from(KINDS), st.lists(st.tuples(st.floats(0, 0.999), st.integers(0, 255))),
    st.floats(0.05, 1),
)  # fmt: skip
def test_a_damaged_file_is_refused_or_freed_and_nothing_else(
    kind: str, hits: list[tuple[float, int]], whole: float
) -> None:
    data = bytearray(_MADE[kind])
    for where, value in hits:
        data[int(where * len(data))] = value
    cut = bytes(data[: max(1, int(whole * len(data)))])
    with contextlib.suppress(CannotTakeOut):
        assert len(freed(cut, kind)) <= 2 * len(cut) + 4_096


_MADE = {kind: made(kind) for kind in KINDS}


# ---------------------------------------------------------------- the page and the prompt


@pytest.fixture
def brought(photo_desk: Desk, painter: Browser) -> Browser:
    """A technician; three pictures are here, the middle one a HEIC."""
    photo_desk.bring([("a.jpg", made("JPEG")), ("b.heic", made("HEIF")), ("c.png", made("PNG"))])
    return painter


def address(at: Desk) -> str:
    return f"/photos/check/{at.order.model().id}/set"


def test_a_technician_gets_one_zip_under_our_own_names(photo_desk: Desk, brought: Browser) -> None:
    page = brought.get(f"/photos/check/{photo_desk.order.model().id}")
    assert address(photo_desk) in page.text
    assert "without the place where" in words(page)
    answer = brought.get(address(photo_desk))
    number = photo_desk.order.number
    assert answer.headers["content-disposition"] == f'attachment; filename="{number}-A.zip"'
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        assert archive.testzip() is None
        names = [f"{number}-A-00{k}" for k in (1, 2, 3)]
        assert archive.namelist() == [f"{names[0]}.jpg", f"{names[1]}.heic", f"{names[2]}.png"]
        assert {e.compress_type for e in archive.infolist()} == {zipfile.ZIP_STORED}
        for name in archive.namelist():
            assert not any(sign in archive.read(name) for sign in (*POSITION, PLACE))


def test_who_may_not_build_gets_no_originals(photo_desk: Desk, brought: Browser) -> None:
    assert photo_desk.browser.get(address(photo_desk)).status_code == 403
    page = photo_desk.browser.get(f"/photos/check/{photo_desk.order.model().id}")
    assert address(photo_desk) not in page.text
    brought.as_(photo_desk.workshop, CAST.owner)
    assert brought.get(address(photo_desk)).status_code == 200


def test_a_lost_or_locked_file_is_named_and_the_others_come(
    photo_desk: Desk, brought: Browser
) -> None:
    heic, lost = sorted(photo_desk.workshop.folder.pictures.glob("originals/*/*.[hp]*"), key=suffix)
    lost.unlink()
    heic.write_bytes(heic.read_bytes()[:60])
    with zipfile.ZipFile(io.BytesIO(brought.get(address(photo_desk)).content)) as archive:
        assert [n[-4:] for n in archive.namelist()] == [".jpg", ".txt"]
        said = archive.read(LEFT_OUT).decode()
    assert "(b.heic): the place where it was taken cannot be removed" in said
    assert "(c.png): the file is missing or empty." in said


def suffix(path: Path) -> str:
    return path.suffix


def test_a_model_without_pictures_is_refused_in_words(photo_desk: Desk, painter: Browser) -> None:
    answer = painter.get(address(photo_desk))
    assert answer.status_code == 409
    assert "There are no photos of this animal here." in words(answer)
    assert painter.get("/photos/check/999/set").status_code == 404


def test_the_prompt_writes_the_same_and_takes_no_file_s_place(
    photo_desk: Desk, brought: Browser, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, code = tmp_path / "set", f"{photo_desk.order.number}-a"
    assert handing_out_command.main(photo_desk.workshop.folder, code, folder) == 0
    assert "three photos of" in capsys.readouterr().out.lower()
    with zipfile.ZipFile(io.BytesIO(brought.get(address(photo_desk)).content)) as archive:
        inside = {name: archive.read(name) for name in archive.namelist()}
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == inside
    with pytest.raises(Refused, match=r"already holds"):
        handing_out_command.main(photo_desk.workshop.folder, code, folder)
    with pytest.raises(Refused, match="There is no model"):
        handing_out_command.main(photo_desk.workshop.folder, "x-9", tmp_path / "other")


def test_a_zip_of_two_hundred_megabytes_takes_few_of_memory(tmp_path: Path) -> None:
    big = tmp_path / "big.jpg"
    whole = jpeg(1, size=(512, 512))
    # Restart intervals of a scan hold any bytes but markers: a scan of forty megabytes.
    big.write_bytes(whole[:-2] + b"\x55" * (40 << 20) + b"\xff\xd9")
    originals = [Original(f"{k}.jpg", "x", "JPEG", big) for k in range(5)]
    tracemalloc.start()
    size = sum(len(part) for part in handing_out.zip_of(originals))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert size > 200 << 20
    assert peak < 4 << 20


def test_other_kinds_without_notes_go_as_they_are() -> None:
    for kind in ("PNG", "WEBP", "TIFF", "HEIF"):
        plain = other(kind)
        with Image.open(io.BytesIO(freed(plain, kind))) as new:
            assert new.size == (96, 64)


def test_the_builds_page_hands_out_what_waits(photo_desk: Desk, brought: Browser) -> None:
    assert address(photo_desk) not in brought.get("/builds").text
    photo_desk.count()
    assert address(photo_desk) in brought.get("/builds").text
    assert address(photo_desk) not in photo_desk.browser.get("/builds").text
