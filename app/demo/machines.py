"""The machines of the invented studio: builders that run day and night, blanks in batches."""

from dataclasses import dataclass, field
from heapq import heappop, heappush

from app.demo.floor import KEPT_BACK, Floor
from app.demo.hours import DAY, HOUR
from app.demo.ledger import Piece
from app.flow.rules import Kind
from app.flow.steps import Step

_BATCH = 8
_ENOUGH = 5


@dataclass(slots=True, eq=False)
class Builder:
    """A machine that builds models. `broken` holds the (from, until) in which it does not."""

    name: str
    broken: list[tuple[int, int]] = field(default_factory=list)
    running: Piece | None = None
    ends_at: int = 0

    def down_until(self, moment: int) -> int | None:
        """When it is mended, or None where it is whole."""
        return next((b for a, b in self.broken if a <= moment < b), None)


class Builders:
    """All builders, with one queue in front of them."""

    def __init__(self, floor: Floor, builders: list[Builder]) -> None:
        self._floor = floor
        self.builders = builders
        self._queue: list[tuple[tuple[int, int], int, int, Piece]] = []
        self._count = 0
        for builder in builders:
            for start, end in builder.broken:
                floor.later(start, lambda t, b=builder: self._break(b, t))  # type: ignore[misc]
                floor.later(end, self.look)
        last = floor.now - 14 * HOUR
        floor.later(last, lambda t: self._last_run(t))

    def enqueue(self, piece: Piece, moment: int) -> None:
        """A model waits for a machine."""
        piece.ticket += 1
        self._count += 1
        heappush(self._queue, (self._floor.rank(piece, moment), self._count, piece.ticket, piece))
        self.look(moment)

    def look(self, moment: int) -> None:
        """Start what can be started, from seven in the morning to ten at night."""
        hour = self._floor.calendar.local(moment).hour
        if not 7 <= hour < 22:
            self._floor.later(moment + HOUR, self.look)
            return
        keep = KEPT_BACK + 1 if moment > self._floor.reserve_from else 0
        for builder in self.builders:
            if builder.running is None and builder.down_until(moment) is None:
                if self._live() <= keep:
                    return
                self._start(builder, moment)

    def _live(self) -> int:
        self._queue = [q for q in self._queue if q[2] == q[3].ticket]
        self._queue.sort()
        return len(self._queue)

    def _last_run(self, moment: int) -> None:
        """Whatever else, something runs when the history ends."""
        if any(b.running is not None and b.ends_at > self._floor.now for b in self.builders):
            return
        for builder in self.builders:
            if builder.running is None and builder.down_until(moment) is None and self._live():
                self._start(builder, moment, self._floor.now - moment + 5 * HOUR)
                return

    def _start(self, builder: Builder, moment: int, least: int = 0) -> None:
        floor = self._floor
        piece = heappop(self._queue)[3]
        piece.ticket += 1
        at = moment + floor.rng.randrange(30, 400)
        lasts = max(least, int(floor.rng.lognormvariate(0.0, 0.5) * 11 * HOUR) + 2 * HOUR)
        builder.running = piece
        builder.ends_at = at + min(lasts, 44 * HOUR)
        ticket = piece.ticket
        floor.later(at, lambda t: self._begin(builder, piece, ticket, t))
        floor.later(builder.ends_at, lambda t: self._end(builder, piece, ticket, t))

    def _begin(self, builder: Builder, piece: Piece, ticket: int, moment: int) -> None:
        if piece.ticket != ticket:
            return
        self._floor.ledger.add(
            piece, Kind.MOVE, moment, by=self._floor.workers[0].id,
            move="build_started", to_step=Step.BUILDING,
        )  # fmt: skip
        piece.row["machine"] = builder.name
        piece.row["build_ends_at"] = builder.ends_at

    def _end(self, builder: Builder, piece: Piece, ticket: int, moment: int) -> None:
        if builder.running is not piece or builder.ends_at != moment:
            return
        builder.running = None
        piece.row["build_ends_at"] = None
        self.look(moment)
        if piece.ticket != ticket:
            return
        # Nobody is there at night: the end is written down in the morning, with its true time.
        seen = self._floor.open_hours.next_open(moment) + self._floor.rng.randrange(60, 1500)
        floor = self._floor
        floor.later(seen, lambda t: self._seen(piece, ticket, moment, t))

    def _seen(self, piece: Piece, ticket: int, ended: int, moment: int) -> None:
        if piece.ticket != ticket:
            return
        floor = self._floor
        failed = floor.chance(0.04) or "build_failed" in piece.fated
        stopped = not failed and floor.chance(0.012)
        key = "build_failed" if failed else "build_stopped" if stopped else "build_finished"
        to = Step.PHOTOS_IN if stopped else Step.ASSESSING
        floor.ledger.add(
            piece, Kind.MOVE, moment, by=floor.workers[0].id, move=key, to_step=to, happened=ended
        )
        if stopped:
            self.enqueue(piece, moment)
            return
        if failed:
            piece.fated.insert(0, "more_views")
        floor.enqueue(piece, moment)

    def _break(self, builder: Builder, moment: int) -> None:
        piece = builder.running
        builder.running = None
        if piece is None:
            return
        if piece.state.step is not Step.BUILDING:
            self.enqueue(piece, moment)
            return
        piece.row["build_ends_at"] = None
        at = self._floor.office(moment, HOUR)
        piece.ticket += 1
        ticket = piece.ticket
        self._floor.later(at, lambda t: self._stopped(piece, ticket, moment, t))

    def _stopped(self, piece: Piece, ticket: int, broke: int, moment: int) -> None:
        if piece.ticket == ticket:
            self._floor.ledger.add(
                piece, Kind.MOVE, moment, by=self._floor.workers[0].id, move="build_stopped",
                to_step=Step.PHOTOS_IN, happened=broke, reason="the machine has broken down",
            )  # fmt: skip
            self.enqueue(piece, moment)


class Blanks:
    """The blank machines: a batch starts when enough pieces wait, or in the afternoon."""

    def __init__(self, floor: Floor, machines: int, broken: list[tuple[int, int]]) -> None:
        self._floor = floor
        self._free = machines
        self._broken = broken
        self._queue: list[tuple[tuple[int, int], int, int, Piece]] = []
        self._count = 0

    def enqueue(self, piece: Piece, moment: int) -> None:
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

    def _done(self, batch: list[Piece], tickets: list[int], moment: int) -> None:
        self._free += 1
        finish = self._floor.finish[Step.BLANK]
        caretaker = self._floor.workers[0]
        for piece, ticket in zip(batch, tickets, strict=True):
            if piece.ticket == ticket:
                finish(self._floor, piece, caretaker, moment)
        self._floor.later(moment + DAY // 8, self.look)
        self.look(moment)
