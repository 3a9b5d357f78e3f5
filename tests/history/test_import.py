"""Three years of an invented sheet brought in and taken back, in numbers that the sheet itself has."""

import csv
import io
import re
import sqlite3
from datetime import date

import numpy as np
import pytest
from sqlalchemy import select, text, update

from app.flow.actions import Wish, record
from app.flow.rules import Kind
from app.flow.steps import Of, Step
from app.flow.store import Ref
from app.history import actions, columns, import_command, rules, store, table
from app.leadtimes.log import FINISHED, OPEN, cases
from app.orders.forecast import record as stays
from app.orders.forecast import worker
from app.orders.forecast.figuring import figure
from app.owner.figures import Choice
from app.owner.known import Knowledge
from app.shared.calendar import DAY
from app.shared.errors import Refused
from app.tables import (
    animals,
    chances,
    customers,
    imports,
    models,
    news,
    orders,
    past_pieces,
    status_links,
)
from app.upkeep.audit import audit
from tests.history.sheets import BAD_KINDS, TODAY, sheet
from tests.making import CAST, NOW

TABLES = ("customers", "customer_mails", "animals", "marks", "orders", "order_animals", "models",
          "copies", "transitions", "forecasts", "chances", "status_links", "status_pages",
          "past_pieces", "letters", "news")  # fmt: skip


def counts(workshop):
    with workshop.database.reading() as db:
        return {t: db.execute(text(f"SELECT count(*) FROM {t}")).scalar_one() for t in TABLES}


def look(data, country="DE", today=TODAY):
    found = table.read(data)
    choices = columns.guess(found, country)
    assert columns.problems(choices, found) == []
    return found, choices, rules.read(found, choices, today)


def bring(workshop, data, **how):
    _, choices, reading = look(data)
    return actions.bring_in(workshop, reading, choices, "sheet.csv", CAST.owner, **how)


def test_every_bad_row_is_named_with_its_line_its_column_and_the_reason():
    made = sheet(5000, bad=40)
    assert len({kind for kind, _ in made.bad.values()}) == len(BAD_KINDS) >= 12
    _, _, reading = look(made.data)
    assert reading.bad_lines == set(made.bad)
    for fault in reading.faults:
        kind, column = made.bad[fault.line]
        assert fault.column == column, kind
        assert len(fault.why) > 15
    assert len(reading.pieces) == 4960


def test_the_bad_rows_come_back_as_a_sheet_of_their_own_that_can_be_mended_and_read():
    made = sheet(400, bad=40)
    found, choices, reading = look(made.data)
    mending = list(csv.DictReader(io.StringIO(rules.bad_rows(found, reading))))
    assert [int(row[columns.LINE_COLUMN]) for row in mending] == sorted(made.bad)
    for row in mending:
        kind, _ = made.bad[int(row[columns.LINE_COLUMN])]
        if kind == "a formula":
            assert row["Remarks"].startswith("'="), "no spreadsheet works it out"
        row.update({"Customer": "Ada Aldermoor", "Animal name": "Otto", "Email": "", "Size mm": "",
                    "Ordered": "1.2.2024", "Photos came": "", "Photos passed": "", "Packed": "",
                    "Sent": "1.3.2024", "Cancelled": "", "Remarks": ""})  # fmt: skip
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, list(mending[0]))
    writer.writeheader()
    writer.writerows(mending)
    again = table.read(out.getvalue().encode())
    guessed = columns.guess(again, "DE", [choices.as_json()])
    assert dict(guessed.columns) == dict(choices.columns), "as was said of the whole sheet"
    mended = rules.read(again, guessed, TODAY)
    assert (len(mended.pieces), mended.faults) == (40, [])


def test_nothing_comes_in_while_rows_are_bad_and_nobody_said_to_leave_them_out(empty):
    before = counts(empty)
    with pytest.raises(Refused, match="13 rows have something wrong"):
        bring(empty, sheet(400, bad=13).data)
    assert counts(empty) == before


