"""Hashed draws and quantile tables."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import kstest, pearsonr

from app.leadtimes.floor import Floor, FloorPiece, FloorStep, Rework, quantile_table, simulate
from app.leadtimes.floor.draws import GOLDEN, mix, replication_keys, share_below, uniforms


def test_the_hash_is_splitmix64():
    """First numbers of the stream of seed 0, as widely reprinted (from memory)."""
    stream = mix(GOLDEN * np.arange(1, 4, dtype=np.uint64))
    assert [hex(x) for x in stream] == [
        "0xe220a8397b1dcdaf", "0x6e789e6aa1b965f4", "0x6c45d188009454f",
    ]  # fmt: skip


def test_draws_are_uniform_and_neighbours_have_nothing_to_do_with_each_other():
    keys = replication_keys(7, 0, 50_000)
    here, there = uniforms(keys), uniforms(keys + GOLDEN)
    assert kstest(here, "uniform").pvalue > 0.01
    assert abs(pearsonr(here, there).statistic) < 0.015
    assert abs(pearsonr(here[1:], here[:-1]).statistic) < 0.015
    low = (mix(keys) & np.uint64(0xFFFFFF)) * 2.0**-24  # the coin against the duration
    assert abs(pearsonr(here, low).statistic) < 0.015


def test_replications_do_not_depend_on_how_many_are_run():
    assert np.array_equal(replication_keys(3, 0, 100)[40:60], replication_keys(3, 40, 20))


def test_nothing_of_its_own_gives_the_default_and_much_of_its_own_outweighs_it():
    default = np.linspace(1, 3, 50)
    assert quantile_table([], default) == pytest.approx(quantile_table(default), abs=1e-12)
    middle = [np.median(quantile_table([9.0] * n, default, 10)) for n in (0, 5, 11, 500)]
    assert middle == sorted(middle)
    assert middle[0] == pytest.approx(2, abs=0.05)
    assert middle[-1] == 9
    assert quantile_table([9.0] * 10, [1.0] * 50, 10).mean() == pytest.approx(5, abs=0.2)


@given(st.lists(st.floats(0, 1e3), min_size=1, max_size=40))
def test_the_order_of_stays_is_nothing_and_units_scale(stays):
    table = quantile_table(stays)
    assert np.array_equal(table, quantile_table(sorted(stays)))
    assert quantile_table(np.array(stays) * 24) == pytest.approx(table * 24)
    assert min(stays) == pytest.approx(table[0])
    assert max(stays) == pytest.approx(table[-1])


@pytest.mark.parametrize("own", [[], [1, -1], [np.nan], [np.inf]])
def test_a_sample_that_cannot_be_drawn_from_is_refused(own):
    with pytest.raises(ValueError):
        quantile_table(own)


def test_what_is_left_of_work_in_hand_is_drawn_from_stays_that_lasted_as_long():
    stays = np.random.default_rng(1).lognormal(1, 0.7, 4000)
    table = quantile_table(stays)
    assert share_below(table, 3.0) == pytest.approx((stays < 3.0).mean(), abs=0.003)
    floor = Floor(
        (FloorStep("one", table, people=1),), (FloorPiece("A", "one", in_hand=True, age_h=3.0),)
    )
    left = simulate(floor, 4000).ready[:, 0]
    assert kstest(left, stays[stays > 3.0] - 3.0).pvalue > 0.01


def test_older_than_all_stays_draws_afresh():
    table = quantile_table([1.0, 2.0, 3.0])
    old = Floor(
        (FloorStep("one", table, people=1),), (FloorPiece("A", "one", in_hand=True, age_h=9.0),)
    )
    new = Floor((FloorStep("one", table, people=1),), (FloorPiece("A", "one"),))
    assert np.array_equal(simulate(old, 50).ready, simulate(new, 50).ready)


def test_a_piece_keeps_its_draws_whoever_else_is_on_the_floor():
    table = quantile_table(np.random.default_rng(2).exponential(5, 100))
    steps = (
        FloorStep("shaping", table),
        FloorStep("painting", table, rework=(Rework("shaping", 0.3),)),
    )
    alone = simulate(Floor(steps, (FloorPiece("1147-A2", "shaping"),)), 200)
    others = tuple(FloorPiece(f"x{k}", "painting", priority=-1) for k in range(30))
    among = simulate(Floor(steps, (*others, FloorPiece("1147-A2", "shaping"))), 200)
    assert np.array_equal(alone.ready[:, 0], among.ready[:, -1])
