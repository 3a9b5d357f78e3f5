"""What a forecast may know of an open piece: never the date or the weekday.

Near the day of a forecast only short cases have finished, and whatever tells the date lets a model
learn that. The load is told as the days that the line in front of the piece stands for, alone and
beside what curves say: both come again at other dates.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from app.leadtimes.forecast.curves import ByStep, WholeLead, ages, ages_in_step
from app.leadtimes.forecast.line import MIDDLE, LineInFront
from app.leadtimes.forecast.paths import Moments, Paths
from app.leadtimes.survival import Floats

VISITED_STEPS: Final = 12  # the steps that split the pieces most evenly tell which way a piece went


@dataclass(frozen=True)
class Encoder:
    """Turns moments into columns; fitted on what was known at `now`."""

    paths: Paths
    reached: ByStep
    since_step: ByStep
    whole: WholeLead
    line: LineInFront
    typical: Floats
    expected_before: Floats
    visited: Floats

    def columns(self, moments: Moments) -> Floats:
        """Rows are moments, columns features; every column is a number a split can cut."""
        paths, stay = self.paths, moments.stay
        age, in_step = ages(paths, moments), ages_in_step(paths, moments)
        previous = np.where(paths.previous[stay] >= 0, self.typical[paths.previous[stay]], -1.0)
        pace = np.log((paths.age[stay] + 1e-3) / (self.expected_before[stay] + 1e-3))
        reached = self.reached.predict(moments, MIDDLE)[:, 0]
        in_line = np.nan_to_num(self.line.days_in_line(moments), nan=-1.0)
        base = [
            self.typical[paths.step[stay]],
            in_step,
            age,
            paths.age[stay],
            paths.nth[stay],
            paths.visit[stay],
            paths.reworks[stay],
            previous,
            np.where(paths.nth[stay] > 0, pace, 0.0),
            reached,
            in_line,
            in_line / (reached + 1e-3),
            self.since_step.predict(moments, MIDDLE)[:, 0],
            self.whole.predict(moments, MIDDLE)[:, 0],
        ]
        return np.column_stack([*base, self.visited[stay], paths.marks[stay]])


def fit_encoder(
    paths: Paths,
    now: float,
    reached: ByStep,
    since_step: ByStep,
    whole: WholeLead,
    line: LineInFront,
) -> Encoder:
    """Typical remaining time and mean stay of each step, and which visits are worth a column."""
    done = (paths.left <= now) & ~paths.blurred[paths.piece]
    length = np.where(done, paths.left - paths.entered, 0.0)
    count = np.bincount(paths.step[done], minlength=paths.steps)
    total = np.bincount(paths.step, length, minlength=paths.steps)
    mean = total / np.maximum(count, 1)
    return Encoder(
        paths, reached, since_step, whole, line, line.to_go,
        _before(paths, mean[paths.step]), _visited(paths, now),
    )  # fmt: skip


def _before(paths: Paths, amount: Floats) -> Floats:
    """Sum of an amount over the stays of the same piece before each stay."""
    running = np.cumsum(amount) - amount
    first = np.flatnonzero(paths.nth == 0)
    start = np.repeat(running[first], np.diff(np.append(first, paths.nth.size)))
    before: Floats = running - start
    return before


def _visited(paths: Paths, now: float) -> Floats:
    """For each stay, how often the piece had been before in each of the most telling steps."""
    first = (paths.visit == 0) & (paths.entered <= now)
    share = np.bincount(paths.step[first], minlength=paths.steps) / max(paths.started.size, 1)
    telling = np.argsort(np.abs(share - 0.5), kind="stable")[:VISITED_STEPS]
    return np.column_stack([_before(paths, (paths.step == code).astype(float)) for code in telling])
