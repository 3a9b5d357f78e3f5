"""Rework: yields, findings sorted, and what they cost, against worked values and the log itself."""

import re
import sqlite3
from collections import defaultdict
from datetime import datetime
from math import ceil, floor
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from statsmodels.stats.proportion import proportion_confint

from app.flow.rules import Entry, Kind, TimeIs
from app.flow.steps import MoveKey, Step
from app.main import staff_site
from app.owner import rework, rework_page
from app.owner.figures import WilsonShare
from app.owner.rework import FirstPass, Lost
from app.shared.calendar import Calendar
from tests.demo.invented import A_TUESDAY
from tests.making import CAST
from tests.owner.test_page import page_of
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import words

LONDON = ZoneInfo("Europe/London")
CALENDAR = Calendar(LONDON)
MONDAY = int(datetime(2026, 3, 2, 9, tzinfo=LONDON).timestamp())
HOUR = 3600


# ---------------------------------------------------------------- worked values


def shares(*pairs: tuple[int, int]) -> list[FirstPass]:
    return [FirstPass(step, WilsonShare(*pair)) for step, pair in zip(Step, pairs, strict=False)]


def test_yields_and_their_product_are_as_worked_by_hand() -> None:
    """Six Sigma texts (ISO 13053-2 has the terms): first-pass yield 17/20 = 0.85; rolled
    throughput yield 0.95 × 0.84 × 0.88 = 0.70224 and 0.80 × 0.95 × 0.92 × 0.85 × 0.98 = 0.58243."""
    assert rework.rolled(shares((17, 20))) == pytest.approx(0.85)
    three = shares((95, 100), (84, 100), (88, 100))
    assert rework.rolled(three) == pytest.approx(0.70224, abs=1e-9)
    five = shares((80, 100), (95, 100), (92, 100), (85, 100), (98, 100))
    assert rework.rolled(five) == pytest.approx(0.58243, abs=5e-6)
    assert rework.rolled(shares((95, 100), (19, 19))) is None, "too few pieces for a rate"
    assert rework.rolled([]) is None


def test_findings_are_sorted_and_added_up_as_in_paretos_example() -> None:
    """Juran's way of sorting by frequency: 20, 12, 8, 6, 4 add up to 40, 64, 80, 92, 100 %."""
    rows = rework.pareto({"c": 8, "e": 4, "a": 20, "d": 6, "b": 12})
    assert [row.label for row in rows] == list("abcde")
    assert [round(100 * row.cumulated) for row in rows] == [40, 64, 80, 92, 100]
    assert [row.label for row in rework.pareto({"z": 1, "y": 1})] == ["y", "z"]
    assert rework.pareto({}) == []


def test_the_cost_of_what_failed_inside_and_outside_adds_up() -> None:
    """Cost of poor quality as quality texts split it: 15 reworks of 3 h at 30 = 1350, 3 remakes at
    220 = 660, 2 sendings at 245 = 490: 2500, which is 8.33 % of 100 pieces at 300."""
    cost = Lost(hours=15 * 3, pieces=3, sendings=2).cost(30, 220, 245)
    assert cost == 1350 + 660 + 490 == 2500
    assert round(100 * cost / (100 * 300), 2) == 8.33


@pytest.mark.parametrize(("hits", "n"), [(0, 20), (17, 20), (20, 20), (855, 1000), (84, 100)])
def test_the_interval_is_wilsons(hits: int, n: int) -> None:
    low, high = proportion_confint(hits, n, method="wilson")
    share, below, above = WilsonShare(hits, n).in_100()
    assert share == round(100 * hits / n)
    assert (below, above) == (floor(100 * low + 1e-9), ceil(100 * high - 1e-9)), "rounded outward"


# ---------------------------------------------------------------- one piece, by hand


def log_of(*said: tuple[int, Kind, str, Step | None]) -> list[Entry]:
    """Entries at so many hours after Monday, nine o'clock."""
    return [
        Entry(
            id=n, seq=n, kind=kind, happened_at=MONDAY + hours * HOUR,
            recorded_at=MONDAY + hours * HOUR, to_step=step, move=move, by=1, reason="x",
            time_is=TimeIs.PRESSED,
        )
        for n, (hours, kind, move, step) in enumerate(said, start=1)
    ]  # fmt: skip


ONE = log_of(
    (0, Kind.ENTER, "", Step.SHAPING),
    (0, Kind.START, "", None),
    (2, Kind.MOVE, "shaped", Step.PAINTING),
    (2, Kind.START, "", None),
    (5, Kind.MOVE, "painted", Step.INSPECTION),
    (5, Kind.START, "", None),
    (6, Kind.MOVE, "back_to_painting", Step.PAINTING),  # 7
    (6, Kind.START, "", None),
    (7, Kind.MOVE, "painted", Step.INSPECTION),
    (24, Kind.START, "", None),
    (25, Kind.MOVE, "remake", Step.REPLACED),  # 11
)


def test_time_is_charged_to_the_finding_that_cost_it() -> None:
    """Painting again for one hour and inspection again for one are the first finding's; the two,
    three and one hours before are lost with the piece, so the second finding's."""
    first, last = rework.findings_of(
        ONE, {7: ("Paint", "runs", False)}, CALENDAR, MONDAY + 30 * HOUR
    )
    assert (first.seconds, last.seconds) == (2 * HOUR, 6 * HOUR)
    assert (first.step, first.label, first.caused_by) == (
        Step.INSPECTION,
        "Paint: runs",
        "painting",
    )
    assert (last.what, last.label, last.blank) == (MoveKey.REMAKE, "not said", True)
    lost = rework.lost([first, last])
    assert lost == Lost(8.0, 1, 0)
    whole = rework.first_passes([ONE], 0, MONDAY + 30 * HOUR)
    assert [(one.step, one.share.hits, one.share.n) for one in whole] == [
        (Step.SHAPING, 1, 1), (Step.PAINTING, 1, 1), (Step.INSPECTION, 0, 1),
    ]  # fmt: skip


