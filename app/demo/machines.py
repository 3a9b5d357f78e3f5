"""The machines of the invented studio: builders that run day and night, blanks in batches."""

from collections.abc import Generator
from dataclasses import dataclass, field
from random import Random

from app.demo.floor import KEPT_BACK, DemoFloor
from app.demo.hours import HOUR
from app.demo.ledger import Course, DemoPiece, Row
from app.flow.rules import BATCH, Kind
from app.flow.steps import MoveKey, Step
from app.flow.store import Ref
from app.moving.machines import BLANKS
from app.shared.calendar import DAY

# What blanks are made of: a row of the table of what cures.
CAST_IN = "printed resin, washed and cured"
_BATCH_FAILS = 0.04
_BATCH = 8
_ENOUGH = 5
_USUAL_PICTURES = 60
# What the last runs show, by the hours before the end from which the next one to start does so:
# one that is long over its time, one that the machine stops, one that simply runs.
_AT_THE_END = ((44, "overdue"), (15, "stopped"), (9, "runs"))
_STOP_BEFORE = 3 * HOUR


@dataclass(slots=True, eq=False)
class Builder:
    """A machine that builds models. `broken` holds the (from, until) in which it does not."""

    name: str
    id: int = 0
    broken: list[tuple[int, int]] = field(default_factory=list)
    down_until: int = 0
    running: DemoPiece | None = None

    def free(self, moment: int) -> bool:
        """Whether a run can be started."""
        empty = self.running is None or not self.running.state.open
        return empty and moment >= self.down_until


