"""Rates, control charts, quantiles and Little's law against printed values and other libraries."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from app.leadtimes.rates import wilson
from app.leadtimes.statistics import individuals_chart, little, log_individuals_chart, nearest_rank

LEAD_TIMES = [21, 23, 24, 25, 26, 27, 28, 28, 29, 30, 31, 33, 34, 36, 38, 41, 45, 52, 60, 75]
# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.
FLOWRATES = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


@pytest.mark.parametrize(
    ("hits", "n", "lower", "upper"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_has_newcombes_intervals(hits: int, n: int, lower: float, upper: float) -> None:
    assert wilson(hits, n) == pytest.approx((lower, upper), abs=5e-5)
    assert wilson(hits, n) == pytest.approx(proportion_confint(hits, n, method="wilson"), abs=1e-9)


def test_wilson_knows_nothing_of_nobody() -> None:
    assert wilson(0, 0) == (0, 1)
    assert wilson(5, 5)[1] == 1
    with pytest.raises(ValueError, match="between 0 and n"):
        wilson(3, 2)


def test_the_individuals_chart_has_the_handbooks_limits() -> None:
    chart = individuals_chart(FLOWRATES)
    assert chart.centre == pytest.approx(50.81, abs=1e-9)
    assert chart.mean_range == pytest.approx(1.8778, abs=5e-5)
    assert (round(chart.lower, 4), round(chart.upper, 4)) == (45.8159, 55.8041)
    assert chart.outside == ()
    by_rounded_factor = 2.66 * chart.mean_range
    assert round(50.81 - by_rounded_factor, 4) == 45.8151
    assert round(50.81 + by_rounded_factor, 4) == 55.8049


def test_a_leap_lies_outside_the_limits() -> None:
    assert individuals_chart([10, 11, 10, 11, 10, 11, 10, 40]).outside == (7,)


def test_the_chart_on_logarithms_is_told_in_days() -> None:
    chart = log_individuals_chart([10, 20, 10, 20])
    assert (chart.centre, chart.mean_range) == pytest.approx((np.sqrt(200), 2))
    assert chart.lower > 0
    with pytest.raises(ValueError, match="above 0"):
        log_individuals_chart([0, 1])
    with pytest.raises(ValueError, match="at least two"):
        individuals_chart([1])


def test_quantiles_by_nearest_rank_are_values_of_the_sample() -> None:
    assert nearest_rank([15, 20, 35, 40, 50], 0.4) == 20
    assert nearest_rank(range(1, 11), 0.85) == 9
    assert np.mean(LEAD_TIMES) == 35.3
    assert nearest_rank(LEAD_TIMES, [0.5, 0.8, 0.85, 0.95]).tolist() == [30, 41, 45, 60]
    with pytest.raises(ValueError, match="at least one value"):
        nearest_rank([], 0.5)


def test_160_in_work_at_8_a_month_take_20_months() -> None:
    """Little & Graves 2008: a steady line, one piece
    every eighth of a month, each in work for 20 months.
    """
    entered = np.arange(0, 200, 1 / 8)
    check = little(entered, entered + 20, start=50, end=150)
    assert (check.in_work, check.per_day, check.expected_days) == pytest.approx((160, 8, 20))


def test_littles_law_says_nothing_of_an_empty_window() -> None:
    assert np.isnan(little([0.0], [np.nan], start=5, end=6).expected_days)


@given(st.integers(0, 50), st.integers(1, 50))
def test_the_interval_holds_the_rate(hits: int, n: int) -> None:
    hits = min(hits, n)
    lower, upper = wilson(hits, n)
    assert 0 <= lower <= hits / n <= upper <= 1
