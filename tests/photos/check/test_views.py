"""The view graph against known cameras, and against pictures known to match or not."""

from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage

from app.photos.check import views
from app.photos.check.graph import shape, weights_of
from app.photos.pictures import decoder
from app.photos.pictures.reading import Features
from tests.photos.check.render import View, camera, picture
from tests.photos.check.sets import ring

DATA = Path(skimage.__file__).parent / "data"
STRANGERS = ["chelsea.png", "coffee.png", "astronaut.png", "rocket.jpg", "retina.jpg"]


def features_of(grey: np.ndarray, kind: str = "orb") -> Features:
    found = decoder.features(grey, kind)
    width, height = (int(v) for v in found["size"])
    return Features(found["points"], found["described"], (width, height))


def stored(name: str, kind: str = "orb") -> Features:
    return features_of(cv2.imread(str(DATA / name), cv2.IMREAD_GRAYSCALE), kind)


def rendered(view: View, kind: str = "orb") -> Features:
    return features_of(cv2.cvtColor(picture(view), cv2.COLOR_RGB2GRAY), kind)


def angle(turn: np.ndarray) -> float:
    return float(np.degrees(np.arccos(np.clip((np.trace(turn) - 1) / 2, -1, 1))))


FOCAL = (1.25, 1.25)


@pytest.mark.parametrize("kind", ["orb", "sift"])
def test_a_stereo_pair_matches(kind: str) -> None:
    pair = (stored("motorcycle_left.png", kind), stored("motorcycle_right.png", kind))
    link = views.link((0, 1), pair, FOCAL)
    assert link.agreeing > 100
    assert link.rotation is not None
    assert angle(link.rotation) < 3.0


@pytest.mark.parametrize("kind", ["orb", "sift"])
def test_pictures_of_different_things_do_not_match(kind: str) -> None:
    found = [stored(n, kind) for n in [*STRANGERS, "motorcycle_left.png"]]
    for i in range(len(found)):
        for j in range(i):
            assert views.link((j, i), (found[j], found[i]), FOCAL).agreeing < 15


@pytest.mark.parametrize("background", ["ground", "plain"])
def test_matches_of_a_ring_are_those_of_cameras_that_overlap(background: str) -> None:
    around = ring(20, background=background)
    found = [rendered(v, "sift") for v in around]
    neighbours, opposite = [], []
    for i in range(len(found)):
        for j in range(i):
            apart = abs((around[i].azimuth - around[j].azimuth + 180) % 360 - 180)
            agreeing = views.link((j, i), (found[j], found[i]), FOCAL).agreeing
            if apart == 20:
                neighbours.append(agreeing)
            if apart >= 140:
                opposite.append(agreeing)
    assert min(neighbours) >= 20
    # From opposite sides the same pebbles are seen upside down; one such pair may slip through.
    assert sum(n >= 20 for n in opposite) <= 1


@pytest.mark.parametrize(("first", "second"), [(0, 10), (40, 50), (90, 100), (200, 210)])
def test_the_turn_read_between_neighbours_is_the_cameras_turn(first: float, second: float) -> None:
    pair = (View(first), View(second))
    link = views.link((0, 1), (rendered(pair[0]), rendered(pair[1])), FOCAL)
    true = camera(pair[1])[0] @ camera(pair[0])[0].T
    assert link.rotation is not None
    assert angle(link.rotation @ true.T) < 5.0


def test_a_background_at_rest_is_seen_to_be() -> None:
    pair = (View(0, background="still"), View(45, background="still"))
    link = views.link((0, 1), (rendered(pair[0]), rendered(pair[1])), FOCAL)
    assert link.still
    assert link.moving < link.agreeing / 2


def test_nothing_to_match_is_no_match_and_no_error() -> None:
    flat = features_of(np.full((300, 400), 128, np.uint8))
    assert len(flat.points) == 0
    assert views.link((0, 1), (flat, rendered(View(0))), FOCAL).agreeing == 0


def test_degenerate_points_give_no_geometry() -> None:
    on_a_line = np.stack([np.arange(40.0), np.arange(40.0)], 1).astype(np.float32)
    same = np.zeros((40, 2), np.float32)
    assert views.epipolar(same, on_a_line).sum() <= 40
    assert views.turn_between(same, same, (np.array([800.0, 400, 300]),) * 2) is None


def test_likeness_is_the_correlation_coefficient() -> None:
    rng = np.random.default_rng(5)
    small = [rng.integers(0, 255, (32, 32)).astype(np.uint8) for _ in range(4)]
    expected = np.corrcoef([s.ravel() for s in small])
    assert np.allclose(views.likeness(small), expected, atol=1e-4)


def test_a_flat_picture_is_like_nothing() -> None:
    flat = np.full((32, 32), 90, np.uint8)
    assert views.likeness([flat, flat])[0, 1] == 0.0


def test_pairs_worth_matching_are_few_and_hold_all_neighbours() -> None:
    alike = np.eye(60, dtype=np.float32)
    pairs = views.worth_matching(alike)
    assert {(i, i + 1) for i in range(59)} <= set(pairs)
    assert len(pairs) < 60 * 8 + 1
    assert len(views.worth_matching(np.eye(10, dtype=np.float32))) == 45


def test_shape_counts_what_a_single_lost_match_cannot_split() -> None:
    triangle_and_tail = {(0, 1): 20, (1, 2): 20, (0, 2): 20, (2, 3): 20, (4, 5): 20}
    found = shape(range(7), triangle_and_tail)
    assert found.core == (0, 1, 2)
    assert found.share == pytest.approx(3 / 7)
    assert found.groups == ((0, 1, 2, 3), (4, 5))
    assert found.alone == (6,)
    assert found.hanging == (3,)
    assert found.thin == (3, 4, 5, 6)


def test_weights_leave_out_matches_too_small() -> None:
    pair = (rendered(View(0)), rendered(View(10)))
    link = views.link((0, 1), pair, FOCAL)
    assert weights_of([link], 15) == {(0, 1): link.agreeing}
    assert weights_of([link], link.agreeing + 1) == {}
