"""Files are brought in: each is wholly here with its row, or named and not here at all."""

import hashlib

from tests.photos.intake.shots import Desk, jpeg, other, zipped
from tests.whole_site import words

EVERY_KIND = [
    ("one.jpg", jpeg(1)),
    ("two.PNG", other("PNG")),
    ("three.webp", other("WEBP", 3)),
    ("four.tif", other("TIFF", 4)),
    ("five.heic", other("HEIF", 5)),
]


def test_every_kind_of_picture_is_kept_untouched_under_its_hash(photo_desk: Desk) -> None:
    answer = photo_desk.bring(EVERY_KIND)
    assert answer.json() == {"kept": 5, "known": 0, "not_read": []}
    folder = photo_desk.workshop.folder.pictures
    for _, content in EVERY_KIND:
        digest = hashlib.sha256(content).hexdigest()
        [path] = folder.glob(f"originals/{digest[:2]}/{digest}.*")
        assert path.read_bytes() == content
    assert photo_desk.files() == photo_desk.paths()
    assert photo_desk.half_files() == []


def test_the_same_file_twice_is_one_file(photo_desk: Desk) -> None:
    photo_desk.bring(EVERY_KIND[:2])
    again = photo_desk.bring([*EVERY_KIND[:3], ("another name.jpg", EVERY_KIND[0][1])])
    assert again.json() == {"kept": 1, "known": 3, "not_read": []}
    assert len(photo_desk.names()) == 3


def test_a_plain_form_goes_back_to_the_page_and_says_what_came(photo_desk: Desk) -> None:
    answer = photo_desk.bring([*EVERY_KIND[:2], ("notes.txt", b"hello")], accept="text/html")
    assert answer.status_code == 303
    page = photo_desk.browser.get(answer.headers["location"])
    said = words(page)
    assert "2 new, 1 could not be read" in said
    assert "Two photos safely here; 12 were announced, so 10 may still be missing." in said
    assert "notes.txt" in said


def test_a_form_with_no_file_chosen_says_so(photo_desk: Desk) -> None:
    answer = photo_desk.bring([("", b"")], accept="text/html")
    assert answer.status_code == 422
    assert "No file was chosen." in words(answer)


def test_a_zip_is_unpacked_whatever_its_members_are_called(photo_desk: Desk) -> None:
    members = {
        "set/a.jpg": jpeg(1),
        "../../out.jpg": jpeg(2),
        "C:\\dos\\b.jpg": jpeg(3),
        "__MACOSX/._a.jpg": b"x",
        "readme.txt": b"hello",
    }
    answer = photo_desk.bring([("all.zip", zipped(members))]).json()
    assert answer["kept"] == 3
    assert [one["name"] for one in answer["not_read"]] == ["readme.txt"]
    assert sorted(photo_desk.names()) == ["a.jpg", "b.jpg", "out.jpg"]


def test_camera_raw_and_films_are_named_and_a_jpeg_is_asked_for(photo_desk: Desk) -> None:
    answer = photo_desk.bring([("IMG_1.CR3", b"raw bytes"), ("walk.mov", b"film")]).json()
    said = {one["name"]: one["why"] for one in answer["not_read"]}
    assert "JPEG" in said["IMG_1.CR3"]
    assert "We need photos" in said["walk.mov"]
    assert photo_desk.files() == set()


def test_the_watched_folder_is_emptied_and_what_was_not_read_lies_beside(photo_desk: Desk) -> None:
    import os

    from app.photos.intake import inbox as intake_inbox

    workshop = photo_desk.workshop
    intake_inbox.prepare(workshop)
    folder = intake_inbox.folder_of(workshop, photo_desk.order.number)
    (folder / "a.jpg").write_bytes(jpeg(1))
    (folder / "deeper").mkdir()
    (folder / "deeper" / "b.jpg").write_bytes(jpeg(2))
    (folder / "c.txt").write_bytes(b"hello")
    os.symlink("/etc/passwd", folder / "link.jpg")
    wall = (folder / "a.jpg").stat().st_mtime
    assert not intake_inbox.look(workshop, wall + 1).counts, "it may still be being written"
    brought = intake_inbox.look(workshop, wall + 60)
    assert brought.counts["kept"] == 2
    assert sorted(photo_desk.names()) == ["a.jpg", "b.jpg"]
    assert sorted(p.name for p in folder.rglob("*") if p.is_file() and not p.is_symlink()) == [
        "c.txt"
    ]
    assert (folder / "not read" / "c.txt").is_file()


def test_a_file_for_an_order_with_no_delivery_makes_one(photo_desk: Desk) -> None:
    workshop = photo_desk.workshop
    before = photo_desk.delivery
    photo_desk.bring([("a.jpg", jpeg(1))])
    assert photo_desk.count().status_code == 303
    folder = workshop.folder.pictures / "inbox" / str(photo_desk.order.number)
    folder.mkdir(parents=True)
    (folder / "more.jpg").write_bytes(jpeg(9))
    from app.photos.intake import inbox as intake_inbox

    intake_inbox.look(workshop, (folder / "more.jpg").stat().st_mtime + 60)
    assert photo_desk.delivery > before
    assert photo_desk.names() == ["more.jpg"]


def test_two_who_bring_the_same_files_at_once_make_one_of_each(photo_desk: Desk) -> None:
    from concurrent.futures import ThreadPoolExecutor

    from tests.photos.intake.killed import MANY, bring_all

    with ThreadPoolExecutor(3) as hands:
        brought = list(
            hands.map(lambda _: bring_all(photo_desk.workshop, photo_desk.delivery), range(3))
        )
    assert len(photo_desk.names()) == MANY
    assert photo_desk.files() == photo_desk.paths()
    assert photo_desk.half_files() == []
    assert all(sum(one.counts.values()) == MANY for one in brought)