def test_three_years_come_in_whole_with_customers_animals_marks_and_open_orders(empty):
    made = sheet(5000, bad=40)
    done = bring(empty, made.data, without_bad=True)
    assert (done.pieces, done.orders) == (made.finished + made.cancelled, made.open)
    assert done.left_out == 40
    with empty.database.reading() as db:
        past = db.execute(select(past_pieces)).all()
        assert sum(row.cancelled for row in past) == made.cancelled
        assert len({(r.customer_id) for r in past}) > 1000
        row = next(r for r in past if r.reference == "S00001")
        typed = made.rows[0]
        calendar = empty.in_force().calendar
        assert calendar.day_of(row.started_at) == date(2023, 3, 1)
        assert typed["Ordered"] == "01.03.2023"
        who = db.execute(select(customers.c.name).where(customers.c.id == row.customer_id)).scalar()
        assert who == typed["Customer"]
        beast = db.execute(select(animals).where(animals.c.id == row.animal_id)).one()
        assert (beast.name, beast.kind) == (typed["Animal name"], typed["Kind"])
        sides = db.execute(
            text("SELECT what, side FROM marks WHERE animal_id = :id"), {"id": beast.id}
        )
        assert {tuple(r) for r in sides} >= {
            ("white blaze", "not_asked"),
            ("left hind sock", "left"),
        }
        assert row.steps == "{}", "what the sheet does not say is not known, never nought"
        assert db.execute(select(news.c.id)).first() is None, "no letter, ever"
        assert db.execute(select(status_links.c.id)).first() is None, "no page unless asked for"
        numbers = db.execute(select(orders.c.imported, orders.c.shop_reference)).all()
        assert {imported for imported, _ in numbers} == {1}
    assert audit(empty.folder, NOW).ok


def test_only_a_start_and_an_end_is_enough_and_unknown_steps_stay_unknown(empty):
    data = b"Customer,Animal,Ordered,Sent\nAda Aldermoor,Otto,2024-02-01,2024-03-12\n"
    bring(empty, data)
    with empty.database.reading() as db:
        log = stays.read(db).log
    assert log.blurred is not None
    assert log.blurred.all()
    assert log.piece.tolist() == [-1]
    found = cases(log)
    assert (found.ended - found.started).tolist() == [40 * DAY]
    assert found.outcome.tolist() == [FINISHED]


def test_days_of_steps_that_are_known_are_those_of_the_sheet(empty):
    data = (b"Customer,Animal,Ordered,Photos passed,Packed,Sent\n"
            b"Ada Aldermoor,Otto,2024-02-01,2024-02-11,,2024-03-12\n")  # fmt: skip
    bring(empty, data)
    with empty.database.reading() as db:
        log = stays.read(db).log
    steps = [log.steps[code] for code in log.step]
    assert steps == [Step.PHOTOS_WANTED, Step.FINISHING]
    assert ((log.left - log.entered) / DAY).tolist() == [10, 30]


def test_an_open_order_stands_where_the_sheet_says_and_is_watched_from_today_on(empty):
    data = (b"Customer,Animal,Ordered,Status,Since,Sent\n"
            b"Ada Aldermoor,Otto,2026-01-05,Painting,2026-02-20,\n"
            b"Ada Aldermoor,Puck,2026-01-05,Photos wanted,2026-01-05,\n")  # fmt: skip
    done = bring(empty, data)
    assert (done.pieces, done.orders) == (0, 1), "rows of one customer and day are one order"
    with empty.database.reading() as db:
        order = db.execute(select(orders)).one()
        assert (order.imported, order.recorded_at) == (1, NOW)
        assert empty.in_force().calendar.day_of(order.taken_at) == date(2026, 1, 5)
        log = stays.read(db).log
    found = cases(log)
    assert set(found.outcome.tolist()) == {OPEN}
    assert np.nanmin(log.watched_from) == NOW, "delayed entry: known from the day it was written"
    assert audit(empty.folder, NOW).ok


def test_what_is_here_already_is_shown_and_left_out_unless_it_is_wanted_twice(empty):
    made = sheet(200, open_=4)
    first = bring(empty, made.data)
    _, choices, reading = look(made.data)
    planned = actions.plan(empty, reading)
    assert len(planned.doubles) == 200
    assert {double.where for double in planned.doubles} == {"here already"}
    with pytest.raises(Refused, match="nothing in this sheet"):
        actions.bring_in(empty, reading, choices, "sheet.csv", CAST.owner)
    again = actions.bring_in(empty, reading, choices, "x.csv", CAST.owner, with_doubles=True)
    assert (again.pieces, again.orders) == (first.pieces, first.orders)


def test_rows_that_say_the_same_word_for_word_are_shown_as_doubles():
    row = "Ada Aldermoor,Otto,2024-02-01,2024-03-12\n"
    _, _, reading = look(f"Customer,Animal,Ordered,Sent\n{row}{row}".encode())
    assert reading.repeats == {3: 2}


