"""The rolling backtest: tables in, rows and a record out, nothing known too early."""

import csv
import io
import json
from itertools import count
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from app.leadtimes import backtest_command
from app.leadtimes.backtest import COLUMNS, BacktestResult, first_day, run_backtest, save_rows
from app.leadtimes.backtest_command import Judging, main_backtest
from app.leadtimes.forecast.levels import POINTS, pinball
from app.leadtimes.log import DAY, make_log
from app.leadtimes.open_time import OpenTime
from app.leadtimes.scoring import score
from app.leadtimes.stay_table import BadTableError, Table, read_rows, read_table
from tests.leadtimes import lines

HEADER = "piece,step,entered,left,outcome\n"


def seeded() -> np.random.Generator:
    return np.random.default_rng(4)


@pytest.fixture(scope="module")
def small() -> Table:
    log = lines.forty_pieces(seeded())
    return Table(log, tuple(f"P-{number}" for number in range(int(log.piece.max()) + 1)))


@pytest.fixture(scope="module")
def result(small: Table) -> BacktestResult:
    return run_backtest(small, 7, 0.7, seeded())


def table_file(folder: Path, table: Table) -> Path:
    log, file = table.log, folder / "line.csv"
    stamps = [
        [
            str(np.datetime64(round(when * 1e6), "us")) if np.isfinite(when) else ""
            for when in column
        ]
        for column in (log.entered, log.left)
    ]
    rows = zip(log.piece, log.step, *stamps, strict=True)
    text = "".join(f"{table.names[p]},{log.steps[s]},{a},{b},\n" for p, s, a, b in rows)
    file.write_text(HEADER + text, encoding="utf-8")
    return file


def test_a_table_becomes_a_log() -> None:
    table = read_rows([
        "entered,left,step,piece,colour,outcome\n",
        "2024-03-01,2024-03-02T12:00:00+00:00,Glaze & fire,A,red,\n",
        "2024-03-02T13:00:00+01:00,,pack,A,,\n",
        "\n",
        "2024-03-01 08:00,2024-03-05,pack,B,,cancelled\n",
    ])  # fmt: skip
    log = table.log
    assert (table.names, log.steps) == (("A", "B"), ("Glaze & fire", "pack"))
    assert (log.left - log.entered)[0] == 1.5 * DAY
    assert log.outcome.tolist() == [1, 0, 3]


@pytest.mark.parametrize(
    ("text", "line", "reason"),
    [
        ("", 1, "no column piece, step, entered, left"),
        ("piece;step;entered;left\n", 1, "no column"),
        (HEADER, 1, "no rows"),
        (
            HEADER + "a,s,2024-01-01,2024-01-02,\na,s,soon,,\n",
            3,
            "entered is not an ISO time: 'soon'",
        ),
        (HEADER + "a,s,2024-01-02,2024-01-01,\n", 2, "left before it was entered"),
        (HEADER + ",s,2024-01-02,,\n", 2, "empty"),
        (HEADER + "a,s,2024-01-02,,cancelled\n", 2, "left is empty"),
        (HEADER + "a,s\n", 2, "entered is not an ISO time"),
    ],
)
def test_a_bad_table_is_named_by_line_and_reason(text: str, line: int, reason: str) -> None:
    with pytest.raises(BadTableError, match=reason) as bad:
        read_rows(io.StringIO(text))
    assert bad.value.problems[0][0] == line


def test_every_bad_line_is_named(tmp_path: Path) -> None:
    file = tmp_path / "bad.csv"
    file.write_text(HEADER + "a,s,x,,\n" * 30, encoding="utf-8")
    with pytest.raises(BadTableError, match="and 10 more") as bad:
        read_table(file)
    assert len(bad.value.problems) == 30
    file.write_bytes(b"piece,step,entered,left\n\xff\xfe,s,2024-01-01,\n")
    with pytest.raises(BadTableError, match="not UTF-8"):
        read_table(file)


