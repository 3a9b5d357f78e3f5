"""Reading a forecast at any level, and back."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.leadtimes.forecast.levels import HIGHEST, LEVELS, POINTS, at_levels, level_of, pinball
from app.leadtimes.forecast.normal import normal_score, normal_share

RISES = st.lists(st.floats(0.01, 5), min_size=LEVELS.size, max_size=LEVELS.size)


def test_at_its_own_levels_a_forecast_is_itself() -> None:
    ranges = np.arange(1.0, LEVELS.size + 1)[None]
    assert at_levels(ranges, LEVELS) == pytest.approx(ranges)
    assert at_levels(ranges, 0.0).tolist() == [[0]]
    assert np.isin(POINTS, LEVELS.round(6)).all()


@given(RISES, st.floats(0.001, HIGHEST - 1e-6))
def test_a_level_read_and_asked_back_is_the_same_level(rises: list[float], level: float) -> None:
    ranges = np.cumsum(rises)[None]
    assert level_of(ranges, at_levels(ranges, level)[:, 0])[0] == pytest.approx(level, abs=1e-9)


@given(RISES)
def test_points_never_cross(rises: list[float]) -> None:
    days = at_levels(np.cumsum(rises)[None], np.linspace(0, 1, 101))
    assert (np.diff(days) >= 0).all()


def test_each_piece_may_be_read_at_a_level_of_its_own() -> None:
    ranges = np.tile(LEVELS * 100, (2, 1))
    assert at_levels(ranges, [[0.5], [0.9]]).ravel() == pytest.approx([50, 90])


def test_pinball_is_least_at_the_quantile() -> None:
    truth = np.arange(1.0, 101)
    losses = [pinball(np.full(100, day), truth, 0.85).mean() for day in (70, 85, 95)]
    assert losses[1] == min(losses)
    assert pinball(np.array([3.0]), np.array([5.0]), 0.5).tolist() == [1]


def test_the_normal_table_is_the_normal_distribution() -> None:
    assert normal_share([-1.96, 0, 1]) == pytest.approx([0.0249979, 0.5, 0.8413447], abs=2e-6)
    assert normal_score([0.85, 0.975]) == pytest.approx([1.0364334, 1.9599640], abs=2e-5)
