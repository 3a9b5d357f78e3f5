"""The audit names what is lost or changed; the check runs by itself and its page says it."""

import sys
import threading

import pytest

from app.photos import store
from app.photos.check import worker as check_worker
from app.photos.pictures.audit import check_pictures
from tests.making import Wanted, rows
from tests.photos.intake.conftest import told
from tests.photos.intake.shots import Desk, jpeg
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import the_form, words


def test_a_lost_and_a_changed_picture_are_named(photo_desk: Desk) -> None:
    photo_desk.bring([(f"{k}.jpg", jpeg(k)) for k in range(4)])
    workshop, folder = photo_desk.workshop, photo_desk.workshop.folder.pictures
    assert check_pictures(workshop.database.reading, folder) == (4, [])
    paths = [
        folder / str(p) for (p,) in rows(workshop.database, "SELECT path FROM pictures ORDER BY id")
    ]
    paths[0].unlink()
    paths[1].write_bytes(paths[1].read_bytes()[:-1])
    changed = bytearray(paths[2].read_bytes())
    changed[-9] ^= 1
    paths[2].write_bytes(changed)
    many, found = check_pictures(workshop.database.reading, folder)
    assert many == 4
    assert [(d.id, d.field) for d in found] == [(1, "file"), (2, "size"), (3, "hash")]


def test_a_lost_picture_is_healed_by_bringing_it_in_again(photo_desk: Desk) -> None:
    photo_desk.bring([("a.jpg", jpeg(1))])
    [path] = photo_desk.files()
    (photo_desk.workshop.folder.pictures / path).unlink()
    assert photo_desk.bring([("a.jpg", jpeg(1))]).json() == {"kept": 0, "known": 1, "not_read": []}
    assert photo_desk.files() == {path}


def check_all(workshop: ClockedWorkshop) -> int:
    workshop.moment += 60
    many = 0
    while check_worker.check_next(workshop, threading.Event()):
        many += 1
    return many


def test_a_set_is_checked_when_its_pictures_have_come_and_once(photo_desk: Desk) -> None:
    workshop, model = photo_desk.workshop, photo_desk.order.model()
    page = f"/photos/check/{model.id}"
    photo_desk.bring([(f"{k}.jpg", jpeg(k, size=(480, 360))) for k in range(4)])
    assert not check_worker.check_next(workshop, threading.Event()), "more may be coming in"
    assert "are about to be checked" in words(photo_desk.browser.get(page))
    assert check_all(workshop) == 1
    assert check_all(workshop) == 0
    said = words(photo_desk.browser.get(page))
    assert "These photos are not usable." in said
    assert "Different photos: 4" in said
    assert "thresholds" in said
    assert photo_desk.browser.get(f"{page}/sheet").headers["content-type"] == "image/jpeg"
    [(count,)] = rows(workshop.database, "SELECT count(*) FROM photo_checks")
    assert count == 1


def test_more_pictures_are_checked_with_the_earlier_ones(photo_desk: Desk) -> None:
    workshop = photo_desk.workshop
    photo_desk.bring([("a.jpg", jpeg(1))])
    check_all(workshop)
    photo_desk.bring([("b.jpg", jpeg(2)), ("b.jpg", jpeg(3))])
    check_all(workshop)
    assert rows(workshop.database, "SELECT pictures FROM photo_checks ORDER BY id") == [(1,), (3,)]


def test_the_advice_of_a_living_animal_can_be_edited_before_it_is_asked(photo_desk: Desk) -> None:
    model = photo_desk.order.model()
    photo_desk.bring([(f"{k}.jpg", jpeg(k)) for k in range(3)])
    check_all(photo_desk.workshop)
    photo_desk.count()
    page = photo_desk.browser.get(f"/photos/check/{model.id}")
    form = the_form(page.text, f"/pieces/model/{model.id}#more_views")
    assert form.method == "get"
    assert "Please take 36 photos all the way round" in form.fields["views"]


def test_of_a_remembered_animal_no_more_views_are_asked(
    workshop: ClockedWorkshop, desk: Browser
) -> None:
    at = Desk(workshop, desk, told(workshop, [Wanted("Gus", life="remembered")]))
    at.bring([(f"print {k}.jpg", jpeg(k)) for k in range(6)])
    check_all(workshop)
    page = desk.get(f"/photos/check/{at.order.model().id}")
    assert "sculpt by eye" in words(page)
    assert "<textarea" not in page.text
    assert "Please" not in words(page)


def test_the_page_follows_and_is_quiet_while_nothing_changes(photo_desk: Desk) -> None:
    model, workshop = photo_desk.order.model(), photo_desk.workshop
    photo_desk.bring([("a.jpg", jpeg(1))])
    now = check_worker.UnderWay(model.id, 1)
    check_worker._under_way[workshop] = now
    now.hear("reading", 1, 4, "a.jpg: blurred")
    page = photo_desk.browser.get(f"/photos/check/{model.id}")
    assert "1 of 4" in words(page)
    assert "a.jpg: blurred" in words(page)
    address = page.text.split('hx-get="')[1].split('"')[0]
    assert photo_desk.browser.get(address).status_code == 204
    now.hear("reading", 2, 4, "")
    assert photo_desk.browser.get(address).status_code == 200


def test_a_picture_counts_as_clear_by_what_was_measured_and_not_by_its_name() -> None:
    now = check_worker.UnderWay(1, 2)
    now.hear("reading", 1, 2, "not sharp and lit.jpg: blurred, sharp and lit.")
    assert (now.clear, len(now.findings)) == (0, 1)
    now.hear("reading", 2, 2, "b.jpg: in any words at all.", clear=True)
    assert (now.clear, len(now.findings)) == (1, 1)


def test_a_check_that_falls_is_said_and_not_tried_for_ever(
    photo_desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "executable", "/bin/false")
    photo_desk.bring([("a.jpg", jpeg(1))])
    assert check_all(photo_desk.workshop) == 1
    said = words(photo_desk.browser.get(f"/photos/check/{photo_desk.order.model().id}"))
    assert "The check failed" in said


def test_a_check_that_is_stopped_leaves_nothing(photo_desk: Desk) -> None:
    workshop, stop = photo_desk.workshop, threading.Event()
    photo_desk.bring([("a.jpg", jpeg(1))])
    workshop.moment += 60
    stop.set()
    check_worker.check_next(workshop, stop)
    assert rows(workshop.database, "SELECT count(*) FROM photo_checks") == [(0,)]
    assert photo_desk.half_files() == []
    with workshop.database.reading() as db:
        assert len(store.to_check(db)) == 1


def test_a_backup_lists_the_originals_and_nothing_that_comes_and_goes(photo_desk: Desk) -> None:
    from app.photos.pictures import files
    from app.upkeep.backup import back_up, read_label

    workshop = photo_desk.workshop
    photo_desk.bring([("a.jpg", jpeg(1)), ("b.jpg", jpeg(2))])
    (workshop.folder.pictures / "inbox" / "1001").mkdir(parents=True)
    (workshop.folder.pictures / "inbox" / "1001" / "c.jpg").write_bytes(jpeg(3))
    to = workshop.folder.path / "backup.db"
    with files.Incoming(workshop.folder.pictures) as arriving:
        arriving.write(b"half of")
        back_up(workshop.folder, to, workshop.now())
    assert {one.path for one in read_label(to).pictures} == photo_desk.files()
