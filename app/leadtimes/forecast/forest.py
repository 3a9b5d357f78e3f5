"""Ranges from a forest: the curve of the training rows that fall into the same leaves as the piece.

Each tree halves the rows where that most tells apart long and short remaining times; a piece's
range is the Kaplan-Meier curve of its leaf mates over all trees, censored rows included, drawn a
little towards the curve of `reached_pooled`. Sources: Breiman 2001 (forests), Meinshausen 2006
(leaf mates as weights), Ishwaran et al. 2008 (for censored times). Splitting needs a number for
every row, so a censored row's remaining time is imputed with what that curve says of it; in the
leaves it counts as censored.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.random import Generator

from app.leadtimes.forecast.curves import ByStep, ages
from app.leadtimes.forecast.features import Encoder
from app.leadtimes.forecast.levels import LEVELS
from app.leadtimes.forecast.line import MIDDLE
from app.leadtimes.forecast.paths import Moments, Paths
from app.leadtimes.log import Ints
from app.leadtimes.survival import Bools, Floats

TREES: Final = 60
DEPTH: Final = 7
BINS: Final = 16
ROWS_PER_TREE: Final = 2_000
ROWS_PER_PIECE: Final = 4  # on average and a tree: rows of one piece are no new evidence
FEWEST_IN_LEAF: Final = 16  # rows, where one piece counts for at most MOST_FROM_PIECE
MOST_FROM_PIECE: Final = 2.0
FEATURES_TRIED: Final = 0.4  # the share of columns that a level of a tree may cut
GRID: Final = 80
HEAP: Final = 3  # remaining times that are one by more than chance
PRIOR: Final = 3.0
SMALL: Final = 0.05  # remaining times are compared on log(days + SMALL x their median)


@dataclass(frozen=True)
class Tree:
    """A full binary tree by levels: node k has children
    2k + 1 and 2k + 2; `feature` -1 marks a leaf.
    """

    feature: Ints
    cut: Ints
    deaths: Floats
    at_risk: Floats
    leaf_row: Ints


@dataclass(frozen=True)
class Sample:
    """The rows of one tree: features in bins, split
    targets, days to the end or censoring, evidence.
    """

    binned: Ints
    target: Floats
    days: Floats
    seen: Bools
    evidence: Floats


@dataclass(frozen=True)
class Forest:
    """Fitted trees over the binned features, and the
    grid of remaining days their leaves are told on.
    """

    paths: Paths
    encoder: Encoder
    reached: ByStep
    edges: list[Floats]
    grid: Floats
    begins: Floats
    trees: list[Tree]
    leaf_size: float

    def predict(self, moments: Moments) -> Floats:
        """Days that remain, moments x LEVELS."""
        binned = _bin(self.encoder.columns(moments), self.edges)
        deaths = np.zeros((len(moments), self.grid.size))
        at_risk = np.zeros_like(deaths)
        for tree in self.trees:
            row = tree.leaf_row[_leaf(tree, binned)]
            deaths += tree.deaths[row]
            at_risk += tree.at_risk[row]
        scale = self.leaf_size / len(self.trees)
        prior = _hazard_on_grid(self.reached, self.paths, moments, self.grid)
        share = (scale * deaths + PRIOR * prior) / (scale * at_risk + PRIOR)
        total = np.cumsum(-np.log1p(-np.minimum(share, 1 - 1e-9)), axis=1)
        return _read(total, self.begins, self.grid, self._tail(total))

    def _tail(self, total: Floats) -> Floats:
        """Rate beyond the grid: that of its last quarter."""
        start = 3 * self.grid.size // 4
        days = float(self.grid[-1] - self.grid[start]) + 1e-9
        rate: Floats = (total[:, -1] - total[:, start]) / days + 1e-9
        return rate


def fit_forest(
    paths: Paths, now: float, encoder: Encoder, reached: ByStep, generator: Generator, count: int
) -> Forest | None:
    """`count` trees on the landmarks before `now`; None where hardly anything has finished."""
    rows = paths.landmarks(now)
    days, seen = paths.known_on(now, rows)
    if not seen.any() or np.unique(paths.piece[rows.stay[seen]]).size < 10:
        return None
    rows, days, seen = _thinned(rows, days, seen, paths, generator)
    grid = _grid(days[seen])
    features = encoder.columns(rows)
    edges = [_edges(column) for column in features[:: 1 + len(rows) // ROWS_PER_TREE].T]
    binned = _bin(features, edges)
    target = _target(paths, rows, days, seen, reached)
    trees, sizes = [], []
    names, piece = np.unique(paths.piece[rows.stay], return_inverse=True)
    for _ in range(count):
        drawn = _draw(piece, names.size, generator)
        sample = Sample(
            binned[:, drawn], target[:, drawn], days[drawn], seen[drawn], _evidence(piece[drawn])
        )
        tree, size = _grow(sample, grid, generator)
        trees.append(tree)
        sizes.append(size)
    begins = _begins(grid, days[seen])
    return Forest(paths, encoder, reached, edges, grid, begins, trees, float(np.mean(sizes)))


def _thinned(
    rows: Moments, days: Floats, seen: Bools, paths: Paths, generator: Generator
) -> tuple[Moments, Floats, Bools]:
    limit = 4 * ROWS_PER_TREE
    if len(rows) <= limit:
        return rows, days, seen
    kept = np.sort(generator.choice(len(rows), limit, replace=False))
    return rows[kept], days[kept], seen[kept]


def _draw(piece: Ints, pieces: int, generator: Generator) -> Ints:
    """Row numbers for one tree: about two thirds of the pieces, a few rows of each on average."""
    mine = np.flatnonzero((generator.random(pieces) < 0.67)[piece])
    most = min(ROWS_PER_TREE, ROWS_PER_PIECE * pieces)
    return mine if mine.size <= most else generator.choice(mine, most, replace=False)


def _target(paths: Paths, rows: Moments, days: Floats, seen: Bools, reached: ByStep) -> Floats:
    """Two numbers to split by: log of the remaining
    time, and where it stands in the range of `reached`.
    """
    whole = days.copy()
    later = Moments(rows.stay[~seen], rows.at[~seen] + days[~seen])
    whole[~seen] += reached.predict(later, MIDDLE)[:, 0]
    log_days = np.log(whole + SMALL * np.median(whole) + 1e-9)
    step = paths.step[rows.stay]
    age = ages(paths, rows)
    met = np.empty(len(rows))
    for code in np.unique(step):
        mine = step == code
        hazard = reached.hazards[code]
        met[mine] = hazard.grown(age[mine] + days[mine]) - hazard.grown(age[mine])
    surprise = np.exp(-np.minimum(met, 30.0))  # the level from above: uniform where e is right
    surprise = np.where(seen, surprise, surprise / 2)
    both = np.stack((log_days, surprise))
    standard: Floats = (both - both.mean(axis=1, keepdims=True)) / (
        both.std(axis=1, keepdims=True) + 1e-12
    )
    return standard


def _grid(days: Floats) -> Floats:
    """Ends of the intervals on which leaves count: quantiles of the remaining times seen."""
    levels = np.linspace(0, 1, GRID + 1)[1:]
    return np.unique(np.quantile(days, levels, method="inverted_cdf"))


def _begins(grid: Floats, days: Floats) -> Floats:
    """From when on each interval is read: its begin, or its end where most that it holds fall on
    that, as dates without hours do.
    """
    place = np.searchsorted(grid, days, "left")
    many = np.bincount(place, minlength=grid.size)
    last = np.bincount(place, days == grid[place], minlength=grid.size)
    heap = (last >= HEAP) & (last > many / 2)
    return np.where(heap, grid, np.concatenate(([0.0], grid[:-1])))


def _edges(column: Floats) -> Floats:
    return np.unique(np.quantile(column, np.linspace(0, 1, BINS + 1)[1:-1]))


def _bin(features: Floats, edges: list[Floats]) -> Ints:
    """The bin of every value, features x moments."""
    return np.stack(
        [np.searchsorted(e, f, "left") for e, f in zip(edges, features.T, strict=True)]
    ).astype(np.uint8)


def _evidence(piece: Ints) -> Floats:
    """What each row counts for when a leaf is asked whether it holds enough."""
    weight: Floats = np.minimum(1.0, MOST_FROM_PIECE / np.bincount(piece)[piece])
    return weight


def _grow(sample: Sample, grid: Floats, generator: Generator) -> tuple[Tree, float]:
    """One tree, level by level, and the mean evidence in a leaf as its rows see it."""
    binned = sample.binned
    nodes = 2 ** (DEPTH + 1) - 1
    feature, cut = np.full(nodes, -1), np.zeros(nodes, dtype=np.int64)
    node = np.zeros(binned.shape[1], dtype=np.int64)
    some = max(3, round(FEATURES_TRIED * binned.shape[0]))
    here = np.arange(binned.shape[1])
    for _ in range(DEPTH):
        large = np.bincount(node[here], sample.evidence[here], nodes) >= 2 * FEWEST_IN_LEAF
        here = here[large[node[here]]]
        if not here.size:
            break
        names, position = np.flatnonzero(large), (np.cumsum(large) - 1)[node[here]]
        tried = generator.choice(binned.shape[0], some, replace=False)
        best, column, place = _best_cuts(
            binned[tried].take(here, axis=1),
            sample.target.take(here, axis=1),
            sample.evidence[here],
            position,
        )
        chosen = best > 0
        feature[names[chosen]], cut[names[chosen]] = tried[column[chosen]], place[chosen]
        here = here[chosen[position]]
        mine = node[here]
        node[here] = 2 * mine + 1 + (binned[feature[mine], here] > cut[mine])
    return _with_leaves(feature, cut, node, sample, grid)


def _best_cuts(
    binned: Ints, target: Floats, evidence: Floats, node: Ints
) -> tuple[Floats, Ints, Ints]:
    """By node the largest drop of the sum of squares, its column and bin; 0 where none helps.

    A row weighs as its evidence does.
    """
    nodes, columns = int(node.max()) + 1, binned.shape[0]
    key = ((node * columns + np.arange(columns)[:, None]) * BINS + binned).ravel()
    shape = (nodes, columns, BINS)

    def below(values: Floats) -> Floats:
        table = np.bincount(key, np.tile(values, columns), minlength=nodes * columns * BINS)
        running: Floats = np.cumsum(table.reshape(shape), axis=2)
        return running

    low = below(evidence)
    high = low[:, :, -1:] - low
    allowed = np.minimum(low, high) >= FEWEST_IN_LEAF
    low, high = np.where(allowed, low, 1.0), np.where(allowed, high, 1.0)
    gain = np.zeros(shape)
    for values in target:
        part = below(values * evidence)
        whole = part[:, :, -1:]
        gain += part**2 / low + (whole - part) ** 2 / high - whole**2 / (low + high)
    flat = np.where(allowed & (gain > 1e-12), gain, 0.0).reshape(nodes, -1)
    place = flat.argmax(axis=1)
    return flat[np.arange(nodes), place], place // BINS, place % BINS


def _with_leaves(
    feature: Ints, cut: Ints, node: Ints, sample: Sample, grid: Floats
) -> tuple[Tree, float]:
    """Count deaths and numbers at risk of every leaf on the grid, each leaf weighing one."""
    leaves, row = np.unique(node, return_inverse=True)
    days, seen = sample.days, sample.seen
    interval = np.minimum(np.searchsorted(grid, days, "left"), grid.size - 1)
    shape = (leaves.size, grid.size)
    key = row * grid.size + interval
    deaths = np.bincount(key[seen], minlength=leaves.size * grid.size).reshape(shape)
    gone = np.bincount(key, minlength=leaves.size * grid.size).reshape(shape)
    size = gone.sum(axis=1, keepdims=True)
    # Actuarial: who was censored within an interval was at risk for half of it.
    at_risk = size - np.cumsum(gone, axis=1) + gone - 0.5 * (gone - deaths)
    leaf_row = np.zeros(feature.size, dtype=np.int64)
    leaf_row[leaves] = np.arange(leaves.size)
    mean_size = float((np.bincount(row, sample.evidence) * size[:, 0]).sum() / size.sum())
    return Tree(feature, cut, deaths / size, at_risk / size, leaf_row), mean_size


def _leaf(tree: Tree, binned: Ints) -> Ints:
    node = np.zeros(binned.shape[1], dtype=np.int64)
    rows = np.arange(binned.shape[1])
    for _ in range(DEPTH):
        feature = tree.feature[node]
        down = 2 * node + 1 + (binned[np.maximum(feature, 0), rows] > tree.cut[node])
        node = np.where(feature >= 0, down, node)
    return node


def _hazard_on_grid(reached: ByStep, paths: Paths, moments: Moments, grid: Floats) -> Floats:
    """The share by `reached` that ends in each interval of the grid, of those that came so far."""
    step, age = paths.step[moments.stay], ages(paths, moments)
    ends = age[:, None] + np.concatenate(([0.0], grid))
    met = np.empty_like(ends)
    for code in np.unique(step):
        mine = step == code
        met[mine] = reached.hazards[code].grown(ends[mine])
    return -np.expm1(-np.minimum(np.diff(met, axis=1), 30.0))


def _read(total: Floats, begins: Floats, ends: Floats, rate: Floats) -> Floats:
    """The quantiles of a cumulative hazard given at the ends of intervals, straight within one."""
    total = np.concatenate((np.zeros((total.shape[0], 1)), total), axis=1)
    days = np.empty((total.shape[0], LEVELS.size))
    rows = np.arange(total.shape[0])
    for number, target in enumerate(-np.log1p(-LEVELS)):
        place = np.minimum((total < target).sum(axis=1), ends.size)
        low, high = total[rows, place - 1], total[rows, place]
        share = np.clip((target - low) / np.where(high > low, high - low, 1.0), 0.0, 1.0)
        inside = begins[place - 1] + share * (ends[place - 1] - begins[place - 1])
        beyond = ends[-1] + (target - total[:, -1]) / rate
        days[:, number] = np.where(total[:, -1] < target, beyond, inside)
    return days