class Builders:
    """All builders, with one line in front of them."""

    def __init__(self, floor: DemoFloor, builders: list[Builder]) -> None:
        self._floor = floor
        self.builders = builders
        self._to_show: list[str] = []
        self._closed = False
        for builder in builders:
            builder.id = floor.ledger.note(
                "machines", name=builder.name, name_key=builder.name.casefold(), places=1,
                made_at=floor.start,
            )["id"]  # fmt: skip
            for start, end in builder.broken:
                floor.later(start, lambda b=builder, e=end: self._break(b, e))  # type: ignore[misc]
                floor.later(end, self._look)
        for hours, shows in _AT_THE_END:
            floor.later(floor.now - hours * HOUR, lambda s=shows: self._show(s))  # type: ignore[misc]

    def build(self, piece: DemoPiece) -> Course:
        """A model waits for a machine, is built, and somebody sees that it is done."""
        floor, by = self._floor, self._floor.workers[0].id
        floor.line_up(piece)
        floor.later(floor.time, self._look)
        yield None
        builder = next(b for b in self.builders if b.running is piece)
        starts = floor.time + floor.rng.randrange(30, 400)
        size = ((piece.row["pictures"] or _USUAL_PICTURES) / _USUAL_PICTURES) ** 0.5
        lasts = int(floor.rng.lognormvariate(0.0, 0.28) * size * 11 * HOUR) + 2 * HOUR
        ends = starts + min(lasts, 44 * HOUR)
        if self._to_show:
            ends = max(ends, floor.now + 4 * HOUR)
            if self._to_show.pop(0) == "stopped":
                floor.later(self._stops_at(starts), lambda: self._stop(builder, piece))
        yield starts
        begun = floor.ledger.move(piece, MoveKey.BUILD_STARTED, by=by)
        piece.row["machine"] = builder.name
        # Between when it should end is reckoned once all runs are known.
        floor.ledger.note(
            "builds", model_id=piece.ref.id, machine_id=builder.id, transition_id=begun.id
        )
        yield ends
        builder.running = None
        self._look()
        # Nobody is there at night: the end is written down in the morning, with its true time.
        yield floor.open_hours.next_open(ends) + floor.rng.randrange(60, 1500)
        key = MoveKey.BUILD_FINISHED
        if floor.chance(0.04) and not piece.fated:
            key = MoveKey.BUILD_FAILED
            piece.fated.insert(0, MoveKey.MORE_VIEWS)
        elif floor.chance(0.012):
            key = MoveKey.BUILD_STOPPED
        floor.ledger.move(piece, key, by=by, happened=ends)

    def _look(self) -> None:
        """Start what can be started, from seven in the morning to ten at night."""
        floor, line = self._floor, self._floor.lines[Step.PHOTOS_IN]
        if self._closed:
            return
        if not self._awake(floor.time):
            floor.later(floor.time + HOUR, self._look)
            return
        for builder in self.builders:
            keep = KEPT_BACK + 1 if floor.time > floor.reserve_from and not self._to_show else 0
            if builder.free(floor.time) and len(line) > keep:
                self._start(builder)

    def _awake(self, moment: int) -> bool:
        return 7 <= self._floor.calendar.local(moment).hour < 22

    def _start(self, builder: Builder) -> None:
        builder.running = self._floor.lines[Step.PHOTOS_IN].pop(0)
        self._floor.go_on(builder.running.course)

    def _show(self, shows: str) -> None:
        """From now on the next run to start is of this kind, at whatever hour."""
        self._to_show.append(shows)
        free = [builder for builder in self.builders if builder.free(self._floor.time)]
        if free and self._floor.lines[Step.PHOTOS_IN]:
            self._start(free[0])

    def _stops_at(self, started: int) -> int:
        """Some hours before the end, when somebody is there to see it, and after the start."""
        moment = self._floor.now - _STOP_BEFORE
        while not self._awake(moment):
            moment -= HOUR
        return min(max(moment, started + HOUR), self._floor.now - HOUR // 2)

    def _stop(self, builder: Builder, piece: DemoPiece) -> None:
        """The machine stops by itself; what lay on it keeps its place, and nothing starts again."""
        if builder.running is piece and piece.state.step is Step.BUILDING:
            builder.running, self._closed = None, True
            why, now = "the machine ran out of memory", self._floor.time
            self._floor.divert(piece, self._broken_off(piece, why, now, now))
            if self._to_show and self._floor.lines[Step.PHOTOS_IN]:
                # What should be seen running found no machine until now.
                self._start(builder)

    def _break(self, builder: Builder, mended: int) -> None:
        floor, piece = self._floor, builder.running
        if (piece is None or piece.state.step is not Step.BUILDING) and floor.time < mended - DAY:
            # A machine breaks down while it runs.
            floor.later(floor.time + HOUR // 2, lambda: self._break(builder, mended))
            return
        builder.running, builder.down_until = None, mended
        if piece is not None and piece.state.step is Step.BUILDING:
            why, seen = "the machine has broken down", floor.office(floor.time, HOUR)
            floor.divert(piece, self._broken_off(piece, why, floor.time, seen))
        elif piece is not None:
            floor.begin(piece)

    def _broken_off(self, piece: DemoPiece, why: str, at: int, seen: int) -> Course:
        yield seen
        floor = self._floor
        floor.ledger.move(
            piece, MoveKey.BUILD_STOPPED, by=floor.workers[0].id, happened=at, reason=why
        )
        yield from floor.courses[piece.ref.of](piece)


class Blanks:
    """The blank machines: a batch starts when enough pieces wait, or in the afternoon."""

    def __init__(self, floor: DemoFloor, machines: int, broken: list[tuple[int, int]]) -> None:
        self._floor = floor
        # Of its own, so that what else the studio's history draws stays as it is.
        self._rng = Random(41)  # noqa: S311
        names = floor.words.studio["blank_machines"]
        self._free = [
            floor.ledger.note(
                "machines", name=name, name_key=name.casefold(), places=_BATCH,
                made_at=floor.start, makes=BLANKS,
            )
            for name in (
                names[n % len(names)] + (f" {n // len(names) + 1}" if n >= len(names) else "")
                for n in range(machines)
            )
        ]  # fmt: skip
        self._broken = broken
        self._failed: set[Ref] = set()
        self._batch: dict[Ref, int] = {}

    def make(self, piece: DemoPiece) -> Generator[int | None, None, tuple[int, bool]]:
        """A copy waits for a batch and is made in it: its number, and whether all of it failed.

        What was broken off while it lay in the machine comes out with the others.
        """
        floor, line = self._floor, self._floor.lines[Step.BLANK]
        if piece.state.in_batch:
            yield floor.open_hours.after(floor.time, 6 * HOUR)
        else:
            floor.line_up(piece)
            afternoon = floor.open_hours.after(floor.time, 6 * HOUR)
            soon = floor.open_hours.next_open(floor.time)
            floor.later(soon if len(line) >= _ENOUGH else afternoon, self._look)
            yield None
        failed = piece.ref in self._failed
        self._failed.discard(piece.ref)
        return self._batch[piece.ref], failed

    def _look(self) -> None:
        """Start a batch where a machine is free and something waits."""
        floor, line = self._floor, self._floor.lines[Step.BLANK]
        keep = KEPT_BACK if floor.time > floor.reserve_from else 0
        down = next((b for a, b in self._broken if a <= floor.time < b), None)
        if down is not None:
            floor.later(floor.open_hours.next_open(down), self._look)
        elif not floor.open_hours.at_work(floor.time):
            # Somebody has to put them in.
            floor.later(floor.open_hours.next_open(floor.time), self._look)
        elif self._free and len(line) > keep:
            batch = line[: min(_BATCH, len(line) - keep)]
            del line[: len(batch)]
            machine = self._begin(batch)
            ready = floor.open_hours.next_open(floor.time + int(floor.rng.uniform(10, 28) * HOUR))
            floor.later(ready + floor.rng.randrange(300, HOUR), lambda: self._done(batch, machine))

    def _begin(self, pieces: list[DemoPiece]) -> Row:
        """The pieces go into a machine, each by an entry of one act."""
        floor, machine, by = self._floor, self._free.pop(0), self._floor.workers[0].id
        number = floor.ledger.note(
            "batches", machine_id=machine["id"], material=CAST_IN, made_at=floor.time,
            lot=f"R{self._rng.randrange(100, 999)}", account_id=by,
            ends_by=floor.open_hours.next_open(floor.time + 28 * HOUR),
        )["id"]  # fmt: skip
        act = None
        for piece in pieces:
            act = floor.ledger.add(
                piece, Kind.START, act, by=by, move=BATCH, amount=number
            ).act  # fmt: skip
            self._batch[piece.ref] = number
        return machine

    def _done(self, batch: list[DemoPiece], machine: Row) -> None:
        self._free.append(machine)
        if self._rng.random() < _BATCH_FAILS:
            self._failed.update(piece.ref for piece in batch)
        for piece in batch:
            self._floor.go_on(piece.course)
        self._floor.later(self._floor.time + DAY // 8, self._look)
        self._look()
