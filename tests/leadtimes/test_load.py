"""How many pieces stand before one: against counting them one by one."""

from dataclasses import replace

import numpy as np
import pytest

from app.leadtimes.forecast.line import in_front
from app.leadtimes.forecast.paths import Moments, Paths, paths_of
from app.leadtimes.log import DAY, make_log
from tests.leadtimes import lines


def counted(paths: Paths, stay: int, when: float, to_go: np.ndarray) -> int:
    """The same, one piece after another."""
    mine = (to_go[paths.step[stay]], paths.entered[stay])
    return sum(
        (to_go[paths.step[other]], paths.entered[other]) < mine
        for other in paths.open_at(when).stay.tolist()
    )


@pytest.mark.parametrize("name", ["stationary line", "rework loops"])
def test_it_counts_what_a_person_would_count(name: str) -> None:
    generator = np.random.default_rng(4)
    log = lines.ASKED[name](generator)
    late = np.where(log.piece % 5 == 0, log.entered + 9 * DAY, np.nan)  # some came under watch late
    paths = paths_of(replace(log, watched_from=late))
    to_go = generator.permutation(paths.steps).astype(float)
    landmarks = paths.landmarks(float(paths.entered.max()))
    some = landmarks[generator.choice(len(landmarks), 200, replace=False)]
    found = in_front(paths, some, to_go)
    expected = [
        counted(paths, stay, when, to_go)
        for stay, when in zip(some.stay.tolist(), some.at.tolist(), strict=True)
    ]
    assert found.tolist() == expected
    assert found.max() > 0


def test_pieces_that_came_together_do_not_stand_before_one_another() -> None:
    log = make_log([1, 2, 3], [0, 0, 0], [0, 0, DAY], [np.nan] * 3, steps=["a", "b"])
    paths = paths_of(log)
    assert in_front(paths, paths.open_at(2.0), np.array([2.0, 1.0])).tolist() == [0, 0, 2]


def test_nobody_asked_nobody_told() -> None:
    paths = paths_of(make_log([], [], [], [], steps=["a"]))
    none = np.zeros(0, dtype=np.int64)
    assert in_front(paths, Moments(none, np.zeros(0)), np.ones(1)).shape == (0,)
