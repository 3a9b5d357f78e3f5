"""Files that are not what they say: each is named with a reason, the others go on, none stays."""

import unicodedata
import zipfile

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.photos.intake import archive as intake_zip
from app.photos.intake.bring_in import LONGEST_NAME, fit_name
from tests.photos.intake.shots import Desk, frames, huge_header, jpeg, zipped
from tests.whole_site import words

GOOD = ("good.jpg", jpeg(50))
BAD = {
    "cut short": ("cut.jpg", jpeg(1)[:700], "cut short or damaged"),
    "empty": ("none.jpg", b"", "empty"),
    "text under another suffix": ("list.jpg", b"milk, hay, oats\n" * 40, "not a photo"),
    "a header that claims a wall": ("wall.png", huge_header(), "more pixels than we can open"),
    "another format": ("dot.png", b"GIF89a" + b"\0" * 90, "not a photo"),
    "a few pixels": ("dot.jpg", jpeg(1, size=(16, 16)), "only a few pixels"),
    "a thousand frames": ("many.tif", frames(1_000), "We need photos"),
    "a drawing": ("logo.svg", b"<svg xmlns='x'><script>1</script></svg>", "not a photo"),
    "PostScript": ("page.eps", b"%!PS-Adobe-3.0 EPSF-3.0\n", "not a photo"),
    "a video": ("walk.mp4", b"\0\0\0\x18ftypmp42", "We need photos"),
    "camera raw": ("IMG_2.NEF", b"II*\0", "We need a JPEG of it"),
    "a broken zip": ("set.zip", b"PK\x03\x04" + b"\0" * 300, "not a zip"),
}


@pytest.mark.parametrize("what", BAD)
def test_a_bad_file_is_named_and_the_rest_goes_on(photo_desk: Desk, what: str) -> None:
    name, content, why = BAD[what]
    answer = photo_desk.bring([(name, content), GOOD])
    assert answer.status_code == 200
    said = answer.json()
    assert said["kept"] == 1
    assert [one["name"] for one in said["not_read"]] == [name]
    assert why in said["not_read"][0]["why"]
    page = words(photo_desk.browser.get(f"/photos/deliveries/{photo_desk.delivery}"))
    assert name in page
    assert photo_desk.names() == ["good.jpg"]
    assert photo_desk.files() == photo_desk.paths()
    assert photo_desk.half_files() == []


def test_a_picture_under_a_wrong_suffix_is_known_by_its_bytes(photo_desk: Desk) -> None:
    assert photo_desk.bring([("a.png", jpeg(1))]).json()["kept"] == 1
    [path] = photo_desk.files()
    assert path.endswith(".jpg")


def test_a_bomb_in_a_zip_stops_there_and_the_others_come(photo_desk: Desk) -> None:
    bomb = zipped({"a.jpg": jpeg(1), "zeros.jpg": b"\0" * (40 << 20), "b.jpg": jpeg(2)})
    assert len(bomb) < 100_000
    said = photo_desk.bring([("set.zip", bomb)]).json()
    assert said["kept"] == 2
    assert "unpacks to far more" in said["not_read"][0]["why"]
    assert photo_desk.half_files() == []


def test_links_locked_members_and_zips_in_zips_are_named(photo_desk: Desk) -> None:
    content = zipped(
        {"passwd.jpg": b"/etc/passwd", "inner.zip": zipped({"a.jpg": jpeg(1)}), "c.jpg": jpeg(3)},
        links=["passwd.jpg"],
    )
    said = photo_desk.bring([("set.zip", content)]).json()
    assert said["kept"] == 1
    whys = {one["name"]: one["why"] for one in said["not_read"]}
    assert whys["passwd.jpg"] == "This is a link, not a file."
    assert "not a photo" in whys["inner.zip"]


def test_a_zip_of_too_many_files_is_refused_before_it_is_read(
    photo_desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(intake_zip, "MOST_MEMBERS", 20)
    many = zipped({f"{k}.jpg": b"x" for k in range(60)})
    monkeypatch.setattr(zipfile, "ZipFile", None)
    said = photo_desk.bring([("set.zip", many)]).json()
    assert "more than 5 000 files" in said["not_read"][0]["why"]


ODD = [
    "../../../etc/cron.d/x.jpg",
    "..\\..\\windows\\x.jpg",
    "a\x00b.jpg",
    "\u202egpj.exe",
    "line\nbreak.jpg",
    "CON",
    "n" * 300 + ".jpg",
    "<img src=x onerror=alert(1)>.jpg",
    '"><script>alert(1)</script>.jpg',
    "Ääääh\u0301\u0301.jpg",
    "C:\\pictures\\b.jpg",
]


def test_odd_names_are_shown_made_harmless_and_never_a_path(photo_desk: Desk) -> None:
    before = {p for p in photo_desk.workshop.folder.path.rglob("*") if "pictures" not in p.parts}
    content = zipped({f"{k}/{name}": jpeg(k) for k, name in enumerate(ODD) if "\x00" not in name})
    assert photo_desk.bring([("set.zip", content)]).json()["kept"] == len(ODD) - 1
    photo_desk.bring([(name, jpeg(100 + k)) for k, name in enumerate(ODD)])
    after = {p for p in photo_desk.workshop.folder.path.rglob("*") if "pictures" not in p.parts}
    assert after == before
    for name in photo_desk.names():
        assert "/" not in name
        assert len(name) <= LONGEST_NAME
        assert not any(unicodedata.category(sign) in ("Cc", "Cf", "Cs") for sign in name)
    page = photo_desk.browser.get(f"/photos/deliveries/{photo_desk.delivery}").text
    assert "<script>alert" not in page
    assert "<img src=x" not in page
    assert photo_desk.files() == photo_desk.paths()


@given(st.text(st.characters(), max_size=400))
def test_any_name_becomes_one_that_can_be_shown(name: str) -> None:
    shown = fit_name(name)
    assert shown
    assert len(shown) <= LONGEST_NAME
    assert "/" not in shown
    assert not any(unicodedata.category(sign) in ("Cc", "Cf", "Cs") for sign in shown)


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("text/plain", b"hello"),
        ("multipart/form-data", b"hello"),
        ("multipart/form-data; boundary=x", b"hello"),
        ("multipart/form-data; boundary=x", b""),
        ("multipart/form-data; boundary=x", b"--x\r\n" + b"A: " + b"b" * 20_000),
    ],
)
def test_a_body_that_is_no_upload_is_refused_in_words(
    photo_desk: Desk, kind: str, body: bytes
) -> None:
    answer = photo_desk.browser.send(
        "POST", f"/photos/bring/{photo_desk.delivery}", content=body,
        headers={"origin": "https://testserver", "content-type": kind},
    )  # fmt: skip
    assert answer.status_code == 422
    assert photo_desk.half_files() == []


def test_only_the_upload_takes_more_than_a_form(photo_desk: Desk) -> None:
    large = b"x" * 600_000
    for address, status in (("/photos/came", 413), (f"/photos/bring/{photo_desk.delivery}", 200)):
        answer = photo_desk.browser.send(
            "POST", address, files=[("files", ("a.txt", large))],
            headers={"origin": "https://testserver", "accept": "application/json"},
        )  # fmt: skip
        assert answer.status_code == status
