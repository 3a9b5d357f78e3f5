"""Somebody erased: nothing of theirs is left, the log gives what it gave, and it stays so."""

import csv
import io
import re
import sqlite3
import zipfile
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import Text, insert, select, update

from app import opening, tables
from app.flow.steps import Step
from app.letters.worker import form_round
from app.main import staff_site
from app.orders.forecast import record
from app.orders.order import links
from app.publishing.checking import check_pages
from app.publishing.worker import rewrite_stale
from app.shared.errors import CannotStart, NotFound, Refused
from app.shared.places import DataFolder
from app.tables import contacts, customer_mails, customers, letters, orders
from app.upkeep.audit import audit
from app.upkeep.backup import back_up
from app.upkeep.kept import erased_list, erasing, rows, what_goes
from app.upkeep.kept.erased_list import PERSON, GoneForGood
from app.upkeep.restore import restore
from tests.everything import fill
from tests.making import CAST, DAY, HOUR, NOW, Wanted, make_order, walk
from tests.making import rows as plain
from tests.staff.browser import Browser, ClockedWorkshop, opened

CANARY = "Quillfeather"


@pytest.fixture
def house(studio_file: Path):
    with opened(studio_file, ClockedWorkshop) as workshop:
        yield workshop


def a_person(workshop: ClockedWorkshop, *, open_: bool = False):
    """Somebody with a finished order, a link, a mail, a conversation and files on the disk."""
    made = make_order(
        workshop.database, CAST.desk, NOW - 30 * DAY,
        [Wanted(CANARY, step=Step.READY, copy_step=Step.PACKING)], customer=f"Hanne {CANARY}",
    )  # fmt: skip
    with workshop.database.writing() as db:
        links.make(db, workshop.folder.key, made.id, 2, NOW)
        mail = f"{CANARY}@hollow.example"
        values = {"mail": mail, "mail_key": mail.casefold(), "receives": 1}
        db.execute(insert(customer_mails).values(customer_id=made.customer_id, **values))
        said = {"at": NOW, "asked": CANARY, "told": CANARY}
        db.execute(insert(contacts).values(customer_id=made.customer_id, order_id=made.id, **said))
    if not open_:
        walk(workshop.database, made.copy(), CAST.desk, NOW - DAY, "handed_over")
        workshop.moment = NOW
        form_round(workshop)
        walk(workshop.database, made.copy(), CAST.desk, NOW, "received")
        workshop.moment = NOW + HOUR
    return made


def with_files(workshop: ClockedWorkshop, made) -> list[Path]:
    """A photo, its small twin and a released picture of an order, and an email in a file."""
    folder, sha = workshop.folder, "ab" * 32
    there = [
        folder.pictures / "originals/ab" / f"{sha}.jpg", folder.pictures / f"shown/{sha}-360.jpg",
        folder.pictures / "released/shown.jpg", folder.pictures / f"inbox/{made.number}/new.jpg",
        folder.pictures / f"aside/{sha}.jpg",
    ]  # fmt: skip
    with workshop.database.writing() as db:
        [delivery] = db.execute(
            insert(tables.photo_deliveries).values(order_id=made.id, told_at=NOW, link=CANARY)
        ).inserted_primary_key
        db.execute(insert(tables.pictures).values(
            order_id=made.id, delivery_id=delivery, sha256=sha, size=3, came_at=NOW,
            path=f"originals/ab/{sha}.jpg", name=f"{CANARY}.jpg",
        ))  # fmt: skip
        db.execute(insert(tables.released_pictures).values(
            order_id=made.id, model_id=made.model().id, file="shown.jpg", size=3, width=1, height=1,
            released_at=NOW,
        ))  # fmt: skip
    form_round(workshop)
    for (letter_id,) in plain(
        workshop.database, "SELECT id FROM letters WHERE order_id = ?", made.id
    ):
        there.append(folder.letters / f"{letter_id:06d}-{made.number}.eml")
    for path in there:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"jpg")
    return there


def everywhere(folder: DataFolder) -> bytes:
    """Every byte that the studio has on the disk, names of files too."""
    found = [path for path in folder.path.rglob("*") if path.is_file()]
    return b"\n".join(bytes(path) + b"\n" + path.read_bytes() for path in found)


