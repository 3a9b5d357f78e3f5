"""Which pictures show the same thing: local features matched, and the match tested by geometry.

Imports OpenCV, so import it only where a set is checked.
"""

from collections.abc import Sequence
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from app.photos.check.facts import ViewPair
from app.photos.pictures.reading import Features

FEW = 8
"""Fewer matches than this say nothing: seven points always fit some epipolar geometry."""
TOLERANCE = 1.5
"""Pixels a point may lie from its epipolar line, in pictures of 800 px."""
STILL = 0.002
"""A point that moved by less than this share of the picture's long side stood still."""

UNBELIEVABLE = 120.0
"""Degrees. Cameras turned by more than this see no common side of an animal. What still matches is
the ground, seen upside down from opposite sides; it would fold two halves of a ring into one."""

UNPROVEN = 45
"""So many agreeing features are believed without a pose that puts them before both cameras: from
one spot, or of something far away, no such pose can be had."""

Points = NDArray[np.float32]


def alike(first: Features, second: Features) -> tuple[Points, Points]:
    """Matched points of two pictures: nearest both ways and clearly nearer than the next.

    The ratio test of Lowe, "Distinctive image features from scale-invariant keypoints", IJCV 60
    (2004), section 7.1, at 0.8; Hamming distance for ORB, Euclidean for SIFT.
    """
    empty = np.zeros((0, 2), np.float32)
    if min(len(first.points), len(second.points)) < FEW:
        return empty, empty
    binary = first.described.shape[1] == 32
    nearest_two = _nearest_binary if binary else _nearest_unit
    best, distance = nearest_two(first.described, second.described, 2)
    clear = np.flatnonzero(distance[:, 0] < 0.8 * distance[:, 1])
    if not len(clear):
        return empty, empty
    back, _ = nearest_two(second.described[best[clear, 0]], first.described, 1)
    kept = clear[back[:, 0] == clear]
    return first.points[kept], second.points[best[kept, 0]]


Nearest = tuple[NDArray[np.int_], NDArray[np.float32]]


def _nearest_binary(a: NDArray[np.uint8], b: NDArray[np.uint8], count: int) -> Nearest:
    """Places in `b` and distances of the `count` nearest to each of `a`, by Hamming distance."""
    distance, place = cv2.batchDistance(a, b, cv2.CV_32S, None, None, cv2.NORM_HAMMING, count)
    return place.astype(int), distance.astype(np.float32)


def _nearest_unit(a: NDArray[np.uint8], b: NDArray[np.uint8], count: int) -> Nearest:
    """The same by Euclidean distance of RootSIFT vectors (Arandjelović and Zisserman, CVPR 2012).

    `count` is 1 or 2. Of unit vectors the nearest are those with the largest product.
    """
    product = _roots(a) @ _roots(b).T
    rows = np.arange(len(a))
    places, products = [], []
    for _ in range(count):
        best = product.argmax(axis=1)
        places.append(best)
        products.append(product[rows, best])
        product[rows, best] = -1.0
    squared = 2.0 - 2.0 * np.stack(products, axis=1)
    return np.stack(places, axis=1), np.sqrt(np.maximum(squared, 0.0)).astype(np.float32)


def _roots(described: NDArray[np.uint8]) -> NDArray[np.float32]:
    plane = described.astype(np.float32)
    plane /= np.maximum(plane.sum(axis=1, keepdims=True), 1.0)
    return np.asarray(np.sqrt(plane), np.float32)


def epipolar(first: Points, second: Points) -> NDArray[np.bool_]:
    """Which matches agree with one epipolar geometry (MAGSAC++, Barath et al., CVPR 2020)."""
    none = np.zeros(len(first), bool)
    if len(first) < FEW:
        return none
    try:
        _, mask = cv2.findFundamentalMat(first, second, cv2.USAC_MAGSAC, TOLERANCE, 0.999, 2000)
    except cv2.error:
        return none  # Degenerate points: it raises instead of finding nothing.
    return none if mask is None else np.asarray(mask.ravel() > 0)


