"""Everything handed out, and back in again: the same figures in an empty house."""

import csv
import io
import os
import shutil
import sqlite3
import zipfile

import pytest
from sqlalchemy import insert, update

from app.flow.steps import Step
from app.history import actions, columns, export_command, rules, table
from app.history.export import PIECE_FIELDS, IntoFolder, hand_out
from app.history.handed_out import TABLES
from app.main import staff_site
from app.owner.figures import figures
from app.owner.known import Knowledge
from app.shared.places import DataFolder
from app.tables import copies, customer_mails, photo_deliveries, pictures
from tests.demo.invented import A_TUESDAY, invent
from tests.flow.pieces import BROKEN, order_at
from tests.history.sheets import sheet
from tests.making import CAST, HOUR, NOW, Wanted, make_order, move, step_of
from tests.staff.browser import Browser, ClockedWorkshop


def read_csv(path):
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"))))


def pieces_in(workshop, data, **how):
    found = table.read(data)
    choices = columns.guess(found, "")
    assert columns.problems(choices, found) == []
    today = workshop.in_force().calendar.day_of(workshop.now())
    reading = rules.read(found, choices, today)
    assert reading.faults == []
    return actions.bring_in(workshop, reading, choices, "pieces.csv", CAST.owner, **how)


def other(template, place, moment):
    folder = DataFolder(place)
    folder.prepare()
    shutil.copyfile(template, folder.database_file)
    workshop = ClockedWorkshop(folder)
    workshop.moment = moment
    return workshop


def finished(workshop):
    """What the lead-time page says of finished pieces: lead times by month, medians, control."""
    known = Knowledge(workshop)
    seen = known.look()
    done = seen.ways.take(seen.ways.outcome == 2)
    found = figures(done, [], workshop.in_force().calendar, workshop.now(), 24)
    curves = [(m.start, m.pieces, m.finished, m.half, m.slow) for m in found.starting]
    return found.finished, found.finishing, curves, found.months.rows


@pytest.fixture(scope="module")
def invented(tmp_path_factory):
    folder, _ = invent(tmp_path_factory.mktemp("export"), months=5, per_month=25)
    return folder


def test_a_house_of_its_own_log_comes_back_with_the_same_figures(invented, template, tmp_path):
    """To the second: pieces.csv has moments, and the figures of finished pieces are equal."""
    first = ClockedWorkshop(invented)
    first.moment = A_TUESDAY
    assert export_command.main(first, tmp_path / "out", with_photos=True) == 0
    second = other(template, tmp_path / "second", A_TUESDAY)
    try:
        done = pieces_in(second, (tmp_path / "out" / "pieces.csv").read_bytes())
        assert done.left_out == 0
        before, after = finished(first), finished(second)
        assert before[0] > 40
        assert after == before
        assert export_command.main(second, tmp_path / "again", with_photos=True) == 0
        open_pieces = [
            [
                row
                for row in read_csv(tmp_path / name / "pieces.csv")
                if not (row["Day sent"] or row["Day cancelled"])
            ]
            for name in ("out", "again")
        ]
        where = [
            sorted(
                (row["Customer’s name"], row["Animal’s name"], row["Where it stands"])
                for row in rows
            )
            for rows in open_pieces
        ]
        assert where[0] == where[1]
        assert len(where[0]) > 20
    finally:
        first.close()
        second.close()


def test_what_was_itself_brought_in_goes_out_and_comes_back_the_same(empty, template, tmp_path):
    made = sheet(600, open_=8)
    found = table.read(made.data)
    choices = columns.guess(found, "DE")
    actions.bring_in(
        empty, rules.read(found, choices, empty.in_force().calendar.day_of(NOW)), choices, "x",
        CAST.owner,
    )  # fmt: skip
    list(hand_out(empty, IntoFolder(tmp_path / "out")))
    second = other(template, tmp_path / "second", NOW)
    try:
        pieces_in(second, (tmp_path / "out" / "pieces.csv").read_bytes())
        assert finished(second) == finished(empty)
        kept = (
            "SELECT c.name, a.name, a.kind, a.life, p.size_mm, p.started_at, p.ended_at, p.cancelled,"
            " p.by_day, p.steps, p.reference FROM past_pieces p JOIN customers c ON c.id ="
            " p.customer_id JOIN animals a ON a.id = p.animal_id ORDER BY p.id"
        )
        rows = []
        for workshop in (empty, second):
            with sqlite3.connect(workshop.folder.database_file) as raw:
                rows.append(sorted(raw.execute(kept).fetchall()))
        assert rows[0] == rows[1]
        list(hand_out(second, IntoFolder(tmp_path / "again")))
        marks = [
            sorted((r["marking"], r["side"]) for r in read_csv(tmp_path / name / "markings.csv"))
            for name in ("out", "again")
        ]
        assert marks[0] == marks[1]
        assert marks[0]
    finally:
        second.close()


def test_what_was_made_again_stands_where_its_remake_does_and_says_what_that_one_is(
    empty, tmp_path
):
    made = order_at(empty.database, Step.PAINTING)
    again = move(empty.database, made.copy(), CAST.painter, NOW + HOUR, "remake", **BROKEN)
    with empty.database.writing() as db:
        db.execute(update(copies).where(copies.c.id == again.made[0].id).values(size_mm=95))
    empty.moment = NOW + 2 * HOUR
    list(hand_out(empty, IntoFolder(tmp_path / "out")))
    [row] = read_csv(tmp_path / "out" / "pieces.csv")
    assert row["Where it stands"] == step_of(empty.database, again.made[0])
    assert row["Standing there since"] == "2026-03-04T11:00:00Z"
    assert row["Size in mm"] == "95"
    found = table.read((tmp_path / "out" / "pieces.csv").read_bytes())
    today = empty.in_force().calendar.day_of(empty.now())
    assert rules.read(found, columns.guess(found, ""), today).faults == []