def test_rows_are_of_open_pieces_only_and_remain_what_remains(
    small: Table, result: BacktestResult
) -> None:
    ends = {}
    for piece, left in zip(small.log.piece.tolist(), small.log.left.tolist(), strict=True):
        ends[small.names[piece]] = max(left, ends.get(small.names[piece], 0.0))
    for row in result.rows:
        if row.remaining_days is not None:
            end = ends[row.piece]
            assert row.at.timestamp() + row.remaining_days * DAY == pytest.approx(end, abs=1e-3)
            assert row.remaining_days > 0
    assert sum(row.remaining_days is not None for row in result.rows) == result.record.n
    assert len(result.rows) == result.record.n + result.record.unresolved


def test_the_first_day_is_when_the_share_had_entered(small: Table, result: BacktestResult) -> None:
    begun = np.sort(
        [small.log.entered[small.log.piece == p].min() for p in range(len(small.names))]
    )
    assert result.rows[0].at.timestamp() == pytest.approx(
        begun[int(np.ceil(0.7 * 40)) - 1], abs=1e-3
    )
    steps = np.diff(sorted({row.at.timestamp() for row in result.rows})) / DAY
    assert steps.round(6).tolist() == [7] * steps.size


def test_what_the_table_holds_after_a_day_does_not_reach_that_day(
    small: Table, result: BacktestResult
) -> None:
    """Stretching everything after the first day leaves that day's single curves as they were."""
    first = result.rows[0].at.timestamp()
    log = small.log
    later = lambda when: np.where(when > first, first + 3 * (when - first), when)  # noqa: E731
    stretched = Table(
        type(log)(log.piece, log.step, later(log.entered), later(log.left), log.outcome, log.steps),
        small.names,
    )
    other = run_backtest(stretched, 7, 0.7, seeded())
    for name in ("reached", "whole", "since_step"):
        assert name in other.methods
    mine = [row.days for row in result.rows if row.at.timestamp() == pytest.approx(first)]
    theirs = [row.days for row in other.rows if row.at.timestamp() == pytest.approx(first)]
    middle = POINTS == 0.5
    # The forest's landmarks lie on other days, so the blend agrees only about; a leak would triple
    # it.
    ratio = np.array([b[middle] / a[middle] for a, b in zip(mine, theirs, strict=True)])
    assert 0.8 < np.median(ratio) < 1.25


def test_rows_csv_has_the_promised_columns(result: BacktestResult, tmp_path: Path) -> None:
    save_rows(result.rows, tmp_path / "rows.csv")
    rows = list(csv.DictReader((tmp_path / "rows.csv").read_text("utf-8").splitlines()))
    assert tuple(rows[0]) == COLUMNS
    assert COLUMNS[4:] == (
        "method", "p05", "p10", "p25", "p50", "p75", "p85", "p90", "p95", "remaining_days",
    )  # fmt: skip
    assert any(row["remaining_days"] == "" for row in rows)


def test_the_same_table_gives_the_same_record(small: Table, result: BacktestResult) -> None:
    again = run_backtest(small, 7, 0.7, seeded())
    assert again.as_json() == result.as_json()


def test_a_table_too_short_to_judge_is_no_error() -> None:
    table = read_rows([HEADER, "a,s,2024-01-01,2024-01-02,\n"])
    found = run_backtest(table, 7, 0.7, seeded())
    assert found.record.n in (0, 1)
    json.dumps(found.as_json(), allow_nan=False)


def test_one_moment_for_everything_is_no_error() -> None:
    table = read_rows([HEADER, *(f"p{n},s,2024-01-01,2024-01-01,\n" for n in range(30))])
    found = run_backtest(table, 7, 0.7, seeded())
    assert found.rows == []
    assert found.as_json()["record"]["coverage"]["p85"] is None


def test_senseless_wishes_are_refused(small: Table) -> None:
    with pytest.raises(ValueError, match="above 0 days"):
        run_backtest(small, 0, 0.7, seeded())


