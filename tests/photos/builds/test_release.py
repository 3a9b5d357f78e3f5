"""The one picture on a customer's page: made anew, released by a person, taken back in one act."""

import asyncio
import io
import sqlite3
from pathlib import Path

import httpx
import pytest
from PIL import Image

from app.flow.gates import Gate
from app.flow.steps import Step
from app.orders.order import links
from app.photos.release import actions as release
from app.publishing.checking import check_pages
from app.publishing.worker import rewrite_due, rewrite_stale
from app.shared.tokens import new_nonce, status_token, token_hash
from app.status.site import customers_site
from app.tables import status_links
from tests.making import CAST, DAY, NOW, MadeOrder, Wanted, make_order, piece, rows
from tests.staff.browser import ORIGIN, Browser, ClockedWorkshop
from tests.whole_site import the_form, words

AT_SCREEN = Wanted("Juniper", step=Step.FINISHING)


def a_picture(width: int = 2400, height: int = 1800, kind: str = "JPEG") -> bytes:
    """A noisy picture that says where it was taken and by what."""
    grain = Image.effect_noise((width, height), 60).convert("RGB")
    exif = Image.Exif()
    exif[0x010F] = "Goosecam"
    exif.get_ifd(0x8825)[1] = "N"
    exif.get_ifd(0x8825)[2] = (51.0, 30.0, 0.0)
    out = io.BytesIO()
    grain.save(out, kind, exif=exif)
    return out.getvalue()


def send(browser: Browser, address: str, content: bytes, name: str = "screen.jpg"):
    files = {"file": (name, content, "image/jpeg")}
    return browser.send("POST", address, files=files, headers={"origin": ORIGIN})


def linked(workshop: ClockedWorkshop, order: MadeOrder) -> str:
    """A status link of the order; gives its token."""
    nonce = new_nonce()
    token = status_token(workshop.folder.key, nonce)
    with workshop.database.writing() as db:
        db.execute(
            status_links.insert().values(
                order_id=order.id, nonce=nonce, token_hash=token_hash(token), made_at=NOW
            )
        )
    return token


def public(workshop: ClockedWorkshop, address: str) -> httpx.Response:
    async def ask() -> httpx.Response:
        site = customers_site(workshop.folder.pages, lambda: workshop.now())
        transport = httpx.ASGITransport(site)
        async with httpx.AsyncClient(transport=transport, base_url="http://pages") as client:
            return await client.get(address)

    return asyncio.run(ask())


@pytest.fixture
def order(workshop: ClockedWorkshop) -> MadeOrder:
    return make_order(workshop.database, CAST.desk, NOW - DAY, [AT_SCREEN])


def test_a_released_picture_is_on_the_page_with_its_caption_and_none_of_the_files_data(
    workshop: ClockedWorkshop, painter: Browser, order: MadeOrder
) -> None:
    token = linked(workshop, order)
    address = f"/release/model/{order.model().id}"
    assert send(painter, address, a_picture()).status_code == 303
    rewrite_stale(workshop)
    page = public(workshop, f"/{token}/")
    assert "Juniper’s model on Pilar’s screen, 4 March" in page.text
    jpeg = public(workshop, f"/{token}/picture.jpg")
    assert jpeg.headers["content-type"] == "image/jpeg"
    assert jpeg.headers["cache-control"] == "no-store"
    assert len(jpeg.content) <= 200_000
    opened = Image.open(io.BytesIO(jpeg.content))
    assert (opened.format, dict(opened.getexif())) == ("JPEG", {})
    assert b"Goosecam" not in jpeg.content
    assert b"Exif" not in jpeg.content
    assert f'width="{opened.width}" height="{opened.height}"' in " ".join(page.text.split())


def test_taken_back_in_one_act_it_is_gone_from_the_pages_file(
    workshop: ClockedWorkshop, painter: Browser, order: MadeOrder
) -> None:
    token = linked(workshop, order)
    address = f"/release/model/{order.model().id}"
    send(painter, address, a_picture())
    rewrite_stale(workshop)
    assert painter.post(f"{address}/back").status_code == 303
    rewrite_stale(workshop)
    assert public(workshop, f"/{token}/picture.jpg").status_code == 404
    assert "figcaption" not in public(workshop, f"/{token}/").text
    raw = sqlite3.connect(workshop.folder.pages)
    assert raw.execute("SELECT count(*) FROM pictures").fetchone() == (0,)
    raw.close()
    assert painter.post(f"{address}/back").status_code == 404