def log_of(workshop: ClockedWorkshop) -> tuple[str, ...]:
    """What figures and forecasts are made of, as numbers."""
    with workshop.database.reading() as db:
        log = record.read(db).log
    return tuple(map(repr, map(list, (log.piece, log.step, log.entered, log.left))))


def test_every_column_of_text_is_either_gone_or_stays_for_a_reason() -> None:
    """A new column has to be decided upon, in app/upkeep/kept/what_goes.py."""
    changed = {
        goes.table.name: {*goes.emptied, *goes.blotted, *goes.becomes, *goes.stays}
        for goes in what_goes.CHANGED
    }
    removed = {table.name for table, _ in what_goes.REMOVED}
    nobody = {table.name for table in what_goes.NAMES_NOBODY}
    undecided = {
        f"{table.name}.{column.name}"
        for table in tables.metadata.sorted_tables
        if table.name not in removed | nobody
        for column in table.columns
        if isinstance(column.type, Text) and column.name not in changed.get(table.name, ())
    }
    assert undecided == set()
    assert not removed & changed.keys()
    assert not nobody & (removed | changed.keys())


def test_nothing_of_a_person_is_left_in_any_byte_of_the_studio(house: ClockedWorkshop) -> None:
    fill(house)
    made = a_person(house)
    files = with_files(house, made)
    whose = rows.theirs(made.customer_id)
    for goes in what_goes.CHANGED:
        texts = dict.fromkeys((*goes.emptied, *goes.blotted), f"{CANARY} typed here")
        if goes.table is tables.changes:
            texts |= {"of": "orders", "order_id": made.id}
        with house.database.writing() as db:
            rows_there = whose.of(goes.table, goes.whose)
            if texts:
                db.execute(update(goes.table).where(rows_there).values(texts))
    rewrite_stale(house)
    assert everywhere(house.folder).count(CANARY.encode()) > 10
    before, others = log_of(house), plain(house.database, "SELECT count(*) FROM customer_mails")
    erasing.erase(house, made.customer_id, CAST.owner)
    rewrite_stale(house)
    assert log_of(house) == before
    assert plain(house.database, "SELECT count(*) FROM customer_mails") == [(others[0][0] - 1,)]
    folder = house.folder
    house.close()
    assert not re.findall(CANARY.encode(), everywhere(folder), re.I)
    assert [path for path in files if path.exists()] == []


def test_the_audit_is_clean_and_the_act_is_noted(house: ClockedWorkshop) -> None:
    made = a_person(house)
    with_files(house, made)
    rewrite_stale(house)
    erasing.erase(house, made.customer_id, CAST.owner)
    rewrite_stale(house)
    found = audit(house.folder, house.now(), check_pages, with_pictures=True, with_key=True)
    assert found.differences == []
    assert plain(
        house.database, "SELECT what, account_id, customer_id, amount, again FROM let_go"
    ) == [("person", 1, made.customer_id, 1, 0)]
    assert plain(house.database, "SELECT count(*) FROM status_links WHERE revoked_at IS NULL") == [
        (0,)
    ]
    assert plain(house.database, "SELECT DISTINCT reason FROM transitions ORDER BY 1") == [
        ("",), ("erased",)
    ]  # fmt: skip


def test_no_letter_goes_to_somebody_who_was_erased(house: ClockedWorkshop) -> None:
    made = a_person(house)
    assert plain(house.database, "SELECT DISTINCT state FROM letters") == [("waiting",)]
    erasing.erase(house, made.customer_id, CAST.owner)
    house.moment += 30 * DAY
    form_round(house)
    assert plain(house.database, "SELECT DISTINCT state, facts, recipient FROM letters") == [
        ("dropped", "", "")
    ]


def test_what_is_not_settled_is_said_and_nothing_is_erased(house: ClockedWorkshop) -> None:
    made = a_person(house, open_=True)
    with house.database.writing() as db:
        lent = {"order_id": made.id, "kind": "collar", "received_at": NOW}
        db.execute(insert(tables.belongings).values(**lent))
    with pytest.raises(
        Refused, match=rf"Order {made.number} is still open.*waiting for its return"
    ):
        erasing.erase(house, made.customer_id, CAST.owner)
    assert erased_list.read(house.folder) == []
    with house.database.reading() as db:
        name = db.execute(select(customers.c.name).where(customers.c.id == made.customer_id))
        assert name.scalar() == f"Hanne {CANARY}"
    with pytest.raises(NotFound):
        erasing.erase(house, 9999, CAST.owner)


