"""How many pieces stand before one: against counting them one by one."""

from dataclasses import replace

import numpy as np
import pytest

from app.leadtimes.forecast.load import in_front
from app.leadtimes.forecast.paths import Moments, Paths, paths_of
from app.leadtimes.log import DAY, make_log
from tests.leadtimes import lines


def counted(paths: Paths, stay: int, when: float, order: list[int]) -> list[int]:
    """The same, one piece after another; `order` holds the steps as they usually follow."""
    others = [other for other in paths.open_at(when).stay.tolist() if other != stay]
    mine = order.index(paths.step[stay])
    places = [order.index(paths.step[other]) for other in others]
    same = sum(
        place == mine and paths.entered[other] < paths.entered[stay]
        for other, place in zip(others, places, strict=True)
    )
    return [same, sum(p > mine for p in places), sum(p < mine for p in places)]


@pytest.mark.parametrize("name", ["stationary line", "rework loops"])
def test_it_counts_what_a_person_would_count(name: str) -> None:
    generator = np.random.default_rng(4)
    log = lines.ASKED[name](generator)
    late = np.where(log.piece % 5 == 0, log.entered + 9 * DAY, np.nan)  # some came under watch late
    paths = paths_of(replace(log, watched_from=late))
    order = list(range(paths.steps))
    some = paths.landmarks[generator.choice(len(paths.landmarks), 200, replace=False)]
    found = in_front(paths, some)
    expected = [
        counted(paths, stay, when, order)
        for stay, when in zip(some.stay.tolist(), some.at.tolist(), strict=True)
    ]
    assert found.tolist() == expected
    assert found.max(axis=0).min() > 0


def test_pieces_that_came_together_do_not_stand_before_one_another() -> None:
    log = make_log([1, 2, 3], [0, 0, 0], [0, 0, DAY], [np.nan] * 3, steps=["a", "b"])
    paths = paths_of(log)
    assert in_front(paths, paths.open_at(2.0)).tolist() == [[0, 0, 0], [0, 0, 0], [2, 0, 0]]


def test_what_comes_later_changes_nothing() -> None:
    paths = paths_of(lines.ASKED["rework loops"](np.random.default_rng(4)))
    now = float(np.median(paths.entered))
    early = paths.landmarks[paths.landmarks.at <= now]
    known = paths.entered <= now
    shuffled = replace(paths, step=np.where(known, paths.step, 0))
    assert (in_front(paths, early, now) == in_front(shuffled, early, now)).all()


def test_nobody_asked_nobody_told() -> None:
    paths = paths_of(make_log([], [], [], [], steps=["a"]))
    none = np.zeros(0, dtype=np.int64)
    assert in_front(paths, Moments(none, np.zeros(0))).shape == (0, 3)