def test_bounds_count_the_unresolved_both_ways() -> None:
    ranges = np.tile(
        np.arange(1.0, 9), (4, 1)
    )  # 50 % at day 4, 85 % at day 6, 10 to 90 % from 2 to 7
    found = score(
        ranges, np.array([3.0, 7.5, 2.0, 9.0]), np.array([1, 1, 0, 0]) > 0, np.arange(4), seeded()
    )
    assert found.n == 2
    assert found.bounds == {"p50": (0.25, 0.5), "p85": (0.25, 0.5), "p10_p90": (0.25, 0.5)}


def test_pieces_and_not_rows_are_resampled() -> None:
    """Forty rows of two pieces tell hardly more than two rows."""
    ranges = np.tile(np.arange(1.0, 9), (40, 1))
    days = np.repeat([3.0, 9.0], 20)
    found = score(ranges, days, days > 0, np.repeat([0, 1], 20), seeded())
    assert found.coverage["p85"] == 0.5
    assert found.interval["p85"] == (0, 1)


def run_command(file: Path, **wishes: object) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    clock = count()
    how = Judging(
        seeded(), lambda: float(next(clock)), stdout=out, stderr=err,
        **wishes,  # type: ignore[arg-type]
    )  # fmt: skip
    code = main_backtest(file, how)
    return code, out.getvalue(), err.getvalue()


def test_the_command_prints_json_and_nothing_else(tmp_path: Path, small: Table) -> None:
    file, rows = table_file(tmp_path, small), tmp_path / "rows.csv"
    code, out, err = run_command(file, as_json=True, out=rows)
    record = json.loads(out)
    assert code == 0
    assert set(record) == {"chosen", "record", "methods"}
    assert {"n", "coverage", "pinball", "mae_days", "unresolved"} <= set(record["record"])
    assert set(record["record"]["coverage"]) == {"p50", "p85", "p10_p90"}
    assert (
        rows.read_text().count("\n") == record["record"]["n"] + record["record"]["unresolved"] + 1
    )
    assert "days" in err
    assert not (tmp_path / "line-calibration.svg").exists()


def test_the_command_says_what_is_good_and_draws_only_where_asked(
    tmp_path: Path, small: Table
) -> None:
    file, picture = table_file(tmp_path, small), tmp_path / "asked.svg"
    code, out, _ = run_command(file)
    assert code == 0
    assert "The last day that is given (85 in 100 should be ready by then) held" in out
    assert "blend" not in out, "names of methods only where asked for"
    assert not list(tmp_path.glob("*.svg"))
    code, out, _ = run_command(file, every_method=True, picture=picture)
    assert code == 0
    assert "blend *" in out
    assert b"<svg" in picture.read_bytes()


@pytest.mark.parametrize(
    ("held", "said"),
    [
        (0.82, "held 82 times in 100: good."),
        (0.90, "held 90 times in 100: good."),
        (0.81, "held only 81 times in 100: too short a range, good is 82 to 90."),
        (0.95, "held 95 times in 100: a wider range than needed, good is 82 to 90."),
    ],
)
def test_what_is_good_is_said_by_the_aims(held: float, said: str) -> None:
    assert backtest_command._judged(held, *backtest_command.AIMS[0][1:]).endswith(said)


def test_a_bad_table_ends_with_2_and_a_missing_one_too(tmp_path: Path) -> None:
    file = tmp_path / "bad.csv"
    file.write_text("piece,step\n", encoding="utf-8")
    code, out, err = run_command(file, as_json=True)
    assert (code, out) == (2, "")
    assert "line 1" in err
    assert run_command(tmp_path / "none.csv")[0] == 2


STAYS = st.lists(
    st.tuples(
        st.integers(0, 25), st.integers(0, 4), st.integers(0, 60), st.integers(0, 30), st.booleans()
    ),
    min_size=1,
    max_size=80,
)