def test_who_is_on_the_waiting_list_is_not_erased_before_they_are_off_it(
    house: ClockedWorkshop,
) -> None:
    made = a_person(house)
    row = tables.waiting_list
    values = {"typed": "{}", "typed_on": "2026-03-04", "copies": 1, "begins_on": "2026-03-09"}
    with house.database.writing() as db:
        db.execute(insert(row).values(order_id=made.id, put_at=NOW, **values))
    with pytest.raises(Refused, match=f"Order {made.number} is on the waiting list"):
        erasing.erase(house, made.customer_id, CAST.owner)
    with house.database.writing() as db:
        db.execute(update(row).values(off_at=NOW, why=f"{CANARY} called"))
    erasing.erase(house, made.customer_id, CAST.owner)
    assert plain(house.database, "SELECT typed, why FROM waiting_list") == [("", "")]


def test_a_picture_that_somebody_else_sent_too_stays(house: ClockedWorkshop) -> None:
    made, other = a_person(house), a_person(house)
    original = with_files(house, made)[0]
    with_files(house, other)
    erasing.erase(house, made.customer_id, CAST.owner)
    assert original.exists()
    erasing.erase(house, other.customer_id, CAST.owner)
    assert not original.exists()


def test_what_is_cut_off_in_the_middle_is_done_at_the_next_opening(
    house: ClockedWorkshop, monkeypatch
) -> None:
    made = a_person(house)
    files = with_files(house, made)

    def cut_off(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(erasing, "_settle_letters", cut_off)
    with pytest.raises(KeyboardInterrupt):
        erasing.erase(house, made.customer_id, CAST.owner)
    monkeypatch.undo()
    assert plain(
        house.database, "SELECT erased_at FROM customers WHERE id = ?", made.customer_id
    ) == [(None,)]
    house.close()
    with opening.opened(DataFolder(house.folder.path)) as again:
        assert plain(again.database, "SELECT what, again FROM let_go") == [("person", 1)]
        rewrite_stale(again)
    assert [path for path in files if path.exists()] == []
    assert CANARY.encode() not in everywhere(house.folder)


def test_a_disk_that_does_not_let_go_is_said_and_tried_again(
    house: ClockedWorkshop, monkeypatch
) -> None:
    made = a_person(house)
    files = with_files(house, made)

    def read_only(*_: object) -> None:
        raise OSError(30, "Read-only file system")

    owner = Browser(staff_site(house)).as_(house, CAST.owner)
    with monkeypatch.context() as broken:
        broken.setattr(Path, "unlink", read_only)
        answer = owner.post(f"/customers/{made.customer_id}/erase", {"sure": "1"})
    assert (answer.status_code, "Read-only file system" in answer.text) == (422, True)
    assert plain(house.database, "SELECT what FROM let_go") == []
    assert owner.post(f"/customers/{made.customer_id}/erase", {"sure": "1"}).status_code == 303
    assert [path for path in files if path.exists()] == []
    assert len(erased_list.read(house.folder)) == 1


def test_somebody_erased_stays_erased_after_an_older_backup(
    house: ClockedWorkshop, tmp_path: Path
) -> None:
    kept = tmp_path.with_name(f"{tmp_path.name}-kept") / "studio.db"
    made, stays = a_person(house), a_person(house, open_=True)
    back_up(house.folder, kept, NOW)
    erasing.erase(house, made.customer_id, CAST.owner)
    later = make_order(house.database, CAST.desk, house.now(), customer="Somebody New")
    erased_list.add(house.folder, [GoneForGood(PERSON, later.customer_id, house.now() + 5)])
    house.close()
    done = restore(DataFolder(house.folder.path), kept, house.now() + DAY)
    assert done.orders == 2
    with opening.opened(DataFolder(house.folder.path)) as again:
        names = "SELECT name, erased_at IS NULL FROM customers ORDER BY id"
        assert plain(again.database, names) == [("erased", 0), (f"Hanne {CANARY}", 1)]
        assert audit(again.folder, again.now()).differences == []
        assert stays.customer_id != made.customer_id
    with opening.opened(DataFolder(house.folder.path)) as twice:
        assert plain(twice.database, "SELECT what, again FROM let_go") == [("person", 1)]


def test_a_list_that_cannot_be_read_lets_nothing_start(house: ClockedWorkshop) -> None:
    erased_list.add(house.folder, [GoneForGood(PERSON, 7, NOW)])
    assert house.folder.erased_file.stat().st_mode & 0o077 == 0
    house.folder.erased_file.write_text('{"what": "person", "id"')
    house.close()
    with pytest.raises(CannotStart, match="who was erased"), opening.opened(house.folder):
        pass


# ---------------------------------------------------------------- the pages


def test_all_there_is_of_a_person_comes_as_a_zip_and_nothing_of_anybody_else(
    house: ClockedWorkshop,
) -> None:
    made = a_person(house)
    make_order(house.database, CAST.desk, NOW - DAY, customer="Somebody Else")
    with_files(house, made)
    browser = Browser(staff_site(house)).as_(house, CAST.owner)
    answer = browser.post(f"/customers/{made.customer_id}/data", {})
    with zipfile.ZipFile(io.BytesIO(answer.content)) as found:
        names = found.namelist()
        [email] = [name for name in names if name.startswith("emails/")]
        assert f"To: {CANARY}@hollow.example\nSubject: " in found.read(email).decode("utf-8-sig")
        said = found.read("customers.csv").decode("utf-8-sig")
        assert [row["name"] for row in csv.DictReader(io.StringIO(said))] == [f"Hanne {CANARY}"]
        assert sum(name.startswith("photos/") for name in names) == 1
        assert not any(b"Somebody Else" in found.read(name) for name in names)


def test_the_owner_sees_what_goes_and_says_that_they_mean_it(house: ClockedWorkshop) -> None:
    made = a_person(house)
    with_files(house, made)
    address = f"/customers/{made.customer_id}/erase"
    owner = Browser(staff_site(house)).as_(house, CAST.owner)
    page = owner.get(address)
    assert "one order, one animal, one photo" in page.text
    assert "Data of Hanne" in page.text
    unsure = owner.post(address, {})
    assert (unsure.status_code, "Tick the box" in unsure.text) == (422, True)
    assert owner.post(address, {"sure": "1"}).status_code == 303
    shown = owner.get(f"/customers/{made.customer_id}")
    assert "Erased" in shown.text
    assert CANARY not in shown.text + owner.get(f"/orders/{made.number}").text
    again = owner.post(address, {"sure": "1"})
    assert (again.status_code, "erased already" in again.text) == (422, True)
    assert f'/customers/{made.customer_id}"' not in owner.get("/customers").text
    new = owner.get(f"/orders/new?customer={made.customer_id}")
    assert "erased" not in new.text
    desk = Browser(staff_site(house)).as_(house, CAST.desk)
    assert desk.get(address).status_code == desk.post(address, {"sure": "1"}).status_code == 403


def test_every_page_of_an_erased_order_still_opens(house: ClockedWorkshop) -> None:
    fill(house)
    before = audit(house.folder, house.now()).differences
    numbers = {}
    with house.database.reading() as db:
        for row in db.execute(select(orders.c.number, orders.c.customer_id)):
            numbers[row.customer_id] = row.number
    for customer_id in numbers:
        with house.database.writing() as db:
            erasing.erase_in(db, house.folder, customer_id, 1, house.now())
    with house.database.reading() as db:
        assert {name for (name,) in db.execute(select(letters.c.subject))} <= {""}
    owner = Browser(staff_site(house)).as_(house, CAST.owner)
    for customer_id, number in numbers.items():
        page = owner.get(f"/orders/{number}")
        if page.status_code == 303:
            # Nothing of it has begun: it stands on the waiting list.
            assert page.headers["location"] == f"/book#order-{number}"
            page = owner.get("/book")
        assert page.status_code == 200
        assert owner.get(f"/customers/{customer_id}").status_code == 200
    for address in ("/", "/waiting", "/parcels", "/letters", "/photos", "/builds", "/blanks"):
        assert owner.get(address).status_code == 200
    assert owner.get("/pieces/copy/1").status_code == 200
    assert audit(house.folder, house.now()).differences == before
    with closing(sqlite3.connect(house.folder.database_file)) as raw:
        assert raw.execute("PRAGMA foreign_key_check").fetchall() == []
