"""History of which not every step is known: what it tells, and what it must not be taken to tell."""

from dataclasses import replace

import numpy as np
import pytest

from app.leadtimes.forecast.methods import METHODS, said_by_all
from app.leadtimes.forecast.paths import paths_of
from app.leadtimes.forecast.walks import fit_walks
from app.leadtimes.log import DAY, FINISHED, cases, make_log
from tests.leadtimes.cold_start import moved_in


def test_without_history_it_says_so_and_rests_on_the_trade():
    said = moved_in(5, "ends", 0, 2.2)
    assert (said.basis, said.open_basis) == ("defaults", "defaults")
    assert said.late < 0.5 * said.true_late, "a slow house is told far too little"


@pytest.mark.parametrize("times", [0.6, 2.2])
def test_starts_and_ends_alone_stretch_what_is_usual_to_the_studios_own_pace(times):
    said = moved_in(5, "ends", 200, times)
    assert (said.basis, said.open_basis) == ("blend", "blend"), "the division is still the trade's"
    assert said.half == pytest.approx(said.true_half, rel=0.15)
    assert said.late == pytest.approx(said.true_late, rel=0.15)
    assert 0.78 <= said.held <= 0.95


@pytest.mark.parametrize("times", [0.6, 2.2])
def test_with_the_day_of_passing_it_speaks_for_itself(times):
    said = moved_in(5, "passed", 200, times)
    assert (said.basis, said.open_basis) == ("own", "own")
    assert said.late == pytest.approx(said.true_late, rel=0.12)
    assert 0.78 <= said.held <= 0.93
    assert 0.72 <= said.open_held <= 0.95


def _log(blurred):
    """Twenty pieces that went from a to b, five days in each; the last, three days in a, is open in b since day 38."""
    rows = []
    for piece in range(20):
        rows += [
            (piece, 0, piece * DAY, (piece + 5) * DAY),
            (piece, 1, (piece + 5) * DAY, (piece + 10) * DAY),
        ]
    rows += [(20, 0, 35 * DAY, 38 * DAY), (20, 1, 38 * DAY, np.nan)]
    piece, step, entered, left = zip(*rows, strict=True)
    return make_log(
        piece, step, entered, left, steps=("a", "b"), blurred=[blurred and p < 20 for p in piece]
    )


def test_whole_lead_times_count_as_much_as_any_and_no_stay_of_them_does():
    sharp, blurred = _log(False), _log(True)
    assert (
        (cases(sharp).outcome == FINISHED).sum() == (cases(blurred).outcome == FINISHED).sum() == 20
    )
    known, other = paths_of(sharp), paths_of(blurred)
    assert len(known.open_at(8.0)) == 9, "those begun by day 8"
    assert len(other.open_at(8.0)) == 0, "where they were, nobody can say"
    assert other.open_at(41.0).stay.size == 1
    assert set(other.landmarks(41.0).stay.tolist()) <= {40, 41}
    assert 5.0 in fit_walks(known, 41.0).hazards[1].times
    assert fit_walks(other, 41.0).hazards[1].times.tolist() == [3.0], "the last one's own"


def test_where_nobody_was_seen_step_by_step_no_walk_ends_where_it_stands():
    paths = paths_of(_log(True))
    moments = paths.open_at(41.0)
    said = said_by_all(paths, 41.0, moments, np.random.default_rng(1))
    by_name = dict(zip(METHODS, said, strict=True))
    assert np.array_equal(by_name["walk"], by_name["reached_pooled"])
    assert by_name["whole"][0].max() > 3.5


def test_a_log_without_history_says_what_it_said():
    log = _log(False)
    plain, marked = paths_of(replace(log, blurred=None)), paths_of(log)
    moments = plain.open_at(41.0)
    first = said_by_all(plain, 41.0, moments, np.random.default_rng(1))
    second = said_by_all(marked, 41.0, moments, np.random.default_rng(1))
    assert np.array_equal(first, second)
