"""The floor of the invented studio: moments in order, people with hours and skills, queues.

A discrete simulation. Whatever is to happen later lies in one heap by the moment at which it is
written down; people take the next piece of a bench by the order of work, and a piece that is set
aside comes back into its queue when it is dry.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from heapq import heappop, heappush
from random import Random

from app.demo.hours import HOUR, WorkingHours
from app.demo.ledger import DemoPiece, Job, Ledger
from app.demo.words import DemoWords
from app.flow.rules import Kind
from app.flow.steps import Step
from app.shared.calendar import DAY, Calendar

Progress = Callable[[str, float], None]
KEPT_BACK = 2
_SOON = 21 * DAY
# Pieces gather for a sitting: up to so many days pass before a new one is looked at at all.
_GATHERS = {Step.FINISHING: 2.0, Step.SHAPING: 3.0, Step.PAINTING: 2.2, Step.INSPECTION: 1.1}


@dataclass(slots=True, eq=False)
class Worker:
    """Somebody at the benches: what they do, the liked best first, and when they are here."""

    id: int
    skills: tuple[Step, ...]
    hours: WorkingHours
    idle: bool = True
    called: bool = False


Finish = Callable[["DemoFloor", DemoPiece, Worker, int], int]
Plan = Callable[["DemoFloor", DemoPiece], list[tuple[int, str, int]]]


class DemoFloor:
    """Everything that the course of a piece leans on. `now` is where the history ends."""

    def __init__(
        self,
        rng: Random,
        words: DemoWords,
        ledger: Ledger,
        calendar: Calendar,
        span: tuple[int, int],
        open_hours: WorkingHours,
        reserve_from: int,
    ) -> None:
        self.rng = rng
        self.words = words
        self.ledger = ledger
        self.calendar = calendar
        self.start, self.now = span
        self.open_hours = open_hours
        # In the last days a few pieces are left on each bench, so that none stands empty.
        self.reserve_from = reserve_from
        self.workers: list[Worker] = []
        self.owner = self.desk = 0
        self.jobs: list[Job] = []
        self.finish: dict[Step, Finish] = {}
        self.plan: dict[Step, Plan] = {}
        self._heap: list[tuple[int, int, Callable[[int], None]]] = []
        self._count = 0
        self._queues: dict[Step, list[tuple[tuple[int, int], int, int, int, DemoPiece]]] = {}
        self._waiting: dict[Step, int] = {}

    # ------------------------------------------------------------ time

    def later(self, when: int, act: Callable[[int], None]) -> None:
        """Have something happen at a moment; what lies beyond `now` never does."""
        if when <= self.now:
            self._count += 1
            heappush(self._heap, (when, self._count, act))

    def run(self, progress: Progress) -> None:
        """Let everything happen, up to `now`."""
        step = max(1, (self.now - self.start) // 100)
        shown = self.start
        while self._heap:
            when, _, act = heappop(self._heap)
            if when >= shown:
                progress("making the history", (when - self.start) / (self.now - self.start))
                shown = when + step
            act(when)

    def office(self, moment: int, spread: int = 2 * HOUR) -> int:
        """A moment in opening hours, some while after another one."""
        return self.open_hours.after(moment, self.rng.randrange(60, max(120, spread)))

    def span_of(self, median_days: float, sigma: float = 0.5, most: float = 90.0) -> int:
        """Some seconds, log-normal about a median, at most `most` days."""
        days = self.rng.lognormvariate(0.0, sigma) * median_days
        return int(min(days, most) * DAY)

    def chance(self, p: float) -> bool:
        """True so often."""
        return self.rng.random() < p

    # ------------------------------------------------------------ queues

    def rank(self, piece: DemoPiece, moment: int) -> tuple[int, int]:
        """The order of work: remakes and rework, then needed soon, then the oldest."""
        if piece.remake or piece.state.reworks:
            return 0, piece.job.rank_day
        needed = piece.job.needed_at
        if needed is not None and needed - moment < _SOON:
            return 1, needed
        return 2, piece.job.passed_at or piece.state.counted_at or piece.job.rank_day

    def arrive(self, piece: DemoPiece, moment: int) -> None:
        """A piece has come to a bench: remakes and rework at once, others in some days."""
        gathers = _GATHERS.get(piece.state.step)
        if gathers is None or piece.remake or piece.state.reworks:
            self.enqueue(piece, moment)
            return
        ticket = piece.ticket
        days = self.rng.uniform(0.05, gathers)
        at = self.open_hours.next_open(moment + int(days * DAY))
        self.later(at, lambda t: self._dry(piece, ticket, t))

    def enqueue(self, piece: DemoPiece, moment: int) -> None:
        """Put a piece into the queue of the step it is in, and call somebody for it."""
        step = piece.state.step
        piece.ticket += 1
        piece.queued = True
        self._count += 1
        self._waiting[step] = self._waiting.get(step, 0) + 1
        entry = (self.rank(piece, moment), self._count, piece.ticket, moment, piece)
        heappush(self._queues.setdefault(step, []), entry)
        for worker in self.workers:
            if worker.idle and not worker.called and step in worker.skills:
                self._call(worker, moment)
                return

    def withdraw(self, piece: DemoPiece) -> None:
        """Take a piece out of its queue, or out of the plans of whoever works on it."""
        piece.ticket += 1
        if piece.queued:
            piece.queued = False
            self._waiting[piece.state.step] -= 1

    def waiting(self, step: Step) -> int:
        """How many pieces wait in a queue."""
        return self._waiting.get(step, 0)

    def _head(self, step: Step) -> tuple[tuple[int, int], int, int, int, DemoPiece] | None:
        queue = self._queues.get(step)
        while queue:
            if queue[0][2] == queue[0][4].ticket:
                return queue[0]
            heappop(queue)
        return None

    def _pick(self, worker: Worker, moment: int) -> DemoPiece | None:
        best, best_score = None, 1e9
        for liking, step in enumerate(worker.skills):
            head = self._head(step)
            if head is None or self.keeps_back(step, moment):
                continue
            waited = (moment - head[3]) / DAY
            score = liking - 0.4 * waited - 10 * (head[0][0] == 0)
            if score < best_score:
                best, best_score = step, score
        if best is None:
            return None
        piece = heappop(self._queues[best])[4]
        self.withdraw(piece)
        return piece

    def keeps_back(self, step: Step, moment: int) -> bool:
        """Whether the last few pieces of a bench stay where they are."""
        # Where pieces gather for a sitting, some lie on the bench anyway.
        kept = 1 if step in _GATHERS else KEPT_BACK
        return moment > self.reserve_from and self.waiting(step) <= kept

    # ------------------------------------------------------------ people

    def staff(self, workers: Sequence[Worker], owner: int, desk: int) -> None:
        """Give the floor its people."""
        self.workers = list(workers)
        self.owner, self.desk = owner, desk

    def _call(self, worker: Worker, moment: int) -> None:
        worker.called = True
        opens = worker.hours.next_open(moment)
        delay = self.rng.randrange(20, 200) if opens == moment else self.rng.randrange(60, 900)
        self.later(opens + delay, lambda t: self._wake(worker, t))

    def _wake(self, worker: Worker, moment: int) -> None:
        worker.called = False
        if not worker.idle:
            return
        if not worker.hours.at_work(moment):
            self._call(worker, moment)
            return
        piece = self._pick(worker, moment)
        if piece is not None:
            self._work(worker, piece, moment)

    def _work(self, worker: Worker, piece: DemoPiece, moment: int) -> None:
        worker.idle = False
        self.ledger.add(piece, Kind.START, moment, by=worker.id)
        if not piece.work:
            piece.work = self.plan[piece.state.step](self, piece)
        self.go_on(worker, piece, moment, piece.work[0][0])

    def go_on(self, worker: Worker, piece: DemoPiece, moment: int, seconds: int) -> None:
        """Keep somebody at a piece that they have in hand for so many working seconds."""
        ticket = piece.ticket
        end = worker.hours.after(moment, seconds)
        self.later(end, lambda t: self._stop(worker, piece, ticket, t))

    def _stop(self, worker: Worker, piece: DemoPiece, ticket: int, moment: int) -> None:
        free = moment
        if piece.ticket == ticket:
            _, why, dries = piece.work.pop(0)
            if why:
                self._set_aside(worker, piece, moment, why, dries)
            else:
                free = self.finish[piece.state.step](self, piece, worker, moment)
        if free >= 0:
            self.release(worker, free)

    def release(self, worker: Worker, moment: int) -> None:
        """Somebody has their hands free."""
        worker.idle = True
        if not worker.called:
            self._call(worker, moment)

    def _set_aside(
        self, worker: Worker, piece: DemoPiece, moment: int, why: str, dries: int
    ) -> None:
        until = self.open_hours.next_open(moment + dries)
        until += -until % (15 * 60)
        self.ledger.add(piece, Kind.ASIDE, moment, by=worker.id, reason=why, until=until)
        piece.ticket += 1
        ticket = piece.ticket
        self.later(until, lambda t: self._dry(piece, ticket, t))

    def _dry(self, piece: DemoPiece, ticket: int, moment: int) -> None:
        if piece.ticket == ticket and not piece.state.held:
            self.enqueue(piece, moment)
