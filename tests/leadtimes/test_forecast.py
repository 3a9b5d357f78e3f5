"""The forecast of open pieces: what it rests on, that
it looks at nothing later, that it beats its parts.
"""

from typing import Any

import numpy as np
import pytest

from app.leadtimes.forecast.blend import Blend, basis
from app.leadtimes.forecast.curves import fit_reached, fit_since_step, fit_whole
from app.leadtimes.forecast.defaults import Defaults
from app.leadtimes.forecast.features import fit_encoder
from app.leadtimes.forecast.levels import LEVELS, POINTS
from app.leadtimes.forecast.line import fit_line
from app.leadtimes.forecast.methods import said_by_all
from app.leadtimes.forecast.normal import normal_share
from app.leadtimes.forecast.orders import (
    PRIOR_CORRELATION,
    correlation_from,
    correlation_of,
    forecast_orders,
    latest_of,
)
from app.leadtimes.forecast.paths import paths_of
from app.leadtimes.forecast.pieces import (
    CameTrue,
    Forecast,
    forecast_from_entering,
    forecast_with_record,
)
from app.leadtimes.forecast.pool import earned_weights
from app.leadtimes.forecast.record import ForecastRecord, KnownEnds, censoring_weights
from app.leadtimes.log import DAY, StayLog, make_log
from app.leadtimes.survival import kaplan_meier
from tests.leadtimes import lines
from tests.leadtimes.complete_cases import complete_cases

HALF = int(np.searchsorted(LEVELS, 0.5))
DEFAULTS = Defaults(np.full(3, 10.0), np.full(3, 20.0))


def seeded() -> np.random.Generator:
    return np.random.default_rng(11)


def forecast_pieces(log: StayLog, now: float, *rest: Any) -> list[Forecast]:
    return forecast_with_record(log, now, *rest)[0]


def finished_pieces(count: int) -> StayLog:
    """`count` pieces that took 30 days, one after another, and one that has been open for a day."""
    entered = np.append(np.arange(count) * 5.0, count * 5.0 + 40)
    left = np.append(entered[:-1] + 30, np.nan)
    return make_log(
        np.arange(count + 1), np.zeros(count + 1), entered * DAY, left * DAY, steps=["a", "b", "c"]
    )


@pytest.mark.parametrize(("count", "word"), [(0, "defaults"), (3, "blend"), (20, "own")])
def test_it_says_what_it_rests_on(count: int, word: str) -> None:
    log = finished_pieces(count)
    (found,) = forecast_pieces(log, float(log.entered[-1]) + DAY, DEFAULTS, seeded())
    assert found.basis == word == basis(count)
    assert (np.diff(found.days) >= 0).all()


def test_with_no_finished_piece_the_defaults_speak_alone() -> None:
    log = finished_pieces(0)
    (found,) = forecast_pieces(log, float(log.entered[0]), DEFAULTS, seeded())
    assert found.days[POINTS == 0.5] == pytest.approx(10, rel=1e-3)
    assert found.days[POINTS == 0.85] == pytest.approx(20, rel=1e-3)
    assert found.basis == "defaults"


def test_with_a_long_history_the_defaults_are_silent() -> None:
    log = finished_pieces(25)
    (found,) = forecast_pieces(log, float(log.entered[-1]) + DAY, DEFAULTS, seeded())
    assert found.days[POINTS == 0.5] == pytest.approx(29, abs=1.5)


def test_without_defaults_and_history_the_range_is_very_wide() -> None:
    log = finished_pieces(0)
    (found,) = forecast_pieces(log, float(log.entered[0]) + 5 * DAY, None, seeded())
    assert found.days[-1] > 5 * found.days[POINTS == 0.5]


def test_nothing_open_is_no_forecast() -> None:
    log = finished_pieces(3)
    assert forecast_pieces(log, float(log.entered[-1]) - DAY, DEFAULTS, seeded()) == []


def test_what_happens_later_changes_nothing() -> None:
    log = lines.forty_pieces(seeded())
    now = float(np.quantile(log.entered, 0.7))
    known = log.entered <= now
    cut = make_log(
        log.piece[known], log.step[known], log.entered[known],
        np.where(log.left[known] <= now, log.left[known], np.nan), steps=log.steps,
    )  # fmt: skip
    # A piece between two stays has left the one and not entered the other: the cut log would call
    # it finished.
    between = set(log.piece[known].tolist()) - set(cut.piece[np.isnan(cut.left)].tolist())
    between &= {f.piece for f in forecast_pieces(log, now, None, seeded())}
    assert not between
    early = said_by_all(*_today(cut, now), seeded())
    late = said_by_all(*_today(log, now), seeded())
    assert early == pytest.approx(late)


