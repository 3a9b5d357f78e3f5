"""The owner's page: its figures counted again from the tables alone, and what it says of them."""

import json
import re
import shutil
import sqlite3
from collections import Counter
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import text

from app.flow.steps import Step
from app.orders.forecast import figuring, worker
from app.orders.lists import store as lists
from app.owner import lead_times
from app.owner.today import page as house
from app.owner.today import rules as house_rules
from app.owner.today import store
from app.owner.today.rules import AtAStep, InAndOut
from app.shared.calendar import Calendar
from app.shared.places import DataFolder
from app.shared.web.words import short_day
from app.upkeep import in_order
from app.upkeep.nightly import backups_folder
from tests.demo.invented import A_TUESDAY
from tests.owner.test_page import page_of, plain
from tests.staff.browser import ClockedWorkshop

DAY = 86_400
LONDON = ZoneInfo("Europe/London")


@pytest.fixture(scope="module")
def known(invented: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[ClockedWorkshop]:
    """The invented studio with its forecasts worked out, once for the tests that only look."""
    folder = DataFolder(tmp_path_factory.mktemp("house"))
    folder.prepare()
    shutil.copyfile(invented / "studio.db", folder.database_file)
    workshop = ClockedWorkshop(folder)
    workshop.moment = A_TUESDAY
    worker.compute(workshop, figuring.figure)
    yield workshop
    workshop.close()


def table(workshop: ClockedWorkshop, name: str) -> list[dict[str, Any]]:
    raw = sqlite3.connect(workshop.folder.database_file)
    raw.row_factory = sqlite3.Row
    try:
        return [dict(row) for row in raw.execute(f"SELECT * FROM {name}")]
    finally:
        raw.close()


# ------------------------------------------- six figures from the tables alone, by loops


class Recounted:
    """The tables read whole, and everything else in plain Python."""

    def __init__(self, workshop: ClockedWorkshop) -> None:
        self.now, self.since = A_TUESDAY, A_TUESDAY - 28 * DAY
        self.today = datetime.fromtimestamp(self.now, LONDON).date()
        names = ("orders", "copies", "models", "transitions", "tellings", "forecasts", "letters",
                 "aftercare_copies", "questions")  # fmt: skip
        self.t = {name: table(workshop, name) for name in names}
        self.order = {row["id"]: row for row in self.t["orders"]}
        cases = {row["made_id"] for row in self.t["aftercare_copies"] if row["made_id"]}
        while more := {
            c["id"] for c in self.t["copies"] if c["replaces_id"] in cases
        } - cases:  # fmt: skip
            cases |= more
        self.own = [c for c in self.t["copies"] if not c["withdrawn"] and c["id"] not in cases]
        amended = {e["about_id"]: e for e in self.t["transitions"] if e["about_id"]}
        self.moves = []
        for entry in self.t["transitions"]:
            if entry["kind"] != "move":
                continue
            by = amended.get(entry["id"])
            if by and (by["kind"] == "undo" or by["to_step"] is None):
                continue
            right = by or entry
            self.moves.append((entry, right["to_step"], right["happened_at"]))

    def past(self) -> set[int]:
        last: dict[int, dict[str, Any]] = {}
        for telling in self.t["tellings"]:
            before = last.get(telling["order_id"])
            if before is None or (telling["at"], telling["id"]) > (before["at"], before["id"]):
                last[telling["order_id"]] = telling
        here = {c["order_id"] for c in self.t["copies"] if c["open"] and c["step"] != "handed_over"}
        return {
            self.order[order]["number"]
            for order, telling in last.items()
            if order in here and self.order[order]["open"] and telling["to_day"]
            and date.fromisoformat(telling["to_day"]) < self.today
        }  # fmt: skip

    def flow(self) -> tuple[int, int, int]:
        passed = {m["id"]: m["passed_at"] for m in self.t["models"]}
        ordered = accepted = 0
        for copy in self.own:
            order = self.order[copy["order_id"]]
            if copy["replaces_id"] or order["imported"]:
                continue
            ordered += self.since <= order["taken_at"] <= self.now
            at = copy["passed_at"] or passed[copy["model_id"]]
            accepted += at is not None and self.since <= max(at, order["taken_at"]) <= self.now
        mine = {copy["id"] for copy in self.own}
        left = {
            entry["copy_id"]
            for entry, to, at in self.moves
            if to == "handed_over" and self.since <= at <= self.now and entry["copy_id"] in mine
        }
        return ordered, accepted, len(left)

    def weeks(self, step: str) -> float:
        pieces = [*self.t["models"], *(c for c in self.t["copies"] if not c["withdrawn"])]
        here = sum(p["open"] and p["step"] == step and not p["hold_whose"] for p in pieces)
        through = Counter(
            e["from_step"] for e, to, at in self.moves if at >= self.since and e["from_step"] != to
        )
        return here / (through[step] / 4)


def test_six_figures_of_the_page_are_those_of_the_tables(known: ClockedWorkshop) -> None:
    page, counted = house.page(known, ()), Recounted(known)
    assert {row["number"] for row in page["past"]} == counted.past()
    flow = page["flow"]
    assert (flow.ordered, flow.accepted, flow.left) == counted.flow()
    assert min(counted.flow()) > 10, "a studio at work"
    for line in page["lines"]:
        if line.weeks is not None:
            assert line.weeks == pytest.approx(counted.weeks(str(line.step)))
    longest = max(
        (line for line in page["lines"] if line.weeks), key=lambda line: counted.weeks(line.step)
    )
    assert f"longest line is at {longest.name}" in page["line_words"]
    asked = [q for q in counted.t["questions"] if q["answered_at"] is None]
    asked = [q for q in asked if counted.order[q["order_id"]]["open"]]
    assert page["customers"].questions == sum(q["round"] is None or q["asked"] != "" for q in asked)
    wanted = [m for m in counted.t["models"] if m["open"] and m["step"] == "photos_wanted"]
    assert page["customers"].photos == sum(not m["hold_whose"] and not m["told_at"] for m in wanted)


def test_who_is_at_risk_is_what_the_stored_points_say(known: ClockedWorkshop) -> None:
    """Chances read off the stored points by numpy's own interpolation, day by day of leaving: no
    carrier's days are known in this studio, so a parcel takes a night, and leaves on a workday."""
    import numpy as np

    counted = Recounted(known)
    shares = [0, 0.05, 0.10, 0.25, 0.50, 0.75, 0.85, 0.90, 0.95]
    sure, risky = set(), set()
    calendar = known.in_force().calendar
    waiting = {"photos_wanted", "photos_in", "building", "assessing"}
    for row in counted.t["forecasts"]:
        order, points = counted.order[row["order_id"]], json.loads(row["points"])
        early = [m for m in counted.t["models"] if m["order_id"] == order["id"]]
        if not (order["open"] and order["needed_by"] and points):
            continue
        if any(m["step"] in waiting for m in early) or known.in_force().journey(
            order["ship_country"]
        ):
            continue
        last = date.fromisoformat(order["needed_by"]) - timedelta(days=1)
        while not calendar.is_working_day(last):
            last -= timedelta(days=1)
        left = (calendar.start_of(last + timedelta(days=1)) - A_TUESDAY) / DAY
        at = np.interp(left, [0, *points.values()], shares)
        (risky if at < 0.85 else sure).add(order["number"])
    shown = {one.row["number"] for one in house.page(known, ())["risk"]}
    assert risky <= shown
    assert not sure & shown
    assert risky or sure or shown


def test_a_chance_that_fell_is_said_with_its_day(workshop: ClockedWorkshop) -> None:
    page = house.page
    worker.compute(workshop, figuring.figure)
    kept = table(workshop, "chances")
    assert {row["day"] for row in kept} == {"2026-11-24"}
    assert {row["order_id"]: row["thousandths"] for row in kept} == {
        order: round(1000 * chance) for order, chance in workshop.chances().items()
    }
    worker.compute(workshop, figuring.figure)
    assert len(table(workshop, "chances")) == len(kept), "the first of a day is kept"
    order = min(workshop.chances(), key=workshop.chances().__getitem__)
    with workshop.database.writing() as db:
        db.execute(
            text("UPDATE chances SET day = '2026-11-16', thousandths = 900 WHERE order_id = :o"),
            {"o": order},
        )
    (fallen,) = [one for one in page(workshop, ())["risk"] if one.row["id"] == order]
    # From nine in ten on no number is named.
    assert (fallen.before, fallen.day) == ("very likely", "2026-11-16")
    with workshop.database.writing() as db:
        db.execute(text("UPDATE chances SET thousandths = 840 WHERE order_id = :o"), {"o": order})
    fallen = next(one for one in page(workshop, ())["risk"] if one.row["id"] == order)
    assert fallen.before == "about 8 in 10"
    with workshop.database.writing() as db:
        db.execute(text("UPDATE orders SET needed_by = '2027-03-01' WHERE id = :o"), {"o": order})
    fallen = next(one for one in page(workshop, ())["risk"] if one.row["id"] == order)
    assert fallen.before == "", "another day is another chance"


def test_a_needed_day_that_has_passed_is_no_chance_any_more(workshop: ClockedWorkshop) -> None:
    worker.compute(workshop, figuring.figure)
    order = min(workshop.chances(), key=workshop.chances().__getitem__)
    with workshop.database.writing() as db:
        db.execute(text("UPDATE orders SET needed_by = '2026-11-20' WHERE id = :o"), {"o": order})
    shown = plain(page_of(workshop, "/owner"))
    assert "needed by Fri 20 Nov, and still here" in shown
    assert "by Fri 20 Nov" not in shown.replace("needed by Fri 20 Nov, and still here", "")


def test_what_was_said_four_weeks_before_is_held_against_the_leaving(
    workshop: ClockedWorkshop,
) -> None:
    """Needed on the very day on which it left, an order was late, for a parcel takes a night where
    no carrier's days are known; needed nine days later, it was in time."""
    with workshop.database.writing() as db:
        row = db.execute(
            text(
                "SELECT c.order_id, max(t.happened_at) AS at FROM transitions t"
                " JOIN copies c ON c.id = t.copy_id JOIN orders o ON o.id = c.order_id"
                " WHERE t.to_step = 'handed_over' AND o.ship_country = 'GB' GROUP BY c.order_id"
                " HAVING NOT EXISTS (SELECT 1 FROM copies k WHERE k.order_id = c.order_id"
                " AND k.open = 1) AND at < :now ORDER BY at DESC LIMIT 1"
            ),
            {"now": A_TUESDAY - 10 * DAY},
        ).one()
        left = datetime.fromtimestamp(row.at, LONDON).date()
        db.execute(text("DELETE FROM chances"))
        for days, needed in ((9, left), (9, left + timedelta(days=9))):
            db.execute(
                text("UPDATE orders SET needed_by = :n WHERE id = :o"),
                {"n": needed.isoformat(), "o": row.order_id},
            )
            db.execute(
                text("INSERT INTO chances (order_id, day, needed_by, thousandths)"
                     " VALUES (:o, :d, :n, 700)"),
                {"o": row.order_id, "d": (needed - timedelta(days=28 + days)).isoformat(),
                 "n": needed.isoformat()},
            )  # fmt: skip
            found = store.said_of_needed(db, "2026-11-24")
            mine = lead_times._in_time(found, workshop.in_force())
            assert mine == [(0.7, needed > left)]


def test_all_are_counted_however_few_a_page_of_the_list_of_orders_holds(
    known: ClockedWorkshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    counted, chances = Recounted(known), dict.fromkeys(known.chances(), 0.5)
    monkeypatch.setattr(known, "_chances", chances)
    whole = house.page(known, ())
    monkeypatch.setattr(lists, "PAGE", 0)
    page = house.page(known, ())
    assert {row["number"] for row in page["past"]} == counted.past()
    assert [one.row["id"] for one in page["risk"]] == [one.row["id"] for one in whole["risk"]]
    assert len(page["risk"]) > 1


# ---------------------------------------------------------------- sentences


@pytest.mark.parametrize(
    ("flow", "said"),
    [
        (InAndOut(0, 0, 0), "nothing was ordered"),
        (InAndOut(10, 8, 8), "As many left as came into work."),
        (InAndOut(48, 41, 36), "So five pieces more came into work than left, which may be chance."),
        (InAndOut(90, 80, 40), "40 pieces more came into work than left: we fall behind by about 10 a week."),
        (InAndOut(20, 20, 60), "40 pieces more left than came into work: we catch up by about 10 a week."),
    ],
)  # fmt: skip
def test_whether_the_house_falls_behind(flow: InAndOut, said: str) -> None:
    """Two Poisson counts differ by chance by up to 1.96 √(a + b): √77 × 1.96 = 17 beyond 5,
    √120 × 1.96 = 21.5 within 40."""
    assert said in house_rules.flow_words(flow)


def test_until_when_photos_must_pass_for_a_day() -> None:
    """By hand: to leave by Monday 21 December, with half done in 20.5 days and 85 in 100 in 35: 21.5
    days before that day's end is 1 December, 35 days before it 17 November."""
    points = (5, 8, 15, 20.5, 30, 35, 40, 50)
    calendar = Calendar(LONDON)
    found = house_rules.last_to_pass(points, date(2026, 12, 21), calendar)
    assert found == {50: date(2026, 12, 1), 85: date(2026, 11, 17)}
    eve = date(2026, 12, 24)
    said = {
        day: house_rules.last_to_pass_words(found, eve, day)
        for day in (date(2026, 11, 10), date(2026, 11, 24), date(2026, 12, 2))
    }
    first, middle, last = said.values()
    assert "by 1 December for an even chance, and by 17 November for 85 in 100" in first
    assert "for 85 in 100 it is too late" in middle
    assert "too late for new photos" in last


def test_weeks_of_work_leave_out_what_is_on_hold_and_say_nothing_of_too_few() -> None:
    """Little's law turned round: 10 pieces at 4 a week are 2.5 weeks of work."""
    found = house_rules.lines(
        {"painting": AtAStep(12, 1, 2, 16), "shaping": AtAStep(5, 0, 0, 3)}, blank_on=True
    )
    painting = next(line for line in found if line.step is Step.PAINTING)
    assert (painting.here, painting.weeks) == (10, 2.5)
    assert next(line for line in found if line.step is Step.SHAPING).weeks is None
    assert "Painting: ten pieces, 2.5 weeks of work" in house_rules.line_words(found)
    assert Step.BLANK not in {line.step for line in house_rules.lines({}, blank_on=False)}


def test_the_page_says_all_of_it_in_words(known: ClockedWorkshop) -> None:
    shown = plain(page_of(known, "/owner"))
    for head in ("Past the day last told", "At risk", "Do we fall behind?", "What to say today",
                 "What waits for customers", "Is the workshop in order?"):  # fmt: skip
        assert head in shown
    assert re.search(r"weeks from the day the photos pass", shown)
    assert "GB are free on the disk" in shown


def test_an_empty_house_is_told_as_one(empty: ClockedWorkshop) -> None:
    shown = plain(page_of(empty, "/owner"))
    assert "No step has had enough pieces through it lately" in shown
    assert "Chances are not worked out yet" in shown
    # A backup that is due is made at once, by night or by day.
    assert "There is no backup yet" in shown or "first backup will be made in a minute" in shown


def test_a_full_disk_and_a_missing_backup_are_said(
    empty: ClockedWorkshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = shutil.disk_usage(empty.folder.path)
    monkeypatch.setattr(in_order.shutil, "disk_usage", lambda _: usage._replace(free=10**8))
    (said,) = in_order.disk(empty)
    assert not said.good
    assert "Only 0.1 GB are free" in said.text


def test_a_backup_made_by_day_is_not_called_one_of_last_night(empty: ClockedWorkshop) -> None:
    """One that was missed overnight is made as soon as the program runs."""
    empty.moment = int(datetime(2026, 3, 4, 16, tzinfo=LONDON).timestamp())
    place = backups_folder(empty)
    place.mkdir(parents=True)
    (place / "likewright-20260304T130500Z.db").touch()
    (said,) = in_order.backups(empty)
    assert said.text == "The last backup was made and checked today, 13:05."


def test_who_was_told_no_new_days_is_not_said_to_have_heard_nothing(
    workshop: ClockedWorkshop,
) -> None:
    """A page that no longer shows its end has told its customer that it takes longer."""
    worker.compute(workshop, figuring.figure)
    one = next(late for late in house.page(workshop, ())["moved"] if late.named and late.to_day)
    with workshop.database.writing() as db:
        db.execute(
            text("INSERT INTO tellings (order_id, at, channel, write_by, basis, steps_seen)"
                 " SELECT t.order_id, :now, 'page', '2026-12-01', t.basis, t.steps_seen"
                 " FROM tellings t JOIN orders o ON o.id = t.order_id WHERE o.number = :n LIMIT 1"),
            {"now": A_TUESDAY - 60, "n": one.number},
        )  # fmt: skip
    said = plain(page_of(workshop, "/owner"))
    line = said.split(f"{one.number} {one.customer}: ")[1]
    told, now = (short_day(day, date(2026, 11, 24)) for day in (one.told_end, one.to_day))
    assert line.startswith(f"told {told}, which their page no longer shows; now up to {now}")
    assert "Nobody has told them yet" not in said


def test_the_last_day_for_photos_by_size(workshop: ClockedWorkshop) -> None:
    """Recounted without the curve's own code: with everybody gone it is the sorted days themselves;
    here the open ones are few, so the median lies between those of the two extremes."""
    worker.compute(workshop, figuring.figure)
    shown = plain(page_of(workshop, "/owner?by=2027-03-20"))
    assert "To be there by 20 March 2027, photos must pass by" in shown
    found = house.page(workshop, (), "2027-03-20")["by"]
    assert found.sizes
    with workshop.database.reading() as db:
        rows = db.execute(text(
            "SELECT c.size_mm, max(m.passed_at, o.taken_at) AS passed, c.step,"
            " (SELECT max(happened_at) FROM transitions t WHERE t.copy_id = c.id"
            "  AND t.to_step = 'handed_over') AS gone"
            " FROM copies c JOIN models m ON m.id = c.model_id JOIN orders o ON o.id = c.order_id"
            " WHERE c.withdrawn = 0 AND c.step <> 'replaced' AND o.imported = 0"
        )).all()  # fmt: skip
    for one in found.sizes:
        days = sorted(
            (r.gone - r.passed) / 86_400 for r in rows if r.size_mm == one.size and r.gone
        )
        assert one.left == pytest.approx(len(days), abs=3), (
            "all but what a case or an undo took out"
        )
        assert one.sure <= one.even, "to be surer it must pass sooner"
        until = (date(2027, 3, 19) - one.even).days + 1
        assert days[len(days) // 4] - 1 <= until <= days[3 * len(days) // 4] + 8
    for strange in ("", "tomorrow", "0001-01-01", "9999-12-31", "2026-02-30"):
        assert house.page(workshop, (), strange)["by"] is None