def test_a_row_may_be_an_order_of_several_animals_or_count_copies():
    data = (
        b'Customer,Animals,Ordered,Sent\nAda Aldermoor,"Otto, Puck & Rosa",2024-02-01,2024-03-12\n'
    )
    _, choices, reading = look(data)
    assert choices.row_is is columns.RowIs.ORDER
    assert [piece.animal for piece in reading.pieces] == ["Otto", "Puck", "Rosa"]
    data = b"Customer,Animal,Quantity,Ordered,Sent\nAda Aldermoor,Otto,3,2024-02-01,2024-03-12\n"
    _, choices, reading = look(data)
    assert choices.row_is is columns.RowIs.ANIMAL
    assert [piece.many for piece in reading.pieces] == [3]


def test_an_import_is_taken_back_whole_in_one_act(empty):
    before = counts(empty)
    done = bring(empty, sheet(5000, bad=40).data, without_bad=True, with_pages=True)
    assert counts(empty) != before
    actions.take_back(empty, done.id, CAST.owner)
    assert counts(empty) == before
    with empty.database.reading() as db:
        assert db.execute(select(imports.c.taken_back_at)).scalar_one() == NOW
        assert store.choices_before(db), "how the sheet was read is still remembered"
    with pytest.raises(Refused, match="already"):
        actions.take_back(empty, done.id, CAST.owner)
    assert audit(empty.folder, NOW).ok


def test_the_programs_own_reckoning_does_not_keep_it_from_being_taken_back(empty):
    data = (b"Customer,Animal,Ordered,Status,Since,Needed by,Sent\n"
            b"Ada Aldermoor,Otto,2026-01-05,Painting,2026-02-20,2026-05-05,\n")  # fmt: skip
    before = counts(empty)
    done = bring(empty, data)
    worker.compute(empty, figure)
    with empty.database.reading() as db:
        assert db.execute(select(chances.c.order_id)).all(), "its chance of that day is kept"
    actions.take_back(empty, done.id, CAST.owner)
    assert counts(empty) == before


def test_a_day_beside_a_moment_of_the_same_day_keeps_the_order_of_the_way(empty):
    data = (b"Customer,Animal,Ordered,Photos came,Photos passed,Packed,Sent\n"
            b"Ada Aldermoor,Otto,2024-02-01T18:00:00Z,2024-02-01,2024-02-09T08:00:00Z,2024-02-20,"
            b"2024-02-20T07:00:00Z\n")  # fmt: skip
    bring(empty, data)
    with empty.database.reading() as db:
        log = stays.read(db).log
    assert [log.steps[code] for code in log.step] == [
        Step.PHOTOS_WANTED, Step.PHOTOS_IN, Step.FINISHING, Step.PACKING,
    ]  # fmt: skip
    assert (log.left >= log.entered).all()
    assert log.entered[0] == cases(log).started[0]


def _move(workshop, made):
    with workshop.database.reading() as db:
        model = db.execute(select(models.c.id)).scalars().first()
    record(
        workshop.database,
        [Wish(Ref(Of.MODEL, model), Kind.START, "start")],
        CAST.finisher,
        NOW,
        None,
    )


def _edit(workshop, made):
    from app.flow.changes import change_in

    with workshop.database.writing() as db:
        change_in(db, animals, 1, None, {"breed": "Shire"}, CAST.desk, NOW)


def _order_again(workshop, made):
    from tests.making import make_order

    other = make_order(workshop.database, CAST.desk, NOW)
    with workshop.database.writing() as db:
        db.execute(update(orders).where(orders.c.id == other.id).values(customer_id=1))


@pytest.mark.parametrize("build", [_move, _edit, _order_again])
def test_once_something_was_built_on_it_it_stays(empty, build):
    done = bring(empty, sheet(60, open_=3).data)
    build(empty, done)
    before = counts(empty)
    with pytest.raises(Refused, match="cannot be taken back any more"):
        actions.take_back(empty, done.id, CAST.owner)
    assert counts(empty) == before


