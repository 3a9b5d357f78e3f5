"""Survival curves against reprinted tables, against lifelines and statsmodels, and by property."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter
from lifelines.datasets import (
    load_gbsg2,
    load_lung,
    load_multicenter_aids_cohort_study,
    load_waltons,
)
from scipy.stats import norm
from statsmodels.datasets import heart
from statsmodels.duration.survfunc import SurvfuncRight

from app.leadtimes.survival import Curve, kaplan_meier

# Freireich et al. 1963, weeks in remission, as widely reprinted.
MERCAPTOPURINE = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
RELAPSED = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]


def interval(curve: Curve) -> np.ndarray:
    """The log-log interval of 95 % at each event time (Kalbfleisch & Prentice 2002, 1.4)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = norm.ppf(0.975) * np.sqrt(curve.hazard_variance) / -np.log(curve.survival)
        return curve.survival[:, None] ** np.exp(spread[:, None] * [1, -1])


@pytest.fixture
def treated() -> Curve:
    return kaplan_meier(MERCAPTOPURINE, RELAPSED)


def test_the_treated_arm_has_the_printed_shares_and_standard_errors(treated: Curve) -> None:
    assert treated.times.tolist() == [6, 7, 10, 13, 16, 22, 23]
    assert treated.at_risk.tolist() == [21, 17, 15, 12, 11, 7, 6]
    assert treated.survival.round(3).tolist() == [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448]
    printed = [0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346]
    assert treated.standard_error(treated.times).round(4).tolist() == printed


def test_the_treated_arm_has_median_23_and_the_remembered_interval_at_10(treated: Curve) -> None:
    assert treated.quantile(0.5) == 23
    assert sum(MERCAPTOPURINE) == 359
    at_10 = np.searchsorted(treated.times, 10, "right") - 1
    assert interval(treated)[at_10].round(3).tolist() == [0.503, 0.889]


def test_the_placebo_arm_has_eight_of_21_left_at_10_and_median_8() -> None:
    placebo = kaplan_meier(PLACEBO, np.ones(21))
    assert placebo.at(10) == pytest.approx(8 / 21, abs=1e-12)
    assert placebo.standard_error(10) == pytest.approx(0.106, abs=5e-4)
    assert placebo.quantile(0.5) == 8


@pytest.mark.parametrize(
    ("load", "time", "event"),
    [(load_waltons, "T", "E"), (load_lung, "time", "status"), (load_gbsg2, "time", "cens")],
)
def test_curve_and_variance_equal_lifelines(load, time, event) -> None:  # type: ignore[no-untyped-def]
    rows = load()
    ours = kaplan_meier(rows[time], rows[event])
    theirs = KaplanMeierFitter().fit(rows[time], rows[event])
    assert ours.survival == pytest.approx(
        theirs.survival_function_at_times(ours.times).to_numpy(), abs=1e-12
    )
    inside = (ours.survival > 0) & (ours.survival < 1)
    bounds = theirs.confidence_interval_.loc[ours.times[inside]].to_numpy()
    assert interval(ours)[inside] == pytest.approx(bounds, abs=1e-9)


def test_delayed_entry_equals_lifelines() -> None:
    rows = load_multicenter_aids_cohort_study()
    rows = rows[rows["T"] > rows["W"]]
    ours = kaplan_meier(rows["T"], rows["D"], entry=rows["W"])
    theirs = KaplanMeierFitter().fit(rows["T"], rows["D"], entry=rows["W"])
    assert ours.survival == pytest.approx(
        theirs.survival_function_at_times(ours.times).to_numpy(), abs=1e-12
    )


def test_share_and_standard_error_equal_statsmodels() -> None:
    rows = heart.load_pandas().data
    theirs = SurvfuncRight(rows["survival"], rows["censors"])
    ours = kaplan_meier(rows["survival"], rows["censors"])
    assert ours.times.tolist() == theirs.surv_times.tolist()
    assert ours.survival == pytest.approx(theirs.surv_prob, abs=1e-12)
    assert ours.standard_error(ours.times) == pytest.approx(theirs.surv_prob_se, abs=1e-9)


def test_what_the_curve_does_not_tell_is_infinite(treated: Curve) -> None:
    assert treated.quantile([0.85]).tolist() == [np.inf]


def test_nobody_gives_a_curve_that_stays_at_one() -> None:
    empty = kaplan_meier([], [])
    assert empty.at([0, 5]).tolist() == [1, 1]
    assert empty.quantile(0.5) == np.inf


def test_rows_that_leave_before_they_come_are_refused() -> None:
    with pytest.raises(ValueError, match="come under watch"):
        kaplan_meier([1.0], [True], entry=[2.0])
    with pytest.raises(ValueError, match="one length"):
        kaplan_meier([1.0, 2.0], [True])
    with pytest.raises(ValueError, match="must be known"):
        kaplan_meier([np.nan], [False])
    with pytest.raises(ValueError, match="not negative"):
        kaplan_meier([-1.0], [True])


def test_a_zero_is_a_zero_whatever_its_sign() -> None:
    assert kaplan_meier([0.0, -0.0, 0.0], [True, True, False]).events.tolist() == [2]


ROWS = st.lists(
    st.tuples(st.integers(0, 20), st.integers(1, 20), st.booleans()), min_size=1, max_size=40
)


def columns(rows: list[tuple[int, int, bool]]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    come = np.array([row[0] for row in rows], dtype=float)
    return come, come + [row[1] for row in rows], np.array([row[2] for row in rows])


@given(ROWS)
def test_censoring_nobody_gives_the_empirical_curve(rows: list[tuple[int, int, bool]]) -> None:
    _, exit, _ = columns(rows)
    curve = kaplan_meier(exit, np.ones(exit.size))
    when = np.arange(42)
    assert curve.at(when) == pytest.approx((exit[:, None] > when).mean(axis=0), abs=1e-12)


@given(ROWS, st.randoms(use_true_random=False))
def test_the_order_of_rows_is_nothing(rows: list[tuple[int, int, bool]], shuffler) -> None:  # type: ignore[no-untyped-def]
    come, exit, event = columns(rows)
    turned = np.array(shuffler.sample(range(len(rows)), len(rows)))
    one, other = (
        kaplan_meier(exit, event, come),
        kaplan_meier(exit[turned], event[turned], come[turned]),
    )
    assert one.survival.tolist() == other.survival.tolist()


@given(ROWS, st.sampled_from([0.25, 2.0, 1024.0]))
def test_units_scale(rows: list[tuple[int, int, bool]], factor: float) -> None:
    come, exit, event = columns(rows)
    one, other = kaplan_meier(exit, event, come), kaplan_meier(exit * factor, event, come * factor)
    assert (one.times * factor).tolist() == other.times.tolist()
    assert one.survival.tolist() == other.survival.tolist()


@given(ROWS)
def test_a_tie_is_a_tie(rows: list[tuple[int, int, bool]]) -> None:
    """Doubling every row changes nothing but the counts:
    two events at one time are one step of the curve.
    """
    _, exit, event = columns(rows)
    one, twice = kaplan_meier(exit, event), kaplan_meier(np.tile(exit, 2), np.tile(event, 2))
    assert one.times.tolist() == twice.times.tolist()
    assert one.survival == pytest.approx(twice.survival, abs=1e-12)
    assert (2 * one.events).tolist() == twice.events.tolist()