@pytest.mark.parametrize(("gift", "life"), [(1, "living"), (0, "remembered"), (0, "living")])
def test_it_is_folded_away_for_a_gift_and_for_a_remembered_animal_only(
    workshop: ClockedWorkshop, painter: Browser, gift: int, life: str
) -> None:
    wanted = [Wanted("Juniper", step=Step.FINISHING, life=life)]
    order = make_order(workshop.database, CAST.desk, NOW - DAY, wanted, gift=gift)
    token = linked(workshop, order)
    send(painter, f"/release/model/{order.model().id}", a_picture())
    rewrite_stale(workshop)
    folded = '<details class="picture">' in public(workshop, f"/{token}/").text
    assert folded == bool(gift or life == "remembered")


def test_a_newer_picture_takes_the_place_of_the_one_before(
    workshop: ClockedWorkshop, painter: Browser, order: MadeOrder
) -> None:
    token = linked(workshop, order)
    address = f"/release/model/{order.model().id}"
    send(painter, address, a_picture())
    rewrite_stale(workshop)
    before = public(workshop, f"/{token}/picture.jpg").content
    send(painter, address, a_picture(900, 700))
    rewrite_stale(workshop)
    assert public(workshop, f"/{token}/picture.jpg").content != before
    found = rows(
        workshop.database, "SELECT count(*) FROM released_pictures WHERE taken_back_at IS NULL"
    )
    assert found == [(1,)]


