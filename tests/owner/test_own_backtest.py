"""The backtest of a studio's own log: what it reckons with, and where it leaves its picture."""

import io
import json
import time as clocks
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from app.leadtimes import backtest_command
from app.leadtimes.backtest import BacktestResult, first_day, run_backtest
from app.leadtimes.backtest_command import Judging
from app.leadtimes.stay_table import read_rows
from app.orders.forecast import record
from app.owner import own_backtest_command
from app.owner.own_log import own_table, own_time
from app.studio.store import add_closure
from tests.making import DAY


def run(workshop, **wishes):
    out, err = io.StringIO(), io.StringIO()
    how = Judging(
        np.random.default_rng(1), clocks.monotonic, every=400, train=0.8, stdout=out, stderr=err
    )
    code = own_backtest_command.main(workshop, replace(how, **wishes))
    return code, out.getvalue(), err.getvalue()


def test_the_table_keeps_what_was_known_of_each_stay(workshop):
    with workshop.database.reading() as db:
        log = record.read(db).log
    table = own_table(workshop).log
    assert set(table.marks) == set(log.marks) == {
        "remembered", "waits_for_customer", "under_way", "copies", "animals", "size_mm",
        "days_to_needed",
    }  # fmt: skip
    assert np.array_equal(table.watched_from, log.watched_from, equal_nan=True)


def test_it_is_judged_in_the_studios_open_time_from_its_own_defaults(workshop, tmp_path):
    table = own_table(workshop)
    first = first_day(table.log, 0.8)
    plain = own_time(workshop, table.log, first)
    day = workshop.in_force().calendar.day_of(int(first))
    with workshop.database.writing() as db:
        add_closure(db, day + timedelta(days=2), day + timedelta(days=15), "the floor is laid")
    time = own_time(workshop, table.log, first)
    assert time.closed_before(first + 20 * DAY) - plain.closed_before(first + 20 * DAY) > 9 * DAY
    found = run_backtest(
        table, 400, 0.8, np.random.default_rng(1), time=time, defaults=record.defaults()
    )
    code, out, _ = run(workshop, as_json=True)
    assert code == 0
    assert json.loads(out) == found.as_json()
    assert not list(tmp_path.glob("*.svg"))


@pytest.fixture
def quick(monkeypatch):
    """The record of another, tiny table: these tests look at where things are written."""
    names = (f"p{n},making,2024-01-{n + 1:02},2024-02-{n + 1:02}\n" for n in range(12))
    found = run_backtest(
        read_rows(["piece,step,entered,left\n", *names]), 7, 0.5, np.random.default_rng(1)
    )

    def judged(*_args, **_wishes) -> BacktestResult:
        return found

    monkeypatch.setattr(backtest_command, "run_backtest", judged)


@pytest.mark.usefixtures("quick")
def test_a_picture_is_drawn_only_where_it_was_asked_for(workshop, tmp_path):
    asked = tmp_path / "asked.svg"
    code, out, err = run(workshop, picture=asked, as_json=True)
    assert code == 0
    assert json.loads(out)
    assert str(asked) in err
    assert b"<svg" in asked.read_bytes()
    before = {*tmp_path.rglob("*.svg"), *workshop.folder.path.rglob("*.svg")}
    code, out, _ = run(workshop)
    assert (code, "picture" in out) == (0, False)
    assert {*tmp_path.rglob("*.svg"), *workshop.folder.path.rglob("*.svg")} == before


@pytest.mark.usefixtures("quick")
def test_a_place_that_cannot_be_written_is_said_after_the_record(workshop, tmp_path):
    code, out, err = run(workshop, picture=tmp_path / "nowhere" / "p.svg")
    assert code == 2
    assert "ranges on" in out
    assert "nowhere/p.svg cannot be written: No such file" in err


def test_a_studio_without_pieces_has_nothing_to_judge(empty):
    code, out, err = run(empty)
    assert (code, out) == (2, "")
    assert "no pieces yet" in err
