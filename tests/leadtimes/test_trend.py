"""Shifts and slow drift, against a handbook's printed values and another library's test."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import mannwhitneyu

from app.leadtimes.trend import ewma_chart, shift

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4: the data and the averages printed
# there (from memory), for a weight of 0.3, a centre of 50 and a sigma of 2.0539.
HANDBOOK = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
]  # fmt: skip
AVERAGES = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip


def test_the_drift_chart_has_the_handbooks_averages_and_limits() -> None:
    chart = ewma_chart(HANDBOOK, 50, 2.0539, weight=0.3)
    assert chart.averages == pytest.approx(AVERAGES, abs=0.0051)
    assert (chart.lower, chart.upper) == pytest.approx((47.4115, 52.5884), abs=1e-4)
    assert chart.outside == ()
    assert chart.since is None


def test_a_slow_drift_is_seen_that_no_single_value_shows() -> None:
    creeping = 50 + np.linspace(0, 4, 30)
    chart = ewma_chart(creeping, 50, 2.0, weight=0.2)
    assert np.all(np.abs(creeping - 50) < 3 * 2.0)
    assert chart.since is not None
    assert chart.outside == tuple(range(chart.since, 30))


def test_what_has_come_back_is_drift_no_more() -> None:
    chart = ewma_chart([*[60.0] * 5, *[50.0] * 40], 50, 2.0)
    assert chart.outside
    assert chart.since is None
    with pytest.raises(ValueError, match="above 0"):
        ewma_chart([1.0], 1, 1, weight=0)


def test_the_shift_is_that_of_hollander_and_wolfe() -> None:
    """Permeability of a membrane at two ages, Hollander & Wolfe 1973, table 4.1 (from memory; the
    estimate there is 0.305)."""
    term = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46]
    early = [1.15, 0.88, 0.90, 0.74, 1.21]
    found = shift(early, term)
    assert found.typical == pytest.approx(0.305, abs=1e-9)
    assert found.lower < 0 < found.upper
    assert not found.sure
    with pytest.raises(ValueError, match="both sides"):
        shift([], [1.0])


values = st.lists(st.integers(0, 400), min_size=20, max_size=60, unique=True)


@given(values, values)
def test_the_interval_holds_what_the_rank_sum_test_does_not_reject(
    before: list[int], after: list[int]
) -> None:
    # Sevenths keep the differences apart from the tried shifts, so that there are no ties.
    old, new = np.array(before, dtype=float), np.array(after) + 1 / 7
    found = shift(old, new)

    def doubt(by: float) -> float:
        tested = mannwhitneyu(new - by, old, method="asymptotic", use_continuity=False)
        return float(tested.pvalue)

    assert doubt(found.lower - 0.01) < 0.05
    assert doubt(found.upper + 0.01) < 0.05
    assert doubt(found.typical + 0.001) > 0.05
    assert found.lower <= found.typical <= found.upper


def test_the_interval_holds_as_often_as_it_says() -> None:
    rng = np.random.default_rng(7)
    held = 0
    for _ in range(400):
        found = shift(rng.lognormal(3.4, 0.3, 60), rng.lognormal(3.4, 0.3, 80))
        held += found.lower <= 0 <= found.upper
    assert 0.92 <= held / 400 <= 0.98
