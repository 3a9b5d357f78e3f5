"""The line in front of a piece, walks through the steps, and what holds a wild method."""

from dataclasses import replace

import numpy as np
import pytest

from app.leadtimes.forecast.calibrate import mapped_levels
from app.leadtimes.forecast.curves import PRIOR, fit_since_step
from app.leadtimes.forecast.forest import _begins, _grid
from app.leadtimes.forecast.levels import LEVELS
from app.leadtimes.forecast.line import LineInFront, fit_line
from app.leadtimes.forecast.paths import Moments, Paths, paths_of
from app.leadtimes.forecast.pool import REIN, mixed, reined
from app.leadtimes.forecast.walks import fit_walks
from tests.leadtimes import lines

INNER = slice(3, -3)  # the levels from 10 to 90 %


def seeded() -> np.random.Generator:
    return np.random.default_rng(4)


def one_at_a_time() -> Paths:
    """One pair of hands, a day a piece, and pieces that come in heaps."""
    generator = seeded()
    stays, free = [], 0.0
    for piece, when in enumerate(np.sort(generator.integers(0, 30, 200) * 10.0)):
        free = max(free, when) + 1.0
        stays.append((piece, 0, float(when) + 1e-6 * piece, free))
    return paths_of(lines.cut(stays, 400.0))


def fullest(paths: Paths) -> float:
    return float(max(np.linspace(100, 300, 80), key=lambda day: len(paths.open_at(day))))


def fitted(paths: Paths, today: float) -> tuple[LineInFront, Moments]:
    return fit_line(paths, today, fit_since_step(paths, today, PRIOR)), paths.open_at(today)


def test_a_day_a_piece_makes_the_line_as_long_in_days_as_in_pieces() -> None:
    """Little's law: what stands in front takes as long as it takes to end so many."""
    paths = one_at_a_time()
    day = fullest(paths)
    line, moments = fitted(paths, day)
    truth = paths.ended[paths.piece[moments.stay]] - day
    assert truth.size > 8
    said = line.predict(moments)[:, LEVELS == 0.5][:, 0]
    assert np.median(np.abs(said - truth) / truth) < 0.25


def test_a_line_twice_as_long_lasts_twice_as_long() -> None:
    paths = one_at_a_time()
    line, moments = fitted(paths, fullest(paths))
    days = line.days_in_line(moments)
    said = line.predict(moments)
    assert said / days[:, None] == pytest.approx(np.tile(said[0] / days[0], (len(moments), 1)))


def test_the_line_does_not_know_what_is_to_come() -> None:
    paths = paths_of(lines.rework_loops(seeded()))
    today = float(np.quantile(paths.entered, 0.6))
    late = paths.ended > today
    other = replace(paths, ended=np.where(late, paths.ended + 77, paths.ended))
    told = [line.predict(moments) for line, moments in (fitted(p, today) for p in (paths, other))]
    assert (told[0] == told[1]).all()


def test_with_nothing_ended_the_line_says_what_the_step_says() -> None:
    paths = paths_of(lines.cut([(0, 0, 0.0, 50.0), (1, 0, 1.0, 60.0)], 5.0))
    line, moments = fitted(paths, 4.0)
    assert (line.predict(moments) == fit_since_step(paths, 4.0, PRIOR).predict(moments)).all()
    assert np.isnan(line.days_in_line(moments)).all()


def geometric(share_back: float, mean: float) -> Paths:
    generator = seeded()
    stays = []
    for piece, when in enumerate(np.cumsum(generator.exponential(0.5, 1500))):
        here, again = float(when), True
        while again:
            end = here + float(generator.exponential(mean))
            stays.append((piece, 0, here, end))
            here, again = end, generator.random() < share_back
    return paths_of(lines.cut(stays, 700.0))


def test_exponential_stays_that_come_again_half_of_the_time_last_twice_as_long() -> None:
    """A geometric sum of exponential times is exponential (Feller 1971, XI): median 2 x mean x ln 2."""
    paths = geometric(0.5, 6.0)
    moments = paths.open_at(650.0)[:40]
    said = fit_walks(paths, 650.0).predict(moments, seeded()).mean(axis=0)
    expected = -12.0 * np.log1p(-LEVELS)
    assert said[INNER] == pytest.approx(expected[INNER], rel=0.12)


