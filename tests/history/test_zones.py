"""Days are the studio's, wherever it is: late in the evening it may be tomorrow by UTC, and in the
far east noon is yesterday.
"""

import csv
from datetime import UTC, datetime

import pytest
from sqlalchemy import select

from app.history import actions, columns, table
from app.history.export import IntoFolder, hand_out
from app.studio import store as studio
from app.tables import past_pieces
from tests.making import CAST, make_order

EVENING = int(datetime(2026, 3, 4, 1, 30, tzinfo=UTC).timestamp())  # the 3rd, 19:30, in Chicago


def in_zone(workshop, zone):
    with workshop.database.writing() as db:
        studio.save(db, {"zone": zone}, studio.load(db), None, workshop.now())
    workshop.forget()
    return workshop


def look(workshop, data):
    found = table.read(data)
    choices = columns.guess(found, "")
    return choices, actions.read_sheet(workshop, found, choices)


def test_what_happened_this_evening_is_not_of_tomorrow(empty, tmp_path):
    shop = in_zone(empty, "America/Chicago")
    shop.moment = EVENING + 600
    make_order(shop.database, CAST.desk, EVENING)
    list(hand_out(shop, IntoFolder(tmp_path / "out")))
    _, reading = look(shop, (tmp_path / "out" / "pieces.csv").read_bytes())
    assert reading.faults == []
    assert [piece.ordered.day.isoformat() for piece in reading.pieces] == ["2026-03-03"]
    assert [double.where for double in actions.plan(shop, reading).doubles] == ["here already"]


@pytest.mark.parametrize("zone", ["Pacific/Auckland", "Pacific/Kiritimati", "Pacific/Honolulu"])
def test_a_day_goes_out_as_the_day_that_came_in(empty, tmp_path, zone):
    shop = in_zone(empty, zone)
    data = b"Customer,Animal,Ordered,Sent\nAda Aldermoor,Otto,2024-01-05,2024-02-12\n"
    choices, reading = look(shop, data)
    actions.bring_in(shop, reading, choices, "sheet.csv", CAST.owner)
    list(hand_out(shop, IntoFolder(tmp_path / "out")))
    text = (tmp_path / "out" / "pieces.csv").read_text(encoding="utf-8-sig")
    [row] = csv.DictReader(text.splitlines())
    assert (row["Day ordered"], row["Day sent"]) == ("2024-01-05", "2024-02-12")
    with shop.database.reading() as db:
        assert db.execute(select(past_pieces.c.by_day)).scalar_one() == 1
