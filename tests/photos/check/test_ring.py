"""The ring read from turns, against cameras that are known exactly."""

import numpy as np
import pytest

from app.photos.check.facts import ViewPair
from app.photos.check.ring import read_ring
from tests.photos.check.render import View, camera


def scaled(turn: np.ndarray, factor: float) -> np.ndarray:
    """The same axis, the angle times a factor: what a wrong focal length does, about."""
    cosine = np.clip((np.trace(turn) - 1) / 2, -1, 1)
    angle = np.arccos(cosine)
    if angle < 1e-9:
        return turn
    axis = np.array([turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]])
    x, y, z = axis / (2 * np.sin(angle))
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    a = angle * factor
    return np.eye(3) + np.sin(a) * cross + (1 - np.cos(a)) * cross @ cross


def links_of(
    azimuths: list[float],
    reach: float = 25,
    factor: float = 1.0,
    height: float = 14,
    shake: float = 0.0,
) -> list[ViewPair]:
    turned = [camera(View(a, height))[0] for a in azimuths]
    rng = np.random.default_rng(4)
    links = []
    for i in range(len(azimuths)):
        for j in range(i + 1, len(azimuths)):
            if abs((azimuths[i] - azimuths[j] + 180) % 360 - 180) > reach:
                continue
            turn = scaled(turned[j] @ turned[i].T, factor)
            turn = scaled(turn, 1.0 + rng.normal(0, shake))
            links.append(ViewPair(i, j, 60, 60, rotation=turn))
    return links


def test_a_whole_ring_is_closed_and_its_widest_step_known() -> None:
    ring = read_ring(links_of([10.0 * k for k in range(36)]))
    assert ring is not None
    assert ring.closed
    assert ring.gap == pytest.approx(10, abs=1)
    assert ring.step == pytest.approx(10, abs=1)


@pytest.mark.parametrize("factor", [0.6, 0.8, 1.25, 1.6])
def test_a_wrong_focal_length_neither_opens_a_closed_ring_nor_closes_an_open_one(
    factor: float,
) -> None:
    whole = read_ring(links_of([10.0 * k for k in range(36)], factor=factor))
    part = read_ring(links_of([10.0 * k for k in range(27)], factor=factor))
    assert whole is not None
    assert part is not None
    assert whole.closed
    assert whole.gap < 15
    assert not part.closed


@pytest.mark.parametrize("missing", [60, 90, 120, 180, 250])
def test_a_gap_is_read_as_wide_as_it_is_and_between_its_ends(missing: int) -> None:
    azimuths = [10.0 * k for k in range(37 - missing // 10)]
    ring = read_ring(links_of(azimuths, shake=0.1))
    assert ring is not None
    assert ring.gap == pytest.approx(missing, abs=12)
    assert set(ring.between) == {0, len(azimuths) - 1}


def test_the_order_of_the_pictures_does_not_matter() -> None:
    mixed = [10.0 * k for k in np.random.default_rng(1).permutation(27)]
    ring = read_ring(links_of(mixed))
    assert ring is not None
    assert ring.gap == pytest.approx(100, abs=5)
    assert {mixed[k] for k in ring.between} == {0.0, 260.0}


@pytest.mark.parametrize("height", [-10.0, 0.0, 14.0, 40.0])
def test_the_cameras_height_is_read(height: float) -> None:
    ring = read_ring(links_of([10.0 * k for k in range(36)], height=height))
    assert ring is not None
    assert np.allclose(list(ring.height.values()), height, atol=2.0)


def test_a_few_wrong_matches_do_not_open_the_ring() -> None:
    links = links_of([10.0 * k for k in range(36)])
    wrong = camera(View(77, 40))[0] @ camera(View(0, -5))[0].T
    ring = read_ring(
        [*links, ViewPair(3, 20, 18, 18, rotation=wrong), ViewPair(9, 30, 16, 16, rotation=wrong)]
    )
    assert ring is not None
    assert ring.gap < 15
    assert ring.doubted < 0.1


def test_too_few_turns_tell_nothing() -> None:
    assert read_ring([]) is None
    assert read_ring(links_of([0, 10, 20, 30, 40])) is None


def test_what_an_open_ring_leaves_open_is_no_step() -> None:
    from_one_place = read_ring(links_of([0.5 * k for k in range(12)]))
    assert from_one_place is not None
    assert from_one_place.gap == pytest.approx(354, abs=2)
    assert from_one_place.step == 0.0
    half = read_ring(links_of([10.0 * k for k in range(19)]))
    assert half is not None
    assert half.step == pytest.approx(10, abs=1)


def test_an_open_ring_is_open_where_no_match_leads_across_not_at_its_widest_step() -> None:
    azimuths = [10.0 * k for k in range(36) if k not in (7, 8)]
    links = [e for e in links_of(azimuths, reach=35) if (e.a <= 20) == (e.b <= 20)]
    joined = [e for e in links_of(azimuths, reach=35) if {e.a, e.b} == {0, 33}]
    ring = read_ring([*links, *joined])
    assert ring is not None
    assert not ring.closed
    assert set(ring.between) == {20, 21}


@pytest.mark.parametrize(("pictures", "closed"), [(36, True), (19, False)])
def test_one_weak_match_closes_a_round_but_not_half_a_round(pictures: int, closed: bool) -> None:
    azimuths = [10.0 * k for k in range(pictures)]
    links = [e for e in links_of(azimuths) if e.b - e.a < 10]
    one_step = camera(View(0.0))[0] @ camera(View(350.0))[0].T
    links.append(ViewPair(pictures - 1, 0, 21, 21, rotation=one_step))
    ring = read_ring(links)
    assert ring is not None
    assert ring.closed == closed
