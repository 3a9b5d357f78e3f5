"""The builds page put together: machines with what is on them, the queue, the hours. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from app.flow.steps import MoveKey
from app.moving.build_times import HOUR, BuildMachine, Busy, OnMachine, Times, busy, room, times
from app.moving.rules import REFUSED_BY_CHECK
from app.orders.benches.lines import OpenPiece
from app.orders.benches.words import Clock, notes, placed
from app.photos.verdicts import verdict_words
from app.shared.calendar import DAY
from app.shared.web import words

WINDOWS = (7, 30)


@dataclass(frozen=True, slots=True)
class QueuedSet:
    """A set in the queue. `free` says that nothing stops it from being started."""

    line: OpenPiece
    rank: tuple[bool, tuple[int, int, int], int, int]
    tick: str
    called: str
    reason: str
    notes: tuple[str, str, str]
    verdict: str
    takes: str
    days: float
    free: bool


@dataclass(frozen=True, slots=True)
class Running:
    """A set on a machine. `late` is empty while its time is not over."""

    line: OpenPiece
    tick: str
    called: str
    says: str
    late: str
    machine_id: int | None


@dataclass(frozen=True, slots=True)
class MachinePlace:
    """A machine with what is on it and how many places are free."""

    machine: BuildMachine
    running: Sequence[Running]
    free: int


@dataclass(frozen=True, slots=True)
class MachineHours:
    """A machine's hours in words, for each window of days."""

    name: str
    off: bool
    windows: Sequence[tuple[int, Busy]]


@dataclass(frozen=True, slots=True)
class Builds:
    """The whole page."""

    places: Sequence[MachinePlace]
    unnamed: Sequence[Running]
    queue: Sequence[QueuedSet]
    next: QueuedSet | None
    hours: Sequence[MachineHours]
    late: int
    basis: str
    full: str

    @property
    def running(self) -> list[Running]:
        """Everything that is on a machine."""
        return [*(run for place in self.places for run in place.running), *self.unnamed]


def assemble(
    machines: Sequence[BuildMachine],
    runs: Sequence[OnMachine],
    waiting: Sequence[OpenPiece],
    building: Sequence[OpenPiece],
    verdicts: Mapping[int, str],
    chances: Mapping[int, float],
    clock: Clock,
) -> Builds:
    """The page from its rows; `chances` are by order, of being ready by the day it is needed."""
    past = [on.run for on in runs]
    takes = times(past)
    open_runs = {on.run.model_id: on for on in runs if on.run.ended is None}
    running = [_running(line, open_runs.get(line.id), takes, clock) for line in building]
    running.sort(key=lambda run: (not run.late, run.line.entered_at, run.line.id))
    queue = sorted(
        (_waiting(line, takes, verdicts, chances, clock) for line in waiting),
        key=lambda one: one.rank,
    )
    on = [machine for machine in machines if machine.on]
    places = []
    for machine in on:
        own = [run for run in running if run.machine_id == machine.id]
        places.append(MachinePlace(machine, own, max(0, machine.places - len(own))))
    ids = {machine.id for machine in on}
    finished = sum(run.outcome == MoveKey.BUILD_FINISHED for run in past)
    return Builds(
        places=places,
        unnamed=[run for run in running if run.machine_id not in ids],
        queue=queue,
        next=next((one for one in queue if one.free), None),
        hours=_hours(machines, runs, clock.now),
        late=sum(bool(run.late) for run in running),
        basis=_basis(takes, finished),
        full=room(machines, runs).full(clock.now, clock.when),
    )


def _basis(takes: Times, finished: int) -> str:
    if takes.own:
        return (
            f"End times come from {takes.own} finished runs of the last year, by number of photos: "
            "one in ten ended sooner, about one in seven later."
        )
    return (
        f"{words.capital(words.count(finished, 'finished run'))} so far. Until there are twenty, "
        "the times are a rough guess from the number of photos."
    )


def _waiting(
    line: OpenPiece,
    takes: Times,
    verdicts: Mapping[int, str],
    chances: Mapping[int, float],
    clock: Clock,
) -> QueuedSet:
    chance = chances.get(line.order_id)
    rank, reason = placed(line, clock.zone, chance, clock.today.year)
    held = bool(line.hold_whose)
    its = takes.of(line.pictures)
    where = f"on hold: {line.hold_reason}" if held else reason
    said = verdicts.get(line.id, "")
    # Of a remembered animal no better set will come: without a build it is sculpted by eye.
    refused = said in REFUSED_BY_CHECK
    return QueuedSet(
        line=line,
        rank=(held, rank, line.order_number, line.id),
        tick=f"model:{line.id}:{line.version}",
        called=f"{line.animal} {line.code}",
        reason=where,
        notes=notes(line, None, chance, clock),
        verdict=_verdict(said, line.life == "remembered", refused=refused),
        takes=f"takes {span(its.first, its.last)}",
        days=max(0.0, (clock.now - line.entered_at) / DAY),
        free=not (held or line.stopped or refused),
    )


def _verdict(said: str, remembered: bool, *, refused: bool) -> str:
    """What the check said of a set, in brick where it should not be built."""
    if not said:
        return ""
    return f"{'▲ ' if refused and not remembered else ''}checked: {verdict_words(said, remembered)}"


def _running(line: OpenPiece, on: OnMachine | None, takes: Times, clock: Clock) -> Running:
    started = on.run.started if on is not None else line.entered_at
    if on is not None and on.ends_by is not None:
        first, last = on.ends_from, on.ends_by
    else:
        its = takes.of(line.pictures)
        first, last = started + its.first, started + its.last
    since = f"since {clock.when(started)}"
    over = clock.now - last
    if over > 0:
        says = f"{since}; should have ended by {clock.when(last)}"
        late = f"{_long(over)} overdue: check the machine"
    elif first is None or first <= clock.now:
        says, late = f"{since}; ends by {clock.when(last)}", ""
    else:
        says = f"{since}; ends between {clock.when(first)} and {clock.when(last)}"
        late = ""
    return Running(
        line=line,
        tick=f"model:{line.id}:{line.version}",
        called=f"{line.animal} {line.code}",
        says=says,
        late=late,
        machine_id=on.machine_id if on is not None else None,
    )


def span(first: int, last: int) -> str:
    """Between 8 and 23 hours; a few days where it is long."""
    low, high = first // HOUR, -(-last // HOUR)
    if low == high:
        return f"about {words.count(high, 'hour')}"
    return f"between {max(1, low)} and {high} hours"


def _long(seconds: int) -> str:
    hours = round(seconds / HOUR)
    if hours < 1:
        return "less than an hour"
    if hours < 36:
        return words.count(hours, "hour")
    return words.count(round(seconds / DAY), "day")


def _hours(
    machines: Sequence[BuildMachine], runs: Sequence[OnMachine], now: int
) -> list[MachineHours]:
    found = []
    for machine in machines:
        own = [on.run for on in runs if on.machine_id == machine.id]
        until = machine.off_at if machine.off_at is not None else now
        # An import may know runs from before the machine was named here.
        there = min([machine.made_at, *(run.started for run in own)])
        windows = [
            (days, busy(own, max(there, now - days * DAY), max(until, now - days * DAY)))
            for days in WINDOWS
        ]
        found.append(MachineHours(machine.name, not machine.on, windows))
    return found
