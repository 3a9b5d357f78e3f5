"""The machines of the invented studio: builders that run day and night, blanks in batches."""

from dataclasses import dataclass, field
from heapq import heappop, heappush

from app.demo.floor import KEPT_BACK, DemoFloor
from app.demo.hours import HOUR
from app.demo.ledger import DemoPiece, Row
from app.flow.rules import Kind
from app.flow.steps import MoveKey, Step
from app.shared.calendar import DAY

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
    ends_at: int = 0

    def free(self, moment: int) -> bool:
        """Whether a run can be started."""
        return self.running is None and moment >= self.down_until


class Builders:
    """All builders, with one queue in front of them."""

    def __init__(self, floor: DemoFloor, builders: list[Builder]) -> None:
        self._floor = floor
        self.builders = builders
        self._queue: list[tuple[tuple[int, int], int, int, DemoPiece]] = []
        self._count = 0
        self._to_show: list[str] = []
        self._closed = False
        for builder in builders:
            builder.id = self._floor.ledger.note("machines", _named(builder, floor.start))["id"]
            for start, end in builder.broken:
                floor.later(start, lambda t, b=builder, e=end: self._break(b, t, e))  # type: ignore[misc]
                floor.later(end, self.look)
        for hours, shows in _AT_THE_END:
            floor.later(floor.now - hours * HOUR, lambda t, s=shows: self._show(s, t))  # type: ignore[misc]

    def enqueue(self, piece: DemoPiece, moment: int) -> None:
        """A model waits for a machine."""
        piece.ticket += 1
        self._count += 1
        heappush(self._queue, (self._floor.rank(piece, moment), self._count, piece.ticket, piece))
        self.look(moment)

    def look(self, moment: int) -> None:
        """Start what can be started, from seven in the morning to ten at night."""
        if self._closed:
            return
        if not self._awake(moment):
            self._floor.later(moment + HOUR, self.look)
            return
        for builder in self.builders:
            if builder.free(moment):
                keep = KEPT_BACK + 1 if moment > self._floor.reserve_from else 0
                if self._live() <= (0 if self._to_show else keep):
                    return
                self._start(builder, moment)

    def _awake(self, moment: int) -> bool:
        return 7 <= self._floor.calendar.local(moment).hour < 22

    def _show(self, shows: str, moment: int) -> None:
        """From now on the next run to start is of this kind, at whatever hour."""
        self._to_show.append(shows)
        for builder in self.builders:
            if builder.free(moment) and self._live():
                self._start(builder, moment)
                return

    def _live(self) -> int:
        self._queue = [q for q in self._queue if q[2] == q[3].ticket]
        self._queue.sort()
        return len(self._queue)

    def _start(self, builder: Builder, moment: int) -> None:
        floor = self._floor
        piece = heappop(self._queue)[3]
        piece.ticket += 1
        at = moment + floor.rng.randrange(30, 400)
        many = piece.row["pictures"] or _USUAL_PICTURES
        size = (many / _USUAL_PICTURES) ** 0.5
        lasts = int(floor.rng.lognormvariate(0.0, 0.28) * size * 11 * HOUR) + 2 * HOUR
        builder.running = piece
        builder.ends_at = at + min(lasts, 44 * HOUR)
        ticket = piece.ticket
        if self._to_show:
            shows = self._to_show.pop(0)
            builder.ends_at = max(builder.ends_at, floor.now + 4 * HOUR)
            if shows == "stopped":
                floor.later(self._stops_at(at), lambda t: self._stop(builder, piece, ticket, t))
        floor.later(at, lambda t: self._begin(builder, piece, ticket, t))
        floor.later(builder.ends_at, lambda t: self._end(builder, piece, ticket, t))

    def _stops_at(self, started: int) -> int:
        """Some hours before the end, when somebody is there to see it, and after the start."""
        moment = self._floor.now - _STOP_BEFORE
        while not self._awake(moment):
            moment -= HOUR
        return min(max(moment, started + HOUR), self._floor.now - HOUR // 2)

    def _stop(self, builder: Builder, piece: DemoPiece, ticket: int, moment: int) -> None:
        """The machine stops by itself; what lay on it keeps its place, and nothing starts again."""
        if piece.ticket != ticket or piece.state.step is not Step.BUILDING:
            return
        builder.running, self._closed = None, True
        self._floor.ledger.add(
            piece, Kind.MOVE, moment, by=self._floor.workers[0].id, move=MoveKey.BUILD_STOPPED,
            to_step=Step.PHOTOS_IN, reason="the machine ran out of memory",
        )  # fmt: skip
        self.enqueue(piece, moment)

    def _begin(self, builder: Builder, piece: DemoPiece, ticket: int, moment: int) -> None:
        if piece.ticket != ticket:
            return
        begun = self._floor.ledger.add(
            piece, Kind.MOVE, moment, by=self._floor.workers[0].id,
            move=MoveKey.BUILD_STARTED, to_step=Step.BUILDING,
        )  # fmt: skip
        piece.row["machine"] = builder.name
        # Between when it should end is reckoned once all runs are known: see runs.py.
        row = {
            "model_id": piece.ref.id, "machine_id": builder.id, "transition_id": begun.id,
            "ends_from": 0, "ends_by": 0,
        }  # fmt: skip
        self._floor.ledger.note("builds", row)

    def _end(self, builder: Builder, piece: DemoPiece, ticket: int, moment: int) -> None:
        if builder.running is not piece or builder.ends_at != moment:
            return
        builder.running = None
        self.look(moment)
        if piece.ticket != ticket:
            return
        # Nobody is there at night: the end is written down in the morning, with its true time.
        seen = self._floor.open_hours.next_open(moment) + self._floor.rng.randrange(60, 1500)
        floor = self._floor
        floor.later(seen, lambda t: self._seen(piece, ticket, moment, t))

    def _seen(self, piece: DemoPiece, ticket: int, ended: int, moment: int) -> None:
        if piece.ticket != ticket:
            return
        floor = self._floor
        failed = floor.chance(0.04) and not piece.fated
        stopped = not failed and floor.chance(0.012)
        key = MoveKey.BUILD_FINISHED
        if failed or stopped:
            key = MoveKey.BUILD_FAILED if failed else MoveKey.BUILD_STOPPED
        to = Step.PHOTOS_IN if stopped else Step.ASSESSING
        floor.ledger.add(
            piece, Kind.MOVE, moment, by=floor.workers[0].id, move=key, to_step=to, happened=ended
        )
        if stopped:
            self.enqueue(piece, moment)
            return
        if failed:
            piece.fated.insert(0, MoveKey.MORE_VIEWS)
        floor.enqueue(piece, moment)

    def _break(self, builder: Builder, moment: int, mended: int) -> None:
        piece = builder.running
        if (piece is None or piece.state.step is not Step.BUILDING) and moment < mended - DAY:
            # A machine breaks down while it runs.
            self._floor.later(moment + HOUR // 2, lambda t: self._break(builder, t, mended))
            return
        builder.running, builder.down_until = None, mended
        if piece is None:
            return
        if piece.state.step is not Step.BUILDING:
            self.enqueue(piece, moment)
            return
        at = self._floor.office(moment, HOUR)
        piece.ticket += 1
        ticket = piece.ticket
        self._floor.later(at, lambda t: self._stopped(piece, ticket, moment, t))

    def _stopped(self, piece: DemoPiece, ticket: int, broke: int, moment: int) -> None:
        if piece.ticket == ticket:
            self._floor.ledger.add(
                piece, Kind.MOVE, moment, by=self._floor.workers[0].id, move=MoveKey.BUILD_STOPPED,
                to_step=Step.PHOTOS_IN, happened=broke, reason="the machine has broken down",
            )  # fmt: skip
            self.enqueue(piece, moment)


def _named(builder: Builder, at: int) -> Row:
    return {
        "name": builder.name, "name_key": builder.name.casefold(), "places": 1, "made_at": at,
        "off_at": None,
    }  # fmt: skip


class Blanks:
    """The blank machines: a batch starts when enough pieces wait, or in the afternoon."""

    def __init__(self, floor: DemoFloor, machines: int, broken: list[tuple[int, int]]) -> None:
        self._floor = floor
        self._free = machines
        self._broken = broken
        self._queue: list[tuple[tuple[int, int], int, int, DemoPiece]] = []
        self._count = 0

    def enqueue(self, piece: DemoPiece, moment: int) -> None:
        """A copy waits for a batch."""
        piece.ticket += 1
        self._count += 1
        heappush(self._queue, (self._floor.rank(piece, moment), self._count, piece.ticket, piece))
        if len(self._queue) >= _ENOUGH:
            self._floor.later(self._floor.open_hours.next_open(moment), self.look)
            return
        afternoon = self._floor.open_hours.after(moment, 6 * HOUR)
        self._floor.later(afternoon, self.look)

    def look(self, moment: int) -> None:
        """Start a batch where a machine is free and something waits."""
        self._queue = [q for q in self._queue if q[2] == q[3].ticket]
        self._queue.sort()
        keep = KEPT_BACK if moment > self._floor.reserve_from else 0
        down = next((b for a, b in self._broken if a <= moment < b), None)
        if down is not None:
            self._floor.later(self._floor.open_hours.next_open(down), self.look)
            return
        if not self._free or len(self._queue) <= keep:
            return
        self._free -= 1
        batch = [heappop(self._queue)[3] for _ in range(min(_BATCH, len(self._queue) - keep))]
        for piece in batch:
            piece.ticket += 1
        tickets = [piece.ticket for piece in batch]
        lasts = int(self._floor.rng.uniform(15, 40) * HOUR)
        ready = self._floor.open_hours.next_open(moment + lasts)
        ready += self._floor.rng.randrange(300, HOUR)
        self._floor.later(ready, lambda t: self._done(batch, tickets, t))

    def _done(self, batch: list[DemoPiece], tickets: list[int], moment: int) -> None:
        self._free += 1
        finish = self._floor.finish[Step.BLANK]
        caretaker = self._floor.workers[0]
        for piece, ticket in zip(batch, tickets, strict=True):
            if piece.ticket == ticket:
                finish(self._floor, piece, caretaker, moment)
        self._floor.later(moment + DAY // 8, self.look)
        self.look(moment)