def _today(log: StayLog, now: float):  # type: ignore[no-untyped-def]
    paths = paths_of(log)
    today = (now - paths.base) / DAY
    return paths, today, paths.open_at(today)


def test_reached_is_the_curve_of_those_who_reached_the_step() -> None:
    log = lines.rework_loops(seeded())
    paths, today, moments = _today(log, float(np.quantile(log.entered, 0.8)))
    said = fit_reached(paths, today, prior=0.0).predict(moments)
    row = 3
    stay = int(moments.stay[row])
    first = (paths.visit == 0) & (paths.entered <= today) & (paths.step == paths.step[stay])
    piece = paths.piece[first]
    ended = paths.ended[piece]
    curve = kaplan_meier(
        np.minimum(ended, today) - paths.started[piece], ended <= today, paths.age[first]
    )
    age = today - float(paths.started[paths.piece[stay]])
    half_of_those_left = float(curve.quantile(1 - curve.at(age) / 2))
    assert said[row, HALF] == pytest.approx(half_of_those_left - age, abs=1e-9)


def test_a_step_with_few_cases_is_drawn_towards_all() -> None:
    log = finished_pieces(25)
    rare = make_log(
        np.append(log.piece, 99), np.append(log.step, 1), np.append(log.entered, 0.0),
        np.append(log.left, np.nan), steps=log.steps,
    )  # fmt: skip
    paths = paths_of(rare)
    today = float(paths.entered.max()) + 1
    moments = paths.open_at(1.0)
    rare_row = moments[paths.step[moments.stay] == 1]
    whole = fit_whole(paths, today).predict(rare_row)[0, HALF]
    assert fit_reached(paths, today, prior=4.0).predict(rare_row)[0, HALF] == pytest.approx(whole)


def test_open_pieces_make_ranges_longer() -> None:
    log = lines.half_open(seeded())
    paths, today, moments = _today(log, float(np.quantile(log.entered, 0.7)))
    without = complete_cases(log, paths, today).predict(moments)[:, HALF]
    reached = fit_reached(paths, today, prior=0.0).predict(moments)[:, HALF]
    assert np.median(without) < 0.9 * np.median(reached)


def test_features_do_not_know_the_date() -> None:
    """The same line, a year later: the columns of every moment are the same."""
    log = lines.forty_pieces(seeded())
    later = make_log(
        log.piece, log.step, log.entered + 365 * DAY, log.left + 365 * DAY, steps=log.steps
    )
    columns = []
    for each, now in ((log, log.entered.max()), (later, later.entered.max())):
        paths, today, moments = _today(each, float(now))
        since_step = fit_since_step(paths, today, 4.0)
        encoder = fit_encoder(
            paths, today, fit_reached(paths, today, 4.0), since_step, fit_whole(paths, today),
            fit_line(paths, today, since_step),
        )  # fmt: skip
        columns.append(encoder.columns(moments))
    assert columns[0] == pytest.approx(columns[1], abs=1e-6)


def test_weights_go_to_the_method_that_was_right() -> None:
    truth = np.linspace(1, 50, 200)
    said = np.stack([np.tile(truth[:, None], POINTS.size), np.full((200, POINTS.size), 500.0)])
    record = ForecastRecord(paths_of(finished_pieces(0)).landmarks(200.0), said)
    seen = KnownEnds(truth, np.ones(200), np.inf, pieces=200)
    assert earned_weights(record, seen, np.array([0.5, 0.5]))[0] > 0.95
    unseen = KnownEnds(truth, np.ones(200), np.inf, pieces=2)
    assert earned_weights(record, unseen, np.array([0.5, 0.5])).tolist() == [0.5, 0.5]


def test_censoring_weights_count_the_unseen_in() -> None:
    """Half of the long ends fall behind the horizon of watching: those seen count double."""
    weight = censoring_weights(
        np.array([1.0, 2, 2, 5, 5]), np.array([True, False, False, True, True])
    )
    assert weight == pytest.approx([1, 0, 0, 2, 2])