def test_every_column_is_described_and_no_secret_is_among_them(empty, tmp_path):
    make_order(empty.database, CAST.desk, NOW, [Wanted("Otto", copies=2)])
    list(hand_out(empty, IntoFolder(tmp_path / "out")))
    said = {
        (row["file"], row["column"]): row["what it says"]
        for row in read_csv(tmp_path / "out" / "columns.csv")
    }
    for path in (tmp_path / "out").glob("*.csv"):
        if path.name == "columns.csv":
            continue
        header = next(csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"))))
        assert header, path
        for column in header:
            assert len(said[path.name, column]) > 3, (path.name, column)
    everything = "\n".join(
        path.read_text(encoding="utf-8-sig") for path in (tmp_path / "out").glob("*.csv")
    )
    for secret in ("nonce", "token_hash", "password", "pin_hash"):
        assert secret not in everything
    assert len(TABLES) >= 13
    assert len(PIECE_FIELDS) > 25


def test_cells_are_no_formulas_for_a_spreadsheet_and_come_back_as_they_were(
    empty, template, tmp_path
):
    make_order(empty.database, CAST.desk, NOW, customer="=cmd|' /C calc'!A1")
    list(hand_out(empty, IntoFolder(tmp_path / "out")))
    assert read_csv(tmp_path / "out" / "customers.csv")[0]["name"] == "'=cmd|' /C calc'!A1"
    found = table.read((tmp_path / "out" / "pieces.csv").read_bytes())
    reading = rules.read(found, columns.guess(found, ""), empty.in_force().calendar.day_of(NOW))
    assert [piece.customer for piece in reading.pieces] == ["=cmd|' /C calc'!A1"]


def _with_photo(workshop, customer, name):
    made = make_order(workshop.database, CAST.desk, NOW, customer=customer)
    path = workshop.folder.pictures / "originals" / f"{made.id}.jpg"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(f"the photo of {customer}".encode())
    with workshop.database.writing() as db:
        delivery = db.execute(insert(photo_deliveries).values(order_id=made.id, told_at=NOW))
        db.execute(
            insert(pictures).values(
                order_id=made.id, delivery_id=delivery.inserted_primary_key[0], sha256=f"{made.id}",
                size=9, path=f"originals/{made.id}.jpg", name=name, came_at=NOW,
            )
        )  # fmt: skip
        mail = f"{customer.split()[0].casefold()}@house.example"
        db.execute(
            insert(customer_mails).values(
                customer_id=made.customer_id, mail=mail, mail_key=mail, receives=1
            )
        )
    return made


def test_one_customers_data_is_theirs_alone_with_their_photos(empty):
    ada = _with_photo(empty, "Ada Aldermoor", "Otto in the field.jpg")
    _with_photo(empty, "Bertil Birkhahn", "../../sneaky\\name.jpg")
    browser = Browser(staff_site(empty)).as_(empty, CAST.desk)
    page = browser.get(f"/customers/{ada.customer_id}").text
    assert f'action="/customers/{ada.customer_id}/data"' in page
    answer = browser.post(f"/customers/{ada.customer_id}/data", {})
    with zipfile.ZipFile(io.BytesIO(answer.content)) as packed:
        names = packed.namelist()
        photo = f"photos/{ada.number}/1-Otto in the field.jpg"
        assert packed.read(photo) == b"the photo of Ada Aldermoor"
        said = b"\n".join(packed.read(name) for name in names if name.endswith(".csv")).decode()
    assert [name for name in names if name.startswith("photos/")] == [photo]
    assert "Ada Aldermoor" in said
    assert "ada@house.example" in said
    assert "Birkhahn" not in said
    assert "bertil" not in said
    assert browser.post("/customers/999/data", {}).status_code == 404
    assert browser.post("/history/export", {}).status_code == 403, "everything is the owner's"
    browser.as_(empty, CAST.owner)
    whole = browser.post("/history/export", {"with_photos": "1"})
    with zipfile.ZipFile(io.BytesIO(whole.content)) as packed:
        photos = [name for name in packed.namelist() if name.startswith("photos/")]
    assert len(photos) == 2
    assert all(".." not in name.split("/") and "\\" not in name for name in photos)
    assert not list(empty.folder.sheets.iterdir()), "nothing is left lying about"


def test_what_is_written_nobody_else_on_the_machine_may_read(empty, tmp_path):
    _with_photo(empty, "Ada Aldermoor", "Otto.jpg")
    place = tmp_path / "out"
    place.mkdir()
    place.chmod(0o755)
    before = os.umask(0o022)
    try:
        assert export_command.main(empty, place, with_photos=True) == 0
    finally:
        os.umask(before)
    files = [path for path in place.rglob("*") if path.is_file()]
    assert len(files) > 10
    assert not [path for path in files if path.stat().st_mode & 0o077]


def test_a_folder_with_something_in_it_is_left_alone(empty, tmp_path, capsys):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "mine.txt").write_text("mine")
    assert export_command.main(empty, tmp_path / "out", with_photos=True) == 64
    assert "not empty" in capsys.readouterr().err
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["mine.txt"]
