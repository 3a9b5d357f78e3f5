"""The floor of the invented studio: moments in order, people with hours and skills, lines.

A discrete simulation. Every piece has a course, a generator that says when it goes on; people
take the next piece of a bench by the order of work.
"""

from bisect import insort
from collections import defaultdict
from collections.abc import Callable, Generator, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from heapq import heappop, heappush
from inspect import GEN_RUNNING, getgeneratorstate
from random import Random

from app.demo.hours import HOUR, WorkingHours
from app.demo.ledger import Course, DemoPiece, Job, Ledger
from app.demo.words import DemoWords
from app.flow.rules import Kind
from app.flow.steps import Of, Step
from app.shared.calendar import DAY, Calendar

Progress = Callable[[str, float], None]
Plan = list[tuple[int, str, int]]
"""What is done to a piece in a step: working seconds, why it is set aside then, seconds until
it is taken up again."""
KEPT_BACK = 2
_SOON = 21 * DAY
_LAST_MINUTES = 25 * 60
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


class DemoFloor:
    """Everything that the course of a piece leans on. `now` is where the history ends."""

    def __init__(
        self, rng: Random, words: DemoWords, ledger: Ledger, calendar: Calendar,
        span: tuple[int, int], open_hours: WorkingHours, reserve_from: int,
    ) -> None:  # fmt: skip
        self.rng = self._common = rng
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
        self.courses: dict[Of, Callable[[DemoPiece], Course]] = {}
        self.lines: defaultdict[Step, list[DemoPiece]] = defaultdict(list)
        # From when on everything draws for itself, from a stream that this seeds (see `drawing`).
        self.apart_from, self.seed = self.now + 1, 0
        self._streams: dict[str, Random] = {}
        self._whose: dict[Course, str] = {}
        self._events: list[tuple[int, int, Callable[[], None]]] = []
        self._count = 0

    # ------------------------------------------------------------ time

    @property
    def time(self) -> int:
        """The moment at which the history has arrived."""
        return self.ledger.time

    def later(self, when: int, act: Callable[[], None]) -> None:
        """Have something happen at a moment; what lies beyond `now` never does."""
        if when <= self.now:
            self._count += 1
            heappush(self._events, (when, self._count, act))

    def run(self, progress: Progress) -> None:
        """Let everything happen, up to `now`."""
        step = max(1, (self.now - self.start) // 100)
        shown = self.start
        self.later(self.now - _LAST_MINUTES, self._call_idle)
        while self._events:
            self.ledger.time, _, act = heappop(self._events)
            if self.time >= shown:
                progress("making the history", (self.time - self.start) / (self.now - self.start))
                shown = self.time + step
            act()

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

    @contextmanager
    def drawing(self, whose: str) -> Iterator[None]:
        """Draw for an order or a piece. From `apart_from` on each has a stream of its own, so that
        two histories that differ in who works there differ in nothing else: common random numbers.
        """
        before = self.rng
        if whose and self.time >= self.apart_from:
            self.rng = self._streams.setdefault(whose, Random(f"{self.seed} {whose}"))  # noqa: S311
        try:
            yield
        finally:
            self.rng = before

    def own(self, usual: Random) -> Random:
        """The stream of whoever draws for itself now, else the usual one."""
        return usual if self.rng is self._common else self.rng

    # ------------------------------------------------------------ courses

    def begin(self, piece: DemoPiece) -> None:
        """Let a piece take its course from the step that it is in."""
        self.divert(piece, self.courses[piece.ref.of](piece))

    def divert(self, piece: DemoPiece, course: Course) -> None:
        """Let a piece take a course, in place of the one that it is on."""
        self.withdraw(piece)
        piece.course = course
        self._whose[course] = piece.called
        self.go_on(course)

    def go_on(self, course: Course | None) -> None:
        """Let a course go on to its next wait; one that is over or was broken off stays so."""
        if course is None:
            return
        with self.drawing(self._whose.get(course, "")):
            when = next(course, None)
        if when is not None:
            self.later(when, lambda: self.go_on(course))

    def deposit_paid(self, piece: DemoPiece) -> Course:
        """Wait until the deposit of a piece's order is paid."""
        while piece.job.deposit is not None:
            piece.job.waiting.append(piece)
            yield None

    def wake(self, job: Job) -> None:
        """Let the pieces that wait for their sisters, or for the deposit, look again."""
        waiting, job.waiting = job.waiting, []
        for piece in waiting:
            self.go_on(piece.course)

    def withdraw(self, piece: DemoPiece) -> None:
        """Break off a piece's course, unless that is what asks for it."""
        if piece.course and getgeneratorstate(piece.course) != GEN_RUNNING:
            piece.course.close()
        if piece in (line := self.lines[piece.state.step]):
            line.remove(piece)
        if piece.worker is not None:
            self._release(piece, piece.worker)
        if piece.question is not None:
            piece.question["dropped"] = 1

    # ------------------------------------------------------------ lines

    def line_up(self, piece: DemoPiece) -> None:
        """Put a piece into the line of its step: remakes and rework, needed soon, the oldest."""
        job, rank = piece.job, (2, piece.job.rank_day)
        if piece.remake or piece.state.reworks:
            rank = 0, job.rank_day
        elif job.needed_at is not None and job.needed_at - self.time < _SOON:
            rank = 1, job.needed_at
        else:
            rank = 2, job.passed_at or piece.state.counted_at or job.rank_day
        self._count += 1
        piece.place, piece.since = (rank, self._count), self.time
        insort(self.lines[piece.state.step], piece, key=lambda one: one.place)

    def at_bench(self, piece: DemoPiece, plan: Plan) -> Generator[int | None, None, int]:
        """Wait for somebody and let them do what is planned; gives who did the last of it."""
        step, by = piece.state.step, 0
        if step in _GATHERS and not piece.remake and not piece.state.reworks:
            days = self.rng.uniform(0.05, _GATHERS[step])
            yield self.open_hours.next_open(self.time + int(days * DAY))
        for seconds, why, dries in plan:
            self.line_up(piece)
            idle = (w for w in self.workers if w.idle and not w.called and step in w.skills)
            if (first := next(idle, None)) is not None:
                self._call(first)
            yield None
            assert piece.worker is not None
            by = piece.worker.id
            self.ledger.add(piece, Kind.START, by=by)
            yield piece.worker.hours.after(self.time, seconds)
            self._release(piece, piece.worker)
            if why:
                until = self.open_hours.next_open(self.time + dries)
                until += -until % (15 * 60)
                self.ledger.add(piece, Kind.ASIDE, by=by, reason=why, until=until)
                yield until
        return by

    # ------------------------------------------------------------ people

    def joins(self, worker: Worker) -> None:
        """Somebody is new here. The owner stays the last who is called."""
        self.workers.insert(-1, worker)
        self._call(worker)

    def _call(self, worker: Worker) -> None:
        worker.called = True
        opens = worker.hours.next_open(self.time)
        # However often somebody is called, the piece that calls draws no more for it.
        delay = self._common.randrange(*((20, 200) if opens == self.time else (60, 900)))
        self.later(opens + delay, lambda: self._come(worker))

    def _come(self, worker: Worker) -> None:
        worker.called = False
        if not worker.hours.at_work(self.time):
            self._call(worker)
        elif (step := self._liked(worker)) is not None:
            piece = self.lines[step].pop(0)
            piece.worker, worker.idle = worker, False
            self.go_on(piece.course)

    def _liked(self, worker: Worker) -> Step | None:
        """The bench from which somebody takes the next piece, if any has one for them."""
        best, best_score = None, 1e9
        for liking, step in enumerate(worker.skills):
            line = self.lines[step]
            if len(line) <= self._kept(step):
                continue
            waited = (self.time - line[0].since) / DAY
            score = liking - 0.4 * waited - 10 * (line[0].place[0][0] == 0)
            if score < best_score:
                best, best_score = step, score
        return best

    def _kept(self, step: Step) -> int:
        """How many pieces stay in a line."""
        # Work of hours that is begun on in the last minutes is in hand when the history ends.
        begun = self.time >= self.now - _LAST_MINUTES and step in (Step.SHAPING, Step.PAINTING)
        if self.time <= self.reserve_from or begun:
            return 0
        # Where pieces gather for a sitting, some lie on the bench anyway.
        return 1 if step in _GATHERS else KEPT_BACK

    def _call_idle(self) -> None:
        for worker in self.workers:
            if worker.idle and not worker.called:
                self._call(worker)

    def _release(self, piece: DemoPiece, worker: Worker) -> None:
        """Somebody has their hands free."""
        piece.worker, worker.idle = None, True
        if not worker.called:
            self._call(worker)
