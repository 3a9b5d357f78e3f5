"""Pictures are shown to who is signed in, made anew: no position, turned upright, never inline."""

import io
import re

import pytest
from PIL import Image

from tests.making import CAST
from tests.photos.intake.shots import Desk, jpeg, other


def shown(at: Desk, size: str = "thumb", place: int = 0) -> Image.Image:
    answer = at.browser.get(f"/photos/picture/{at.ids()[place]}/{size}")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "image/jpeg"
    assert answer.headers["x-content-type-options"] == "nosniff"
    return Image.open(io.BytesIO(answer.content))


@pytest.mark.parametrize("size", ["thumb", "full"])
def test_what_is_shown_has_no_metadata_and_stands_upright(photo_desk: Desk, size: str) -> None:
    sent = jpeg(1, "2026:03:03 10:00:00", turn=6)
    assert Image.open(io.BytesIO(sent)).getexif().get_ifd(0x8825), "the sent file has a position"
    photo_desk.bring([("a.jpg", sent + b"<script>alert(1)</script>")])
    picture = shown(photo_desk, size)
    assert picture.size == (64, 96)
    assert not picture.getexif()
    assert set(picture.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    answer = photo_desk.browser.get(f"/photos/picture/{photo_desk.ids()[0]}/{size}")
    assert b"script" not in answer.content


def test_every_kind_is_shown_as_a_jpeg(photo_desk: Desk) -> None:
    kinds = ("PNG", "WEBP", "TIFF", "HEIF")
    photo_desk.bring([(f"{kind}.x", other(kind, k)) for k, kind in enumerate(kinds)])
    assert [shown(photo_desk, place=k).size for k in range(4)] == [(96, 64)] * 4


def test_sixteen_bits_and_four_inks_are_shown_as_they_look(photo_desk: Desk) -> None:
    import numpy as np

    deep = io.BytesIO()
    Image.fromarray(np.full((64, 96), 32_768, np.uint16)).save(deep, "PNG")
    inks = io.BytesIO()
    Image.new("CMYK", (96, 64), (0, 0, 0, 128)).save(inks, "JPEG")
    photo_desk.bring([("a.png", deep.getvalue()), ("b.jpg", inks.getvalue())])
    for place in (0, 1):
        red, green, blue = shown(photo_desk, place=place).convert("RGB").getpixel((10, 10))
        assert all(118 < tone < 138 for tone in (red, green, blue))


def test_a_thumbnail_that_was_lost_is_made_again(photo_desk: Desk) -> None:
    photo_desk.bring([("a.jpg", jpeg(1))])
    for path in photo_desk.workshop.folder.pictures.glob("shown/*"):
        path.unlink()
    assert shown(photo_desk).size == (96, 64)


def test_nobody_sees_a_picture_who_is_not_signed_in(photo_desk: Desk) -> None:
    photo_desk.bring([("a.jpg", jpeg(1))])
    address = f"/photos/picture/{photo_desk.ids()[0]}/thumb"
    photo_desk.browser.as_(photo_desk.workshop, None)
    assert photo_desk.browser.get(address).status_code == 303
    photo_desk.browser.as_(photo_desk.workshop, CAST.painter)
    assert photo_desk.browser.get(address).status_code == 200


@pytest.mark.parametrize("address", ["/photos/picture/99/thumb", "/photos/picture/1/original"])
def test_what_is_no_picture_is_not_found(photo_desk: Desk, address: str) -> None:
    photo_desk.bring([("a.jpg", jpeg(1))])
    assert photo_desk.browser.get(address).status_code == 404


def test_the_original_is_never_sent(photo_desk: Desk) -> None:
    photo_desk.bring([("a.jpg", jpeg(1))])
    page = photo_desk.browser.get(f"/photos/deliveries/{photo_desk.delivery}").text
    assert set(re.findall(r'(?:src|href)="(/photos/picture/[^"]+)"', page)) == {
        f"/photos/picture/{photo_desk.ids()[0]}/{size}" for size in ("thumb", "full")
    }
    assert "originals/" not in page