def test_days_must_come_in_order() -> None:
    paths, today, moments = _today(lines.forty_pieces(seeded()), lines.START + 100 * DAY)
    blend = Blend(paths, seeded())
    blend.issue(today, moments)
    with pytest.raises(ValueError, match="in order"):
        blend.issue(today - 1, moments)


def test_entering_a_step_has_a_range_of_its_own() -> None:
    log = finished_pieces(25)
    days, word = forecast_from_entering(log, 0, float(log.entered[-1]), DEFAULTS)
    assert (word, float(days[LEVELS == 0.5][0])) == ("own", pytest.approx(30))
    days, word = forecast_from_entering(finished_pieces(0), 1, 0.0, DEFAULTS)
    assert (word, float(days[LEVELS == 0.5][0])) == ("defaults", pytest.approx(10, rel=1e-3))


def test_an_order_waits_for_its_last_piece() -> None:
    one, other = np.linspace(1, 20, LEVELS.size), np.linspace(2, 30, LEVELS.size)
    together = latest_of(np.stack([one, other]), 0.99)
    apart = latest_of(np.stack([one, other]), 0.0)
    alone = latest_of(other[None], 0.5)
    assert (apart >= together - 0.3).all()
    assert apart[POINTS == 0.25] > together[POINTS == 0.25] + 1
    assert (together >= alone - 1e-6).all()


def test_independent_pieces_multiply_their_shares() -> None:
    """Two even ranges from 0 to 100 days: the later
    one is ready by d with the share (d / 100)^2.
    """
    ranges = np.tile(LEVELS * 100, (2, 1))
    assert latest_of(ranges, 0.0)[POINTS == 0.5] == pytest.approx(100 * np.sqrt(0.5), abs=0.5)


def test_the_correlation_of_an_order_is_learnt_and_bounded() -> None:
    generator = seeded()
    shared = np.repeat(generator.normal(size=400), 2)
    level = normal_share(np.sqrt(0.8) * shared + np.sqrt(0.2) * generator.normal(size=800))
    order = np.repeat(np.arange(400), 2)
    assert correlation_from(level, order) == pytest.approx(0.8, abs=0.08)
    assert correlation_from(np.zeros(0), np.zeros(0, dtype=int)) == 0.5


def test_pieces_of_one_order_are_compared_in_ranges_of_one_day() -> None:
    """Order 7: three of its pieces on day 2, two on day
    1; order 8 never had two of its pieces at once.
    """
    piece, at = np.array([1, 2, 1, 2, 3, 4, 5]), np.array([1.0, 1, 2, 2, 2, 1, 2])
    level = np.array([0.1, 0.9, 0.2, 0.3, 0.25, 0.5, 0.9])
    order_of = {1: 7, 2: 7, 3: 7, 4: 8, 5: 8}
    found = correlation_of(CameTrue(piece, at, level), order_of)
    assert found == correlation_from(level[2:5], np.full(3, 7))
    nothing = CameTrue(piece[:0], at[:0], level[:0])
    assert correlation_of(nothing, order_of) == PRIOR_CORRELATION


def test_orders_whose_pieces_end_alike_are_found_to_hang_together() -> None:
    log = lines.own_pace(seeded())
    now = float(log.entered.max())
    _, record = forecast_with_record(log, now, None, seeded())
    assert (record.level > 0).all()
    assert (record.level < 1).all()
    by_speed = dict(
        zip(record.piece.tolist(), np.argsort(np.argsort(record.level)) // 4, strict=True)
    )
    by_chance = {piece: piece // 4 for piece in by_speed}
    assert correlation_of(record, by_speed) > PRIOR_CORRELATION
    assert correlation_of(record, by_chance) < 0.4


def test_an_order_takes_the_weakest_basis_of_its_pieces() -> None:
    log = lines.forty_pieces(seeded())
    found = forecast_pieces(log, float(log.entered.max()), None, seeded())
    orders = forecast_orders(found, {piece.piece: 5 for piece in found})
    assert [(order.order, order.pieces) for order in orders] == [(5, len(found))]
    assert orders[0].basis == found[0].basis
    assert (orders[0].days >= np.max([piece.days for piece in found], axis=0) - 1e-9).all()
