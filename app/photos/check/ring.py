"""Where the cameras stood round the animal, read from the turns between matched pictures.

Rough by nature: the focal length is often only assumed. Answers are good for "about".
"""

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.photos.check.facts import Ring, ViewPair

Matrix = NDArray[np.float64]

HALF_WAY = 150.0
"""Degrees. A match that contradicts the chain by more than this closes a ring."""
ENOUGH_TO_CLOSE = 30
"""Agreeing features, over all matches that close a ring, to believe them."""
FEW_CLOSE, ABOUT_A_ROUND = 15, 60.0
"""Fewer do where they contradict the chain by a round, give or take so many degrees: a false match
contradicts it by anything, and of half a ring by half a round."""
STEEP = 65.0
"""Degrees. A camera looking down or up more steeply than this stands at no side."""


def read_ring(links: Iterable[ViewPair]) -> Ring | None:
    """The ring of the largest group of linked pictures; None for fewer than 8 that were chained.

    Turns read with a wrong focal length are all wrong by about one factor. Where the matches
    lead all the way round, the factor is known, because a round is 360°; where they do not, the
    ring is open and its gap is what is left of 360°, as good as the focal length.
    """
    usable = [e for e in links if e.rotation is not None]
    turned, tree = chain(usable)
    if len(turned) < 8:
        return None
    inside = [e for e in usable if e.a in turned and e.b in turned]
    turned, doubted = settle(turned, inside)
    upright = common_upright(np.array([turned[p] for p in sorted(turned)]))
    height = heights_above(turned, upright)
    unrolled, circle = unroll(turned, tree, upright, inside)
    at_sides = {p: a for p, a in unrolled.items() if abs(height[p]) < STEEP}
    if len(at_sides) < 8:
        return None
    gap, between, step = widest_gap(at_sides, circle)
    scale = 360.0 / circle if circle else 1.0
    azimuth = {p: a * scale % 360.0 for p, a in at_sides.items()}
    return Ring(azimuth, height, gap, between, step, doubted, circle is not None)


def chain(links: Sequence[ViewPair]) -> tuple[dict[int, Matrix], list[tuple[int, int]]]:
    """World-to-camera rotations along a maximum spanning tree of the largest connected group.

    Returns them with the tree's edges, each from the picture nearer the root to the farther.

    A match whose turn agrees with those of the two others in a triangle goes before one that has
    only its size to show.
    """
    import networkx as nx  # type: ignore[import-untyped]

    graph = nx.Graph()
    for e in links:
        graph.add_edge(e.a, e.b, agreeing=e.agreeing, turn=e.rotation, first=e.a)
    if not graph:
        return {}, []
    largest = max(nx.connected_components(graph), key=lambda g: (len(g), -min(g)))
    for a, b, data in graph.edges(data=True):
        data["weight"] = data["agreeing"] * (1 + min(_confirmed(graph, a, b), 3))
    tree = nx.maximum_spanning_tree(graph.subgraph(largest))
    root = max(sorted(largest), key=lambda p: graph.degree(p))
    turned: dict[int, Matrix] = {root: np.eye(3)}
    edges = list(nx.bfs_edges(tree, root))
    for parent, child in edges:
        turned[child] = _turn(graph, parent, child) @ turned[parent]
    return turned, edges


def _turn(graph: Any, a: int, b: int) -> Matrix:
    edge = graph.edges[a, b]
    turn: Matrix = edge["turn"]
    return turn if edge["first"] == a else turn.T


def _confirmed(graph: Any, a: int, b: int) -> int:
    """How many third pictures lead from a to b by the same turn, within 10°."""
    direct = _turn(graph, a, b)
    count = 0
    for c in set(graph[a]) & set(graph[b]):
        around = _turn(graph, c, b) @ _turn(graph, a, c)
        # The trace of a rotation is 1 + 2 cos(angle).
        count += bool(np.trace(around @ direct.T) > 1.0 + 2.0 * np.cos(np.radians(10.0)))
    return count