def test_the_lead_times_count_what_came_in_and_say_how_much_of_it(empty):
    made = sheet(5000, bad=40)
    known = Knowledge(empty)
    assert known.figures(known.look(), Choice(24)).finished == 0
    done = bring(empty, made.data, without_bad=True)
    found = known.figures(known.look(), Choice(24))
    assert found.finished == found.imported > 1000
    assert found.where is None, "what their days went into is not known"
    assert found.working is None
    assert found.flow is not None
    # By hand, of one month: what left in May 2025 by the sheet's own days, half of it and 85 in 100.
    wanted = date(2025, 5, 1)
    days = sorted(
        (sent - ordered).days
        for line, row in enumerate(made.rows, start=2)
        if line not in made.bad and row["Sent"].endswith("May 2025")
        for sent, ordered in [(_english(row["Sent"]), _english(row["Ordered"]))]
    )
    month = next(m for m in found.finishing if m.start == wanted)
    assert np.round(month.days).astype(int).tolist() == days, "an hour of summer time apart"
    assert round(month.median) == days[-(-len(days) // 2) - 1]
    actions.take_back(empty, done.id, CAST.owner)
    assert known.figures(known.look(), Choice(24)).finished == 0


def _english(cell):
    from datetime import datetime

    return datetime.strptime(cell, "%d %B %Y").date()


# ------------------------------------------------------------------ at the prompt


def command(workshop, path, **how):
    asked = {"dry_run": False, "map_file": None, "sheet": "", "without_bad": False,
             "with_doubles": False, "with_pages": False} | how  # fmt: skip
    return import_command.main(workshop, import_command.ImportAsked(path, **asked))


def test_at_the_prompt_a_dry_run_changes_nothing_and_a_map_is_made(empty, tmp_path, capsys):
    path, mapped = tmp_path / "old.csv", tmp_path / "map.json"
    path.write_bytes(sheet(400, bad=13).data)
    before = counts(empty)
    assert command(empty, path, dry_run=True, map_file=mapped) == 65
    said = capsys.readouterr()
    assert "13 of 400 rows will not do" in said.out
    assert "Customer → Customer’s name" in said.out
    assert "Nothing was brought in" in said.out
    assert (tmp_path / "old-to-mend.csv").exists()
    assert counts(empty) == before
    assert command(empty, path, map_file=mapped) == 65
    assert counts(empty) == before
    assert command(empty, path, map_file=mapped, without_bad=True) == 0
    assert "347 finished pieces, 40 open orders, 13 rows left out" in capsys.readouterr().out
    assert (tmp_path / "old-to-mend-3.csv").exists(), "nothing is overwritten"


def test_days_that_nobody_can_tell_are_asked_about_and_a_map_answers(empty, tmp_path, capsys):
    path, mapped = tmp_path / "old.csv", tmp_path / "map.json"
    path.write_text("Customer,Animal,Ordered,Sent\nAda Aldermoor,Otto,2/1/2024,3/2/2024\n")
    assert command(empty, path, dry_run=True, map_file=mapped) == 65
    assert "say whether the day or the month comes first" in capsys.readouterr().err
    kept = mapped.read_text().replace(
        '"orders": {}', '"orders": {"Ordered": "day_first", "Sent": "day_first"}'
    )
    mapped.write_text(kept)
    assert command(empty, path, map_file=mapped) == 0
    with empty.database.reading() as db:
        row = db.execute(select(past_pieces)).one()
    assert (row.ended_at - row.started_at) / DAY == 31 + 1 - 1 + 1, "2 January to 3 February"


@pytest.mark.parametrize(
    "kept", ["[]", "{", '{"columns": {"Ordered": "nonsense"}}', '{"row_is": 7}']
)
def test_a_map_that_is_none_is_wrong_usage(empty, tmp_path, capsys, kept):
    path, mapped = tmp_path / "old.csv", tmp_path / "map.json"
    path.write_bytes(sheet(60).data)
    mapped.write_text(kept)
    assert command(empty, path, map_file=mapped) == 64
    assert "map.json" in capsys.readouterr().err
    assert command(empty, path, map_file=tmp_path / "none.json") == 64
    assert command(empty, tmp_path / "nothing.csv") == 64


def test_what_came_in_can_be_read_by_any_sqlite(empty):
    """The independent look: nothing of this program's own between the file and the count."""
    made = sheet(5000, bad=40)
    bring(empty, made.data, without_bad=True)
    raw = sqlite3.connect(empty.folder.database_file)
    try:
        done, gone, same = raw.execute(
            "SELECT sum(1 - cancelled), sum(cancelled), count(DISTINCT line) FROM past_pieces"
        ).fetchone()
    finally:
        raw.close()
    assert (done, gone, same) == (made.finished, made.cancelled, made.finished + made.cancelled)


def test_a_customers_page_shows_what_came_with_the_sheet(empty):
    from app.main import staff_site
    from tests.staff.browser import Browser
    from tests.whole_site import words

    bring(
        empty,
        b"Customer,Animal,Order no,Ordered,Sent\nAda Aldermoor,Otto,S17,2024-02-01,2024-03-12\n",
    )
    page = Browser(staff_site(empty)).as_(empty, CAST.desk).get("/customers/1")
    said = words(page)
    assert "Imported, from before" in said
    assert re.search(r"1 Feb 2024\s*Otto\s*, order S17:\s*sent .*12 Mar 2024", said)