def turn_between(
    first: Points, second: Points, cameras: tuple[NDArray[np.float64], NDArray[np.float64]]
) -> NDArray[np.float64] | None:
    """Rotation from the first camera to the second, 3 × 3, by way of the essential matrix.

    Nistér, "An efficient solution to the five-point relative pose problem", PAMI 26 (2004),
    within MAGSAC++: on rendered rings its median error was a third of plain RANSAC's.
    `cameras` are (focal length in px, centre x, centre y) of each.
    """
    one, two = (
        np.ascontiguousarray((points - camera[1:]) / camera[0], np.float64)
        for points, camera in zip((first, second), cameras, strict=True)
    )
    tolerance = float(1.0 / np.sqrt(cameras[0][0] * cameras[1][0]))
    try:
        essential, mask = cv2.findEssentialMat(
            one, two, np.eye(3), cv2.USAC_MAGSAC, 0.9999, tolerance, 1000
        )
        if essential is None or essential.shape != (3, 3):
            return None
        good, rotation, _, _ = cv2.recoverPose(essential, one, two, np.eye(3), mask=mask)
    except cv2.error:
        return None
    return np.asarray(rotation, np.float64) if good >= FEW else None


def roll_between(first: Points, second: Points) -> float:
    """By how many degrees the second pattern of points is the first one turned in the plane.

    Least squares over turns and scales (Umeyama, PAMI 13 (1991), in the plane by complex numbers).
    """
    one, two = (p[:, 0] + 1j * p[:, 1] for p in (first, second))
    return float(np.degrees(np.angle(np.vdot(one - one.mean(), two - two.mean()))))


def camera_of(features: Features, focal_share: float) -> NDArray[np.float64]:
    """(focal length, centre x, centre y) in px; the focal length is a share of the long side."""
    width, height = features.size
    return np.array([focal_share * max(width, height), width / 2, height / 2])


def link(
    places: tuple[int, int], features: tuple[Features, Features], focal: tuple[float, float]
) -> ViewPair:
    """Match two pictures and test the match; `agreeing` is 0 where they share nothing."""
    first, second = alike(*features)
    cameras = (camera_of(features[0], focal[0]), camera_of(features[1], focal[1]))
    side = max(*features[0].size, *features[1].size)
    here = np.linalg.norm(first - second, axis=1) < STILL * side
    if features[0].size == features[1].size and here.sum() >= max(15, 0.3 * len(here)):
        # Of points at rest any geometry is right, so what moved is put to the test by itself.
        moving = int(epipolar(first[~here], second[~here]).sum())
        turn = turn_between(first, second, cameras)
        return ViewPair(*places, int(here.sum()) + moving, moving, still=True, rotation=turn)
    mask = epipolar(first, second)
    count = int(mask.sum())
    if count < 15:
        return ViewPair(*places, count, count)
    if abs(roll_between(first[mask], second[mask])) > UNBELIEVABLE:
        return ViewPair(*places, 0, 0)
    turn = turn_between(first[mask], second[mask], cameras)
    if turn is None and count < UNPROVEN:
        return ViewPair(*places, 0, 0)
    if turn is not None and np.trace(turn) < 1.0 + 2.0 * np.cos(np.radians(UNBELIEVABLE)):
        return ViewPair(*places, 0, 0)
    return ViewPair(*places, count, count, rotation=turn)


def likeness(thumbnails: Sequence[NDArray[np.uint8]]) -> NDArray[np.float32]:
    """Correlation of every two thumbnails, (n, n); a picture of one even tone is like nothing."""
    flat = np.array([t.ravel() for t in thumbnails], np.float32)
    flat -= flat.mean(axis=1, keepdims=True)
    length = np.linalg.norm(flat, axis=1, keepdims=True)
    flat = np.where(length > 32.0, flat / np.maximum(length, 1e-6), 0.0).astype(np.float32)
    return np.asarray(flat @ flat.T, np.float32)


def worth_matching(
    alike_by: NDArray[np.float32], steps: int = 3, nearest: int = 5
) -> list[tuple[int, int]]:
    """Pairs likely to overlap: near in time, or among the nearest by thumbnail.

    Up to 20 pictures every pair is worth it. In a set of many the steps are small, and a few
    longer ones are added: turns are read the better the farther the cameras stand apart.
    """
    n = len(alike_by)
    if n <= 20:
        return list(combinations(range(n), 2))
    apart = [*range(1, steps + 1), *((6, 10) if n > 80 else ())]
    pairs = {(i, i + k) for i in range(n) for k in apart if i + k < n}
    for i in range(n):
        order = np.argsort(-alike_by[i], kind="stable")
        for j in [int(k) for k in order[: nearest + 1] if k != i][:nearest]:
            pairs.add((min(i, j), max(i, j)))
    return sorted(pairs)