def test_a_piece_at_painting_is_shown_at_somebodys_bench(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    wanted = [Wanted("Otis", step=Step.READY, copy_step=Step.PAINTING)]
    order = make_order(workshop.database, CAST.desk, NOW - DAY, wanted)
    token = linked(workshop, order)
    send(painter, f"/release/copy/{order.copy().id}", a_picture(800, 600))
    rewrite_stale(workshop)
    assert "Otis at Pilar’s bench, 4 March" in public(workshop, f"/{token}/").text


def test_nothing_is_released_of_what_cannot_be_seen_yet(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    order = make_order(workshop.database, CAST.desk, NOW - DAY, [Wanted(step=Step.PHOTOS_IN)])
    answer = send(painter, f"/release/model/{order.model().id}", a_picture(300, 300))
    assert answer.status_code == 409
    assert rows(workshop.database, "SELECT id FROM released_pictures") == []


@pytest.mark.parametrize(
    "content",
    [b"", b"MZ not a photo at all", a_picture(400, 300)[:900], b"\x89PNG\r\n\x1a\n" + b"\0" * 60],
)
def test_what_is_no_whole_picture_is_refused_in_words(
    workshop: ClockedWorkshop, painter: Browser, order: MadeOrder, content: bytes
) -> None:
    answer = send(painter, f"/release/model/{order.model().id}", content)
    assert answer.status_code == 422
    assert "Choose a photo" in words(answer) or "can’t be used" in words(answer)
    assert rows(workshop.database, "SELECT id FROM released_pictures") == []
    assert list((workshop.folder.pictures / "incoming").glob("*")) == []


def test_a_body_that_is_no_upload_is_a_refusal(
    workshop: ClockedWorkshop, painter: Browser, order: MadeOrder
) -> None:
    answer = painter.post(f"/release/model/{order.model().id}", {"file": "x"})
    assert answer.status_code == 422


def test_another_orders_link_opens_no_picture_of_this_one(
    workshop: ClockedWorkshop, painter: Browser, order: MadeOrder
) -> None:
    linked(workshop, order)
    other = make_order(workshop.database, CAST.desk, NOW - DAY, [AT_SCREEN])
    token = linked(workshop, other)
    send(painter, f"/release/model/{order.model().id}", a_picture(800, 600))
    rewrite_stale(workshop)
    assert public(workshop, f"/{token}/picture.jpg").status_code == 404
    assert public(workshop, f"/{'x' * 43}/picture.jpg").status_code == 404
    assert public(workshop, f"/{token}/picture.jpg/").status_code == 404
    assert public(workshop, f"/{token}/other.jpg").status_code == 404


def test_the_bytes_are_written_once_however_often_the_page_is(
    workshop: ClockedWorkshop, painter: Browser, order: MadeOrder
) -> None:
    linked(workshop, order)
    send(painter, f"/release/model/{order.model().id}", a_picture(800, 600))
    rewrite_stale(workshop)
    [(file,)] = rows(workshop.database, "SELECT file FROM released_pictures")
    lies = release.place(workshop.folder.pictures, str(file))
    lies.write_bytes(b"not what was released")
    workshop.moment += DAY
    assert rewrite_due(workshop, workshop.moment) == 1
    raw = sqlite3.connect(workshop.folder.pages)
    [(kept,)] = raw.execute("SELECT jpeg FROM pictures").fetchall()
    raw.close()
    assert kept[:2] == b"\xff\xd8"


def test_a_lost_file_leaves_the_page_without_it_and_the_audit_says_so(
    workshop: ClockedWorkshop, painter: Browser, order: MadeOrder
) -> None:
    token = linked(workshop, order)
    send(painter, f"/release/model/{order.model().id}", a_picture(800, 600))
    rewrite_stale(workshop)
    assert check_pages(
        workshop.database.reading, workshop.folder.pages, workshop.in_force(), NOW
    ) == (1, [])
    [(file,)] = rows(workshop.database, "SELECT file FROM released_pictures")
    release.place(workshop.folder.pictures, str(file)).unlink()
    workshop.moment += DAY
    rewrite_due(workshop, workshop.moment)
    assert "figcaption" not in public(workshop, f"/{token}/").text
    _, found = check_pages(
        workshop.database.reading, workshop.folder.pages, workshop.in_force(), workshop.moment
    )
    assert len(found) == 1


def test_a_link_that_is_revoked_opens_no_picture(
    workshop: ClockedWorkshop, desk: Browser, order: MadeOrder
) -> None:
    token = linked(workshop, order)
    send(desk, f"/release/model/{order.model().id}", a_picture(800, 600))
    rewrite_stale(workshop)
    with workshop.database.reading() as db:
        assert links.current(db, workshop.folder.key, order.id) == token
    desk.post(f"/orders/{order.number}/link", {"act": "revoke"})
    rewrite_stale(workshop)
    assert public(workshop, f"/{token}/picture.jpg").status_code == 404
    raw = sqlite3.connect(workshop.folder.pages)
    kept: tuple[int] = raw.execute("SELECT count(*) FROM pictures").fetchone()
    raw.close()
    assert kept == (0,)


def test_one_of_the_stored_pictures_can_be_released(
    workshop: ClockedWorkshop, painter: Browser, order: MadeOrder, tmp_path: Path
) -> None:
    lies = workshop.folder.pictures / "originals" / "ab" / "abc.jpg"
    lies.parent.mkdir(parents=True)
    lies.write_bytes(a_picture(900, 600))
    with workshop.database.writing() as db:
        db.exec_driver_sql(
            f"INSERT INTO photo_deliveries (id, order_id, told_at, way, link) VALUES"
            f" (1, {order.id}, 1, 'card', '')"
        )
        db.exec_driver_sql(
            "INSERT INTO pictures (id, order_id, delivery_id, sha256, size, path, name, format,"
            f" width, height, taken, came_at) VALUES (1, {order.id}, 1, 'abc', 9,"
            " 'originals/ab/abc.jpg', 'a.jpg', 'JPEG', 900, 600, '', 1)"
        )
        db.exec_driver_sql(
            f"INSERT INTO picture_models (model_id, picture_id) VALUES ({order.model().id}, 1)"
        )
    address = f"/release/model/{order.model().id}"
    assert 'name="picture" value="1"' in painter.get(address).text
    assert painter.post(f"{address}/stored", {"picture": "1"}).status_code == 303
    assert painter.post(f"{address}/stored", {"picture": "2"}).status_code == 404
    assert painter.post(f"{address}/stored", {"picture": "x"}).status_code == 422
    [live] = rows(workshop.database, "SELECT id FROM released_pictures WHERE taken_back_at IS NULL")
    assert painter.get(f"/released/{live[0]}").content[:2] == b"\xff\xd8"


@pytest.mark.parametrize(
    ("shows", "wanted", "before"),
    [
        ("model", Wanted("Juniper", step=Step.FINISHING), Step.BLANK),
        ("painting", Wanted("Juniper", step=Step.READY, copy_step=Step.PAINTING), Step.INSPECTION),
    ],
)
def test_what_the_customer_approves_is_put_together_and_sent_with_its_question(
    workshop: ClockedWorkshop, desk: Browser, shows: str, wanted: Wanted, before: Step
) -> None:
    order = make_order(workshop.database, CAST.desk, NOW - DAY, [wanted])
    ref = order.model() if shows == "model" else order.copy()
    token, page = linked(workshop, order), f"/release/{ref.of}/{ref.id}"
    form = the_form(desk.get(page).text, f"{page}/approval")
    begun = desk.post(form.action, form.fields)
    where = begun.headers["location"]
    assert piece(workshop.database, order.copy()).state.gates == (Gate(1, before, unasked=True),)
    asks = the_form(desk.get(where).text, f"{where}/send")
    early = desk.post(asks.action, asks.fields)
    assert early.status_code == 422
    assert "Add at least one picture first." in words(early)
    for _ in range(2):
        assert send(desk, f"{where}/pictures", a_picture()).status_code == 303
    assert send(desk, f"{where}/pictures", b"no picture").status_code == 422
    assert send(desk, f"{where}/pictures", b"").status_code == 422
    rewrite_stale(workshop)
    assert "figcaption" not in public(workshop, f"/{token}/").text, "nothing has gone yet"
    empty = desk.post(asks.action, {**asks.fields, "asked": " "})
    assert empty.status_code == 422
    assert "has to be filled in" in words(empty)
    assert desk.post(asks.action, asks.fields).status_code == 303
    assert piece(workshop.database, order.copy()).state.gates == (Gate(1, before),)
    rewrite_stale(workshop)
    shown = public(workshop, f"/{token}/")
    asked = f"“Is the {shows} of Juniper as you’d like it?”"
    assert f"our question about the pictures of the {shows} on your page: {asked}" in words(shown)
    assert shown.text.count("<figcaption>") == 2
    for number in (1, 2):
        jpeg = public(workshop, f"/{token}/picture-{number}.jpg")
        assert jpeg.status_code == 200
        with Image.open(io.BytesIO(jpeg.content)) as opened:
            assert not opened.getexif()
    for beside in ("picture-3.jpg", "picture-1.png", "picture.jpg", "picture-x.jpg"):
        assert public(workshop, f"/{token}/{beside}").status_code == 404
    found = check_pages(workshop.database.reading, workshop.folder.pages, workshop.in_force(), NOW)
    assert found == (1, [])
    for address in ("pictures", "remove", "send"):
        again = desk.post(f"{where}/{address}", {**asks.fields, "picture": "1"})
        assert again.status_code in (409, 422), "it has gone"
    answer = {"answer": "Lovely", "verdict": "yes"}
    assert desk.post(f"/orders/{order.number}/answer/1", answer).status_code == 303
    rewrite_stale(workshop)
    assert "figcaption" not in public(workshop, f"/{token}/").text
    assert public(workshop, f"/{token}/picture-1.jpg").status_code == 404
    assert desk.post(f"{page}/approval", {}).status_code == 409, "it is approved"


def test_at_most_six_pictures_go_and_one_may_be_removed(
    workshop: ClockedWorkshop, painter: Browser, order: MadeOrder
) -> None:
    where = painter.post(f"/release/model/{order.model().id}/approval", {}).headers["location"]
    for number in range(6):
        assert send(painter, f"{where}/pictures", a_picture(300 + number, 300)).status_code == 303
    seventh = send(painter, f"{where}/pictures", a_picture(200, 200))
    assert seventh.status_code == 422
    assert "6 pictures at most go with one question" in words(seventh)
    assert painter.get("/approvals/pictures/1").content[:2] == b"\xff\xd8"
    assert painter.post(f"{where}/remove", {"picture": "1"}).status_code == 303
    assert painter.post(f"{where}/remove", {"picture": "1"}).status_code == 404
    assert painter.get("/approvals/pictures/1").status_code == 404
    assert painter.get("/approvals/99").status_code == 404