def test_what_was_undone_was_not_found() -> None:
    undone = [*ONE[:7], Entry(8, 8, Kind.UNDO, MONDAY + 6 * HOUR, MONDAY + 6 * HOUR, about_id=7)]
    assert rework.findings_of(undone, {}, CALENDAR, MONDAY + 30 * HOUR) == []
    steps = [one.step for one in rework.first_passes([undone], 0, MONDAY + 30 * HOUR)]
    assert Step.INSPECTION not in steps, "it is there still"


# ---------------------------------------------------------------- the invented studio, once more


def recomputed(file: Path, since: int, now: int) -> dict[str, object]:
    """The page's figures from the log, in SQL and plain loops of their own."""
    raw = sqlite3.connect(file)
    logs = defaultdict(list)
    for row in raw.execute(
        "SELECT t.copy_id, t.id, t.kind, t.move, t.to_step, t.happened_at FROM transitions t"
        " JOIN copies c ON c.id = t.copy_id WHERE c.withdrawn = 0"
        " AND NOT EXISTS (SELECT 1 FROM transitions u WHERE u.about_id = t.id AND u.kind = 'undo')"
        " AND t.kind IN ('enter', 'move', 'finding') ORDER BY t.copy_id, t.seq"
    ):
        logs[row[0]].append(list(row[1:]))
    right = {
        about: (step, move, at)
        for about, step, move, at in raw.execute(
            "SELECT about_id, to_step, move, happened_at FROM transitions"
            " WHERE kind = 'correction' ORDER BY id"
        )
    }
    said = {
        row[0]: row[1:]
        for row in raw.execute("SELECT transition_id, area, kind, found_by FROM findings")
    }
    raw.close()
    way = ["blank", "shaping", "painting", "inspection", "packing"]
    left, good = dict.fromkeys(way, 0), dict.fromkeys(way, 0)
    kinds: dict[str, int] = defaultdict(int)
    totals = {"findings": 0, "customer": 0, "blanks": 0}
    for lines in logs.values():
        at_step, bad, been = "", False, set()
        for id_, kind, move, to_step, at in lines:
            if id_ in right:
                step, key, moment = right[id_]
                if step is None:
                    continue
                at = moment
                if kind != "finding":
                    to_step, move = step, key if kind == "move" else move
            fault = kind == "finding" or move == "remake" or move.startswith("back_to_")
            if fault and since <= at <= now:
                area, what, who = said.get(id_, ("", "", "here"))
                unsaid = "not as the customer wished" if who == "customer" else "not said"
                kinds[f"{area}: {what}" if what else area or unsaid] += 1
                totals["findings"] += 1
                totals["customer"] += who == "customer"
                totals["blanks"] += move in ("remake", "back_to_blank")
            bad = bad or fault
            if kind == "finding":
                continue
            if at_step in way and at_step not in been and to_step != "cancelled":
                been.add(at_step)
                if since <= at <= now:
                    left[at_step] += 1
                    good[at_step] += not bad
            at_step, bad = to_step, False
    product = 1.0
    for step in way:
        product *= good[step] / left[step]
    return {"left": left, "good": good, "rolled": product, "kinds": dict(kinds), **totals}


@pytest.mark.parametrize("months", [6, 12])
def test_the_page_says_what_the_log_says_counted_another_way(
    workshop: ClockedWorkshop, months: int
) -> None:
    calendar = workshop.in_force().calendar
    since = calendar.start_of(rework_page.figures.month_starts(calendar, A_TUESDAY, months)[0])
    with workshop.database.reading() as db:
        found = rework_page.count(
            rework_page.logs(db, since), rework_page.said(db, since), calendar, A_TUESDAY, months
        )
    again = recomputed(workshop.folder.database_file, since, A_TUESDAY)
    assert {str(one.step): one.share.n for one in found.passes} == again["left"]
    assert {str(one.step): one.share.hits for one in found.passes} == again["good"]
    assert found.rolled == pytest.approx(again["rolled"])
    assert {row.label: row.number for row in found.kinds} == again["kinds"]
    assert len(found.found) == again["findings"] >= 20
    assert found.by_customer == again["customer"]
    assert found.lost.pieces == again["blanks"]
    assert sum(row.number for row in found.months) == len(found.found)
    assert sum(row.number for row in found.causes) == len(found.found)
    assert found.lost.hours == pytest.approx(sum(row.hours for row in found.causes))


# ---------------------------------------------------------------- the page


def test_the_page_shows_shares_with_their_intervals_and_nobodys_name(
    workshop: ClockedWorkshop,
) -> None:
    page = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page_of(workshop, "/rework?months=12")))
    assert "of cases: the shares below, multiplied." in page
    assert "Set what an hour, a piece and a sending cost" in page
    with workshop.database.reading() as db:
        names = [name for (name,) in db.exec_driver_sql("SELECT name FROM accounts")]
    body = page.split("Right the first time")[1]
    assert not [name for name in names if name.split()[0] in body.split()]


def test_an_empty_house_is_told_what_would_be_here(empty: ClockedWorkshop) -> None:
    owner = Browser(staff_site(empty)).as_(empty, CAST.owner)
    for months in ("", "6", "999", "x" * 80):
        answer = owner.get(f"/rework?months={months}")
        assert answer.status_code == 200
        assert "there is nothing to count" in words(answer)
    assert owner.get("/rework?months=" + "9" * 200).status_code == 404