def test_walks_go_only_where_pieces_went() -> None:
    """After step 1 a piece ends if it came from 0, and has ten long days in 3 if it came from 2."""
    stays = []
    for piece in range(120):
        start, day = (0 if piece % 2 else 2), piece / 2
        stays += [(piece, start, day, day + 1), (piece, 1, day + 1, day + 2)]
        if start == 2:
            stays.append((piece, 3, day + 2, day + 12))
    paths = paths_of(lines.cut(stays, 50.25))
    moments = paths.open_at(50.25)
    here = paths.step[moments.stay] == 1
    said = fit_walks(paths, 50.25).predict(moments[here], seeded())[:, LEVELS == 0.25][:, 0]
    came_from = paths.previous[moments.stay[here]]
    assert said[came_from == 0].max() < 1.0
    assert said[came_from == 2].min() > 9.0


def test_recent_walks_follow_work_that_became_slower() -> None:
    stays = []
    for piece, when in enumerate(np.arange(0, 400, 0.5)):
        pace = 3.0 if when > 300 else 1.0
        stays += [(piece, 0, when, when + 2 * pace), (piece, 1, when + 2 * pace, when + 5 * pace)]
    paths = paths_of(lines.cut(stays, 390.0))
    moments = paths.open_at(390.0)
    row = np.flatnonzero(paths.step[moments.stay] == 0)
    middle = LEVELS == 0.5
    old = fit_walks(paths, 390.0).predict(moments, seeded())[row][:, middle]
    new = fit_walks(paths, 390.0, since=330.0).predict(moments, seeded())[row][:, middle]
    truth = (paths.started[paths.piece[moments.stay]] + 15 - 390.0)[row]
    assert np.abs(new[:, 0] - truth).mean() < 0.7 * np.abs(old[:, 0] - truth).mean()


def test_a_wild_method_moves_the_blend_no_further_than_its_rein() -> None:
    said = np.stack([np.full((3, 2), days) for days in (10.0, 11.0, 12.0, 1e9)])
    assert reined(said).max() == pytest.approx(REIN * 11.5)
    weights = np.array([0.4, 0.3, 0.2, 0.1])
    assert mixed(said, weights).max() < 0.9 * 12 + 0.1 * REIN * 11.5
    assert mixed(said, np.array([0.5, 0.5, 0.0, 0.0])) == pytest.approx(np.full((3, 2), 10.5))


def test_the_level_map_leaves_the_middle_as_it_is() -> None:
    """Ranges twice too long: the ends are read lower, the middle is the weights' business."""
    paths = one_at_a_time()
    moments = paths.landmarks(500.0)
    days, _ = paths.known_on(500.0, moments)
    ranges = 2 * days[:, None] * (0.5 + LEVELS)
    found = mapped_levels(paths, moments, ranges, 500.0, trust=120.0)
    assert found[LEVELS == 0.5] == pytest.approx(0.5)
    assert found[LEVELS == 0.85] < 0.75


def test_landmarks_lie_whole_weeks_or_whole_days_before_today() -> None:
    paths = paths_of(lines.age_matters(seeded()))
    weekly, daily = paths.landmarks(700.25), paths.landmarks(60.25)
    assert ((700.25 - weekly.at) % 7).tolist() == [0] * len(weekly)
    assert ((60.25 - daily.at) % 1).tolist() == [0] * len(daily)
    assert np.unique(np.diff(np.unique(daily.at))).tolist() == [1]
    assert weekly.at.max() == 693.25
    for at in np.unique(weekly.at)[::9]:
        assert weekly.stay[weekly.at == at].tolist() == paths.open_at(float(at)).stay.tolist()


def test_what_is_noted_by_day_may_take_no_day_at_all() -> None:
    """Three in four are through the second step on the day they come to it; the others take eight."""
    stays = []
    for piece, when in enumerate(np.arange(0.0, 400.0)):
        rest = 0.0 if piece % 4 else 8.0
        stays += [(piece, 0, when, when + 3), (piece, 1, when + 3, when + 3 + rest)]
    paths = paths_of(lines.cut(stays, 390.0))
    moments = paths.open_at(388.0)
    moments = moments[paths.step[moments.stay] == 0]
    said = fit_walks(paths, 388.0).predict(moments, seeded())
    left = paths.entered[moments.stay] + 3 - 388.0
    for level, days in ((0.5, 0.0), (0.9, 8.0)):
        assert said[:, LEVELS.round(6) == level][:, 0] == pytest.approx(left + days)


def test_where_many_remain_as_long_to_the_day_a_forest_reads_whole_days() -> None:
    days = np.repeat([1.0, 2.0, 3.0], 40)
    ends = _grid(days)
    assert ends.tolist() == [1, 2, 3] == _begins(ends, days).tolist()
    spread = seeded().random(400)
    assert _begins(_grid(spread), spread)[1:] == pytest.approx(_grid(spread)[:-1])
