"""Where the cameras stood round the animal, read from the turns between matched pictures.

Rough by nature: the focal length is often only assumed. Answers are good for "about".
"""

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.photos.facts import Link, Ring

Matrix = NDArray[np.float64]

WORTH_CROSSING = 50.0
"""Degrees. A narrower arc is no gap; a match with a wider turn is not trusted to close one."""
NEAR_END = 25.0
"""Degrees from the end of an arc within which a picture stands at that end."""
ENOUGH_ACROSS = 40
"""Agreeing features, all matches across an arc together, that close it."""


def read_ring(links: Iterable[Link]) -> Ring | None:
    """The ring of the largest group of linked pictures; None for fewer than 8 that were chained."""
    usable = [e for e in links if e.rotation is not None]
    turned = chain(usable)
    if len(turned) < 8:
        return None
    turned, doubted = settle(turned, usable)
    azimuth, height = directions(turned)
    if len(azimuth) < 8:
        return None
    gap, between, step = widest_gap(azimuth, usable)
    return Ring(azimuth, height, gap, between, step, doubted)


def chain(links: Sequence[Link]) -> dict[int, Matrix]:
    """World-to-camera rotations along a maximum spanning tree of the largest connected group.

    A match whose turn agrees with those of the two others in a triangle goes before one that has
    only its size to show.
    """
    import networkx as nx

    graph = nx.Graph()
    for e in links:
        graph.add_edge(e.a, e.b, agreeing=e.agreeing, turn=e.rotation, first=e.a)
    if not graph:
        return {}
    largest = max(nx.connected_components(graph), key=lambda g: (len(g), -min(g)))
    for a, b, data in graph.edges(data=True):
        data["weight"] = data["agreeing"] * (1 + min(_confirmed(graph, a, b), 3))
    tree = nx.maximum_spanning_tree(graph.subgraph(largest))
    root = max(sorted(largest), key=lambda p: graph.degree(p))
    turned: dict[int, Matrix] = {root: np.eye(3)}
    for parent, child in nx.bfs_edges(tree, root):
        turned[child] = _turn(graph, parent, child) @ turned[parent]
    return turned


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


def settle(turned: dict[int, Matrix], links: Sequence[Link]) -> tuple[dict[int, Matrix], float]:
    """Let all matches speak, not the tree alone: rotation averaging with outliers held down.

    Chatterjee and Govindu, "Efficient and robust large-scale rotation averaging", ICCV 2013:
    small corrections solved as weighted least squares, weights from the residuals.
    Returns the rotations and the share of matches left more than 30° off.
    """
    places = {p: k for k, p in enumerate(sorted(turned))}
    inside = [e for e in links if e.a in places and e.b in places and e.rotation is not None]
    world = np.array([turned[p] for p in sorted(turned)])
    first = np.array([places[e.a] for e in inside])
    second = np.array([places[e.b] for e in inside])
    between = np.array([e.rotation for e in inside])
    strength = np.array([e.agreeing for e in inside], float)
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
    """Corrections (n, 3) that make up for `off`, the mean held at rest.

    For small turns the difference of two corrections is what a match lacks; the three axes
    part, so one weighted graph Laplacian serves them all.
    """
    laplacian = np.eye(count) * 1e-6
    wanted = np.zeros((count, 3))
    np.add.at(laplacian, (first, first), weight)
    np.add.at(laplacian, (second, second), weight)
    np.add.at(laplacian, (first, second), -weight)
    np.add.at(laplacian, (second, first), -weight)
    np.add.at(wanted, second, weight[:, None] * off)
    np.add.at(wanted, first, -weight[:, None] * off)
    return np.asarray(np.linalg.solve(laplacian, wanted), np.float64)


def directions(turned: dict[int, Matrix]) -> tuple[dict[int, float], dict[int, float]]:
    """Azimuth and height of each camera's line of sight about the cameras' common upright.

    Cameras that look steeply down or up have no azimuth and are left out of the first.
    """
    sight = {p: r.T @ np.array([0.0, 0.0, 1.0]) for p, r in turned.items()}
    upright = common_upright(np.array(list(turned.values())))
    level = min(sight.values(), key=lambda look: abs(look @ upright))
    east = level - (level @ upright) * upright
    if np.linalg.norm(east) < 1e-6:
        return {}, {}
    east = east / np.linalg.norm(east)
    north = np.cross(upright, east)
    azimuth, height = {}, {}
    for place, look in sight.items():
        up = float(np.degrees(np.arcsin(np.clip(-look @ upright, -1.0, 1.0))))
        height[place] = up
        if abs(up) < 65.0:
            azimuth[place] = float(np.degrees(np.arctan2(look @ north, look @ east)) % 360.0)
    return azimuth, height


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
    azimuth: dict[int, float], links: Sequence[Link] = ()
) -> tuple[float, tuple[int, int], float]:
    """The widest arc without a camera, the two pictures at its ends, and the usual step.

    Errors add up along a chain and would open a closed ring where its ends meet. So an arc that
    matches lead straight across is no wider than they say. The usual step is the median of all
    steps wider than 3°, so that pictures taken from one place do not count.
    """
    order = sorted(azimuth, key=lambda p: azimuth[p])
    angles = np.array([azimuth[p] for p in order])
    steps = np.diff(np.append(angles, angles[0] + 360.0))
    real = steps[steps > 3.0]
    crossed = steps.copy()
    for k in np.flatnonzero(steps > WORTH_CROSSING):
        crossed[k] = min(steps[k], _across(azimuth, links, float(angles[k]), float(steps[k])))
    widest = int(crossed.argmax())
    ends = (order[widest], order[(widest + 1) % len(order)])
    return float(crossed[widest]), ends, float(np.median(real)) if len(real) else 0.0


def _across(
    azimuth: dict[int, float], links: Sequence[Link], begin: float, wide: float
) -> float:
    """The turn of the matches from just before an arc to just after it; inf if too few agree."""
    turns, agreeing = [], 0
    for e in links:
        if e.rotation is None or e.a not in azimuth or e.b not in azimuth:
            continue
        before = [(begin - azimuth[p]) % 360.0 <= NEAR_END for p in (e.a, e.b)]
        after = [(azimuth[p] - begin - wide) % 360.0 <= NEAR_END for p in (e.a, e.b)]
        turn = float(np.degrees(np.linalg.norm(_vectors(e.rotation[None])[0])))
        if (before[0] and after[1] or before[1] and after[0]) and turn < WORTH_CROSSING:
            turns.append(turn)
            agreeing += e.agreeing
    return float(np.median(turns)) if agreeing >= ENOUGH_ACROSS else float("inf")