def settle(turned: dict[int, Matrix], links: Sequence[ViewPair]) -> tuple[dict[int, Matrix], float]:
    """Let all matches speak, not the tree alone: rotation averaging with outliers held down.

    Chatterjee and Govindu, "Efficient and robust large-scale rotation averaging", ICCV 2013:
    small corrections solved as weighted least squares, weights from the residuals.
    Returns the rotations and the share of matches left more than 30° off.
    """
    places = {p: k for k, p in enumerate(sorted(turned))}
    world = np.array([turned[p] for p in sorted(turned)])
    first = np.array([places[e.a] for e in links])
    second = np.array([places[e.b] for e in links])
    between = np.array([e.rotation for e in links])
    strength = np.array([e.agreeing for e in links], float)
    off = _off(world, first, second, between)
    for _ in range(12):
        size = np.linalg.norm(off, axis=1)
        weight = strength / (1.0 + (size / np.radians(8.0)) ** 2)
        step = _solve(len(world), first, second, weight, off)
        world = np.einsum("nij,njk->nik", world, _rotations(step))
        off = _off(world, first, second, between)
    doubted = float(np.mean(np.degrees(np.linalg.norm(off, axis=1)) > 30.0))
    return {p: world[k] for p, k in places.items()}, doubted


def _off(
    world: Matrix, first: NDArray[np.int_], second: NDArray[np.int_], between: Matrix
) -> Matrix:
    """What each match's turn lacks, as rotation vectors (m, 3) in the frame all cameras share."""
    rest = np.einsum("mji,mjk,mkl->mil", world[second], between, world[first])
    return _vectors(rest)


def _vectors(rotations: Matrix) -> Matrix:
    """Rotation vectors (axis times angle in radians) of matrices (m, 3, 3)."""
    cosine = np.clip((np.trace(rotations, axis1=1, axis2=2) - 1.0) / 2.0, -1.0, 1.0)
    angle = np.arccos(cosine)
    axis = np.stack(
        [
            rotations[:, 2, 1] - rotations[:, 1, 2],
            rotations[:, 0, 2] - rotations[:, 2, 0],
            rotations[:, 1, 0] - rotations[:, 0, 1],
        ],
        axis=1,
    )
    length = np.linalg.norm(axis, axis=1)
    scale = np.where(length > 1e-9, angle / np.maximum(length, 1e-9), 0.0)
    return np.asarray(axis * scale[:, None], np.float64)


def _rotations(vectors: Matrix) -> Matrix:
    """Rodrigues' formula: matrices (n, 3, 3) of rotation vectors (n, 3)."""
    angle = np.maximum(np.linalg.norm(vectors, axis=1), 1e-12)[:, None, None]
    x, y, z = vectors.T / angle[:, 0, 0]
    zero = np.zeros_like(x)
    cross = np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=1).reshape(-1, 3, 3)
    return np.asarray(
        np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * (cross @ cross), np.float64
    )


def _solve(
    count: int, first: NDArray[np.int_], second: NDArray[np.int_], weight: Matrix, off: Matrix
) -> Matrix:
    """Corrections (n, k) that make up for `off` (m, k), the mean held at rest.

    The difference of two corrections is what a match lacks (of turns: while they are small);
    the k axes part, so one weighted graph Laplacian serves them all.
    """
    laplacian = np.eye(count) * 1e-6
    wanted = np.zeros((count, off.shape[1]))
    np.add.at(laplacian, (first, first), weight)
    np.add.at(laplacian, (second, second), weight)
    np.add.at(laplacian, (first, second), -weight)
    np.add.at(laplacian, (second, first), -weight)
    np.add.at(wanted, second, weight[:, None] * off)
    np.add.at(wanted, first, -weight[:, None] * off)
    return np.asarray(np.linalg.solve(laplacian, wanted), np.float64)


def heights_above(turned: dict[int, Matrix], upright: Matrix) -> dict[int, float]:
    """How steeply each camera looks down on the animal (+) or up at it (-), in degrees."""
    return {
        p: float(np.degrees(np.arcsin(np.clip(-r[2] @ upright, -1.0, 1.0))))
        for p, r in turned.items()
    }