@settings(max_examples=25, deadline=None)
@given(STAYS, st.sampled_from([1, 86_400, 3_000_000]))
@example([(0, 0, 0, 0, True), (0, 0, 52, 30, False), (1, 0, 33, 0, False), (2, 0, 33, 0, False)], 1)
def test_any_table_gives_ranges_in_order(
    stays: list[tuple[int, int, int, int, bool]], unit: int
) -> None:
    """Ties, stays side by side, gaps, stays of no length, reworks: whatever a table holds."""
    piece, step, come, length, is_open = (np.array(column) for column in zip(*stays, strict=True))
    left = np.where(is_open & (length < 5), np.nan, (come + length) * unit)
    log = make_log(piece, step, come * unit, left, steps=list("abcde"))
    found = run_backtest(Table(log, tuple(map(str, range(26)))), 7 * unit / DAY, 0.5, seeded())
    json.dumps(found.as_json(), allow_nan=False)
    for row in found.rows:
        assert np.isfinite(row.days).all()
        assert row.days[0] >= 0
        assert (np.diff(row.days) >= 0).all()


# ---------------------------------------------------------------- in open time


def closed_twice() -> tuple[Table, OpenTime]:
    """A line whose house was closed for three weeks early on and for three late in the record."""
    log = lines.age_matters(np.random.default_rng(3))
    late = log.piece >= 400
    piece, step, entered, left = (
        column[late] for column in (log.piece - 400, log.step, log.entered, log.left)
    )
    begins = lines.START + np.array([560.0, 755.0]) * DAY
    time = OpenTime(begins, begins + 21 * DAY, 0.05)
    real = make_log(piece, step, time.to_real(entered), time.to_real(left), steps=log.steps)
    return Table(real, tuple(str(n) for n in range(int(piece.max()) + 1))), time


@pytest.fixture(scope="module")
def over_closures() -> tuple[BacktestResult, BacktestResult]:
    table, time = closed_twice()
    return (run_backtest(table, 7, 0.8, seeded()), run_backtest(table, 7, 0.8, seeded(), time=time))


def test_in_open_time_ranges_hold_over_a_closure_that_is_known(
    over_closures: tuple[BacktestResult, BacktestResult],
) -> None:
    """Of pieces open in the two weeks before the doors close, most go on after the three weeks."""
    begins = lines.START + 755 * DAY
    held, loss = [], []
    for found in over_closures:
        days = [(row.days, row.remaining_days) for row in found.rows
                if begins - 14 * DAY <= row.at.timestamp() < begins and row.remaining_days]  # fmt: skip
        assert len(days) > 40
        told, rest = np.array([d for d, _ in days]), np.array([r for _, r in days])
        held.append(float((rest <= told[:, POINTS == 0.85][:, 0]).mean()))
        loss.append(float(pinball(told[:, POINTS == 0.5][:, 0], rest, 0.5).mean()))
    plain, opened = held
    assert plain < 0.5
    assert 0.8 < opened < 0.97
    assert loss[1] < 0.6 * loss[0]


def test_in_open_time_days_are_real_days(
    over_closures: tuple[BacktestResult, BacktestResult],
) -> None:
    plain, opened = over_closures
    moments = sorted({row.at.timestamp() for row in opened.rows})
    assert (np.diff(moments) / DAY).round(6).tolist() == [7] * (len(moments) - 1)
    truth = {(row.piece, round(row.at.timestamp())): row for row in plain.rows}
    same = [(row, truth[key]) for row in opened.rows
            if (key := (row.piece, round(row.at.timestamp()))) in truth]  # fmt: skip
    assert len(same) > 0.95 * len(opened.rows)
    for mine, theirs in same:
        assert mine.step == theirs.step
        assert mine.age_days == pytest.approx(theirs.age_days, abs=1e-6)
        assert mine.remaining_days == pytest.approx(theirs.remaining_days, abs=1e-6)


def test_a_house_that_never_closes_has_the_same_record_in_open_time(
    small: Table, result: BacktestResult
) -> None:
    never = OpenTime(np.zeros(0), np.zeros(0))
    found = run_backtest(small, 7, 0.7, seeded(), time=never)
    assert [row.piece for row in found.rows] == [row.piece for row in result.rows]
    assert found.record.pinball["p85"] == pytest.approx(result.record.pinball["p85"], rel=1e-6)


def test_the_first_day_is_told_before_anything_is_forecast(
    small: Table, result: BacktestResult
) -> None:
    first = first_day(small.log, 0.7)
    assert result.rows[0].at.timestamp() == pytest.approx(first, abs=1e-3)
