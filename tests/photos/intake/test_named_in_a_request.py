"""The customer's own photos that a request names stand small beside it on their page, and no others."""

import io
import json
import sqlite3
from collections.abc import Mapping

from PIL import Image
from sqlalchemy import insert, text

from app.flow.store import mark_pages_stale
from app.orders.order import links
from app.orders.order.photos_told import ToldFields, photos_told
from app.photos.release.named import mentioned
from app.publishing.pages_file import read_all
from app.publishing.worker import rewrite_stale, want_all
from app.tables import forecasts, photo_checks
from tests.making import CAST, NOW, MadeOrder, Wanted, walk
from tests.photos.intake.conftest import told
from tests.photos.intake.shots import Desk, jpeg
from tests.publishing.orders import differences, text_of
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import the_form

WISH = "His left flank, between IMG_2.JPG and IMG_3.JPG: about six photos."


def test_a_name_is_found_as_a_whole_word_in_the_order_of_the_request() -> None:
    names: Mapping[str, int] = dict.fromkeys(
        ("1.jpg", "11.jpg", "b 2.jpg", "b 2.jpg (2)", "c.jpg", "a.jpg"), 0
    )
    said = ["Between 11.jpg and b 2.jpg (2), please.", "From a.jpg on, as in xc.jpg"]
    assert mentioned(said, names) == ["11.jpg", "b 2.jpg (2)", "a.jpg"]
    assert mentioned(["nothing is named"], names) == []


def linked(workshop: ClockedWorkshop, order: MadeOrder) -> str:
    with workshop.database.writing() as db:
        db.execute(insert(forecasts).values(order_id=order.id, computed_at=NOW))
        return links.make(db, workshop.folder.key, order.id, None, NOW)


def asked(workshop: ClockedWorkshop, desk: Browser, painter: Browser, **fields: str) -> MadeOrder:
    """An order whose four photos have come and whose request names two of them."""
    order = told(workshop, [Wanted("Juniper", **fields)])
    photo_desk = Desk(workshop, desk, order)
    photo_desk.bring([(f"IMG_{k}.JPG", jpeg(k, f"2026:03:03 10:00:0{k}")) for k in range(1, 5)])
    assert photo_desk.count().status_code == 303
    walk(
        workshop.database,
        order.model(),
        CAST.desk,
        workshop.now(),
        "build_started",
        "build_finished",
    )
    workshop.moment += 60
    address = f"/assess/{order.model().id}"
    form = the_form(painter.get(address).text, address, move="more_views")
    answer = painter.post(address, {**form.fields, "view": [WISH]})
    assert answer.status_code == 303
    return order


def beside(workshop: ClockedWorkshop) -> dict[str, bytes]:
    rewrite_stale(workshop)
    raw = sqlite3.connect(workshop.folder.pages)
    found = dict(raw.execute("SELECT name, jpeg FROM pictures").fetchall())
    raw.close()
    return found


def page(workshop: ClockedWorkshop) -> str:
    rewrite_stale(workshop)
    [row] = read_all(workshop.folder.pages)
    return row.html.decode()


def test_the_two_that_are_named_stand_below_the_request_without_any_data_of_their_files(
    workshop: ClockedWorkshop, desk: Browser, painter: Browser
) -> None:
    order = asked(workshop, desk, painter)
    linked(workshop, order)
    there = beside(workshop)
    assert sorted(there) == ["photo-1.jpg", "photo-2.jpg"]
    for jpeg_ in there.values():
        with Image.open(io.BytesIO(jpeg_)) as picture:
            assert max(picture.size) <= 360
            assert not picture.getexif()
    shown = page(workshop)
    assert shown.index(WISH) < shown.index('src="photo-1.jpg" alt="Your photo IMG_2.JPG"')
    assert 'src="photo-2.jpg" alt="Your photo IMG_3.JPG"' in shown
    assert "IMG_1" not in shown
    assert "IMG_4" not in shown
    assert "These are the photos of yours that we mean:" in text_of(shown.encode())
    assert differences(workshop) == []


def test_they_are_gone_when_photos_are_told_of_given_to_another_or_switched_off(
    workshop: ClockedWorkshop, desk: Browser, painter: Browser, owner: Browser
) -> None:
    order = asked(workshop, desk, painter)
    linked(workshop, order)
    assert len(beside(workshop)) == 2
    photo_desk = Desk(workshop, desk, order)
    photo_desk.give(give="0", tick=photo_desk.ids()[1])
    assert list(beside(workshop)) == ["photo-1.jpg"]
    assert "This is the photo of yours that we mean:" in text_of(page(workshop).encode())
    photos_told(
        workshop,
        order.id,
        ToldFields.model_validate({"way": "mail", "files_said": 6}),
        CAST.desk,
        "",
    )
    assert beside(workshop) == {}
    assert "photo-1" not in page(workshop)
    assert differences(workshop) == []


def test_a_switch_in_the_settings_keeps_them_off_the_page(
    workshop: ClockedWorkshop, desk: Browser, painter: Browser, owner: Browser
) -> None:
    linked(workshop, asked(workshop, desk, painter))
    form = the_form(owner.get("/settings").text, "/settings")
    assert "own_photos" not in form.fields, "a tick is sent only when it is set"
    assert owner.post("/settings", form.fields).status_code == 303
    want_all(workshop)
    assert beside(workshop) == {}


def test_a_gift_s_page_and_one_of_an_animal_that_has_died_show_none(
    workshop: ClockedWorkshop, desk: Browser, painter: Browser
) -> None:
    order = asked(workshop, desk, painter)
    linked(workshop, order)
    for column, table in (("gift = 1", "orders"), ("life = 'remembered'", "animals")):
        with workshop.database.writing() as db:
            db.execute(text("UPDATE orders SET gift = 0"))
            db.execute(text(f"UPDATE {table} SET {column}"))
            mark_pages_stale(db)
        assert beside(workshop) == {}


def test_a_link_that_is_taken_back_leaves_none_of_them(
    workshop: ClockedWorkshop, desk: Browser, painter: Browser
) -> None:
    order = asked(workshop, desk, painter)
    linked(workshop, order)
    assert len(beside(workshop)) == 2
    with workshop.database.writing() as db:
        links.revoke(db, order.id, workshop.now())
    assert beside(workshop) == {}


def test_where_the_photos_stood_is_drawn_once_the_check_has_read_it(
    workshop: ClockedWorkshop, desk: Browser, painter: Browser
) -> None:
    order = asked(workshop, desk, painter)
    linked(workshop, order)
    assert "<svg" not in page(workshop)
    stood = {"IMG_1.JPG": 300, "IMG_2.JPG": 0, "IMG_3.JPG": 120, "IMG_4.JPG": 200}
    result = {"pictures": [{"name": n, "azimuth": a} for n, a in stood.items()]}
    with workshop.database.writing() as db:
        db.execute(
            insert(photo_checks).values(
                model_id=order.model().id, begun_at=NOW, ended_at=NOW, set_key="4", pictures=4,
                remembered=0, verdict="doubtful", result=json.dumps(result), graph="",
                thresholds_version="1",
            )
        )  # fmt: skip
        mark_pages_stale(db)
    shown = page(workshop)
    assert shown.count("<circle cx") == 4
    assert "1: IMG_2.JPG" in shown
    assert "No photo shows us the shaded side." in text_of(shown.encode())
    assert differences(workshop) == []