def unroll(
    turned: dict[int, Matrix],
    tree: Sequence[tuple[int, int]],
    upright: Matrix,
    links: Sequence[ViewPair],
) -> tuple[dict[int, float], float | None]:
    """Azimuths in degrees along the chain, not taken modulo a round, and what a round measures.

    A match whose own step contradicts the chain by most of a round leads once round the animal;
    the contradiction is the measure of a round, None where no such match is. Then all matches
    are weighed against each other, those far off held down.
    """
    places = {p: k for k, p in enumerate(sorted(turned))}
    first = np.array([places[e.a] for e in links])
    second = np.array([places[e.b] for e in links])
    agreeing = np.array([e.agreeing for e in links], float)
    steps = np.array([_step(e, turned, upright) for e in links])
    by_pair = {(e.a, e.b): s for e, s in zip(links, steps, strict=True)}
    along = np.zeros(len(places))
    for parent, child in tree:
        step = by_pair.get((parent, child), -by_pair.get((child, parent), 0.0))
        along[places[child]] = along[places[parent]] + step
    contradiction = along[second] - along[first] - steps
    closing = np.abs(contradiction) > HALF_WAY
    circle = _round_measured(np.abs(contradiction[closing]), agreeing[closing])
    if circle is not None:
        steps = steps + circle * np.round(contradiction / circle)
    for _ in range(10):
        off = steps - (along[second] - along[first])
        weight = agreeing / (1.0 + (off / 8.0) ** 2)
        along = along + _solve(len(along), first, second, weight, off[:, None])[:, 0]
    return {p: float(along[k]) for p, k in places.items()}, circle


def _round_measured(contradictions: Matrix, agreeing: Matrix) -> float | None:
    if agreeing.sum() < FEW_CLOSE:
        return None
    # The weighted median.
    circle = float(np.quantile(contradictions, 0.5, weights=agreeing, method="inverted_cdf"))
    believed = agreeing.sum() >= ENOUGH_TO_CLOSE or abs(circle - 360.0) < ABOUT_A_ROUND
    return circle if believed else None


def _step(link: ViewPair, turned: dict[int, Matrix], upright: Matrix) -> float:
    """The part of a match's turn that goes about the upright, in degrees, counter-clockwise.

    Swing and twist: for the quaternion (w, v) of a turn the twist about an axis u is
    2 atan2(v · u, w).
    """
    assert link.rotation is not None
    vector = _vectors(link.rotation[None])[0]
    angle = float(np.linalg.norm(vector))
    axis = vector / max(angle, 1e-12)
    along = float(axis @ (turned[link.a] @ upright))
    # The match turns what the camera sees, the other way round than the camera went.
    return -float(np.degrees(2.0 * np.arctan2(along * np.sin(angle / 2), np.cos(angle / 2))))


def common_upright(world: Matrix) -> Matrix:
    """The direction (3,) that people who hold a camera level have in common.

    A level camera's horizontal axis is at right angles to it, whatever height it looks from,
    and the cameras' mean "up" leans towards it; the mean alone is off on half a ring.
    """
    sideways = world[:, 0, :]
    mean_up = -world[:, 1, :].mean(axis=0)
    form = sideways.T @ sideways / len(world) - 0.1 * np.outer(mean_up, mean_up)
    upright = np.linalg.eigh(form)[1][:, 0]
    return np.asarray(upright if upright @ mean_up >= 0 else -upright, np.float64)


def widest_gap(
    unrolled: dict[int, float], circle: float | None
) -> tuple[float, tuple[int, int], float]:
    """The widest arc without a camera, the two pictures at its ends, and the usual step.

    Of an open ring it is the arc from its last picture on to its first, however the rest was
    read: everywhere else matches lead across. It is at least 0 even where the measured angles
    overlap. The usual step is the median of all steps wider than
    3°, so that pictures taken from one place do not count; what an open ring leaves open is none.
    """
    around = circle or 360.0
    along = {p: a % around if circle else a for p, a in unrolled.items()}
    order = sorted(along, key=lambda p: along[p])
    angles = np.array([along[p] for p in order])
    steps = np.diff(np.append(angles, max(angles[0] + around, angles[-1])))
    steps *= 360.0 / around
    widest = int(steps.argmax()) if circle else len(steps) - 1
    walked = steps if circle else np.delete(steps, widest)
    real = walked[walked > 3.0]
    ends = (order[widest], order[(widest + 1) % len(order)])
    return float(steps[widest]), ends, float(np.median(real)) if len(real) else 0.0
