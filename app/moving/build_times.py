"""How long builds took, when a run should end, and how busy a machine was. Pure.

Everything is read from the logs of the models; moments are UTC seconds.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import exp, log
from statistics import covariance, fmean, quantiles, variance

from app.flow.rules import Entry, Kind, effective
from app.flow.steps import MoveKey, Step

HOUR = 3_600
ENOUGH = 20
FIRST, LAST = 0.10, 0.85
_CUTS = 20
_QUARTER = 900
# Until there are runs of the studio's own: hours, and minutes more for each picture. Common
# practice, no source: a set of 60 takes from 8 hours to 23.
_DEFAULT_FROM, _DEFAULT_BY = (3 * HOUR, 5 * 60), (8 * HOUR, 15 * 60)
_USUAL_PICTURES = 60
# Twice the pictures take at most four times as long: a steeper line comes of too few runs.
_STEEPEST = 2.0


@dataclass(frozen=True, slots=True)
class BuildRun:
    """A stay of a model on a machine. `entry` began it; `ended` is None while it runs.

    `pictures` is how many had been counted by its start, None where that is not known; `outcome`
    is the move that ended it.
    """

    model_id: int
    entry: int
    started: int
    ended: int | None = None
    outcome: str = ""
    pictures: int | None = None


@dataclass(frozen=True, slots=True)
class BuildMachine:
    """A build machine: how many sets it takes at once, and since when it has been off."""

    id: int
    name: str
    places: int
    made_at: int
    off_at: int | None

    @property
    def on(self) -> bool:
        """Whether it may be started."""
        return self.off_at is None


@dataclass(frozen=True, slots=True)
class OnMachine:
    """A run as the page shows it. Machine and expected end are None where nobody named them."""

    run: BuildRun
    machine_id: int | None
    ends_from: int | None
    ends_by: int | None


@dataclass(frozen=True, slots=True)
class Room:
    """Which machines are on, which of them have a free place, and when the next one is expected.

    `next_at` is None where nobody knows.
    """

    on: Sequence[BuildMachine]
    free: Sequence[BuildMachine]
    next_at: int | None

    def full(self, now: int, when: Callable[[int], str]) -> str:
        """In words that nothing can be started and until when; "" where something can."""
        if self.free or not self.on:
            return ""
        none = "No machine has a free place"
        if self.next_at is None:
            return f"{none}. Enter how a run ended first."
        if self.next_at < now:
            return f"{none}. One should have ended by {when(self.next_at)}: check the machine."
        return f"{none}. The next one is expected by {when(self.next_at)}."


def models_on(machine: BuildMachine, runs: Iterable[OnMachine]) -> list[int]:
    """The models whose runs are going on a machine, each by its id."""
    return [on.run.model_id for on in runs if on.run.ended is None and on.machine_id == machine.id]


def room(machines: Sequence[BuildMachine], runs: Sequence[OnMachine]) -> Room:
    """Where a run can be started, from the machines and what is on them."""
    on = [machine for machine in machines if machine.on]
    here = {machine.id for machine in on}
    ends = [
        run.ends_by
        for run in runs
        if run.run.ended is None and run.machine_id in here and run.ends_by is not None
    ]
    free = [machine for machine in on if len(models_on(machine, runs)) < machine.places]
    return Room(on, free, min(ends, default=None))


def runs_of(model_id: int, log: Sequence[Entry], pictures: int | None = None) -> list[BuildRun]:
    """The runs in a model's log, oldest first; what was undone or struck is not among them.

    `pictures` is what the model's row says, for a log that has counted none.
    """
    found: list[BuildRun] = []
    counted = 0
    open_run: BuildRun | None = None
    for entry in effective(log):
        if entry.kind not in (Kind.ENTER, Kind.MOVE):
            continue
        if open_run is not None:
            found.append(_ended(open_run, entry))
            open_run = None
        if entry.move == MoveKey.PHOTOS_COUNTED:
            counted += entry.amount or 0
        if entry.to_step is Step.BUILDING:
            open_run = BuildRun(model_id, entry.id, entry.happened_at, pictures=counted or pictures)
    return [*found, open_run] if open_run is not None else found


def _ended(run: BuildRun, entry: Entry) -> BuildRun:
    return BuildRun(
        run.model_id, run.entry, run.started, entry.happened_at, entry.move, run.pictures
    )


@dataclass(frozen=True, slots=True)
class Expected:
    """Between which seconds from its start a run ends; `own` says from how many past runs.

    `own` is 0 where the range is the default.
    """

    first: int
    last: int
    own: int = 0


@dataclass(frozen=True, slots=True)
class Times:
    """How long runs take, by their number of pictures: a line in logarithms with two edges.

    `own` finished runs stand behind it; with 0 the default holds.
    """

    own: int = 0
    centre: tuple[float, float] = (0.0, 0.0)
    slope: float = 0.0
    edges: tuple[float, float] = (0.0, 0.0)

    def of(self, pictures: int | None) -> Expected:
        """The range for so many pictures, None where nobody has counted them."""
        if not self.own:
            return _default(pictures)
        asked = log(pictures) if pictures else self.centre[0]
        at = self.centre[1] + self.slope * (asked - self.centre[0])
        low, high = (exp(at + edge) for edge in self.edges)
        first = _down(low)
        return Expected(first, max(_up(high), first + _QUARTER), self.own)


DEFAULT = Times()


def times(past: Iterable[BuildRun]) -> Times:
    """The 10 % and the 85 % point of how long a run takes, by its number of pictures.

    From the studio's finished runs: a line of log seconds on log pictures by least squares, and
    the quantiles (type 7) of what is left over. Runs that stopped or failed say nothing of how
    long a whole one takes. Below 20 the default holds. Ranges are rounded outward to quarter
    hours. A run whose pictures nobody counted lies at the centre.
    """
    known = [
        (run.pictures or 0, run.ended - run.started)
        for run in past
        if run.outcome == MoveKey.BUILD_FINISHED
        and run.ended is not None
        and run.ended > run.started
    ]
    if len(known) < ENOUGH:
        return DEFAULT
    counted = [log(n) for n, _ in known if n > 0]
    usual = fmean(counted) if counted else 0.0
    x = [log(n) if n > 0 else usual for n, _ in known]
    y = [log(seconds) for _, seconds in known]
    middle_x, middle_y = fmean(x), fmean(y)
    spread = variance(x)
    slope = min(max(covariance(x, y) / spread if spread > 1e-9 else 0.0, 0.0), _STEEPEST)
    left_over = [b - (middle_y + slope * (a - middle_x)) for a, b in zip(x, y, strict=True)]
    cuts = quantiles(left_over, n=_CUTS, method="inclusive")
    low, high = (cuts[round(share * _CUTS) - 1] for share in (FIRST, LAST))
    return Times(len(known), (middle_x, middle_y), slope, (low, high))


def _default(pictures: int | None) -> Expected:
    number = pictures or _USUAL_PICTURES
    first, last = (base + each * number for base, each in (_DEFAULT_FROM, _DEFAULT_BY))
    return Expected(_down(first), _up(last))


def _down(seconds: float) -> int:
    return max(_QUARTER, int(seconds // _QUARTER) * _QUARTER)


def _up(seconds: float) -> int:
    return -int(-seconds // _QUARTER) * _QUARTER


@dataclass(frozen=True, slots=True)
class Busy:
    """What a machine did in some days: hours in which it ran, of how many, and sets it began."""

    hours: float
    of_hours: float
    sets: int

    @property
    def share(self) -> float | None:
        """The share of its hours in which it ran, or None where it was not there at all."""
        return self.hours / self.of_hours if self.of_hours > 0 else None


def busy(runs: Iterable[BuildRun], since: int, until: int) -> Busy:
    """The hours of [since, until) in which at least one set ran: two on one machine count once."""
    runs = list(runs)
    spans = sorted(
        (max(run.started, since), min(run.ended if run.ended is not None else until, until))
        for run in runs
    )
    ran, reached = 0, since
    for start, end in spans:
        if end > max(start, reached):
            ran += end - max(start, reached)
            reached = end
    sets = sum(since <= run.started < until for run in runs)
    return Busy(ran / HOUR, max(0, until - since) / HOUR, sets)


def by_model(runs: Iterable[BuildRun]) -> Mapping[int, BuildRun]:
    """The newest run of each model."""
    return {run.model_id: run for run in sorted(runs, key=lambda run: (run.started, run.entry))}
