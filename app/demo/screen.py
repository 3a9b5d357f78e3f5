"""The course of a model: photos wanted, in, built, assessed, finished on screen."""

from collections.abc import Callable
from datetime import time, timedelta

from app.demo.floor import DemoFloor, Worker
from app.demo.hours import HOUR
from app.demo.intake import Intake
from app.demo.ledger import DemoPiece, Row
from app.demo.machines import Builders
from app.demo.trouble import Trouble
from app.demo.words import filled
from app.flow.rules import Kind
from app.flow.steps import ASKED_AGAIN, PASSED, MoveKey, Step
from app.shared.calendar import DAY

_ODDS = (74, 10, 3, 10, 2, 1)
_TO: dict[str, Step] = {
    MoveKey.GOOD: Step.FINISHING, MoveKey.LIMITS: Step.FINISHING, MoveKey.BY_EYE: Step.FINISHING,
    MoveKey.MORE_VIEWS: Step.PHOTOS_WANTED, MoveKey.NEW_SET: Step.PHOTOS_WANTED,
    MoveKey.BUILD_AGAIN: Step.PHOTOS_IN,
}  # fmt: skip


class Screen:
    """Sees models through. `begin` is called for each copy whose model is ready."""

    def __init__(
        self, floor: DemoFloor, intake: Intake, builders: Builders, trouble: Trouble,
        deadline_days: int,
    ) -> None:  # fmt: skip
        self._floor = floor
        self._intake = intake
        self._builders = builders
        self._trouble = trouble
        self._deadline_days = deadline_days
        self.begin: Callable[[DemoPiece, int], None] = lambda copy, t: None
        floor.plan[Step.ASSESSING] = lambda f, p: [(int(f.rng.uniform(400, 1800)), "", 0)]
        floor.plan[Step.FINISHING] = self._finishing_work
        floor.finish[Step.ASSESSING] = self._assessed
        floor.finish[Step.FINISHING] = self._finished

    # ------------------------------------------------------------ photos

    def wanted(self, piece: DemoPiece, moment: int) -> None:
        """Pictures are wanted of a model: sooner or later they come."""
        floor, job = self._floor, piece.job
        ticket = piece.ticket
        if piece.fated[:1] == ["silence"]:
            return
        first = piece.state.attempts == 0
        if job.wait is None:
            quick = floor.chance(0.12)
            job.wait = int(0.04 * DAY) if quick else floor.span_of(4.2, 0.85, 40)
            # Now and then nothing comes at all.
            job.patience = "gone" if floor.chance(0.022) else "slow" if floor.chance(0.03) else ""
        if first and job.patience == "gone":
            floor.later(
                floor.office(moment + int(floor.rng.uniform(18, 40) * DAY)),
                lambda t: self._give_up(piece, ticket, t),
            )
            return
        if first and job.patience == "slow":
            at = floor.office(moment + int(floor.rng.uniform(21, 30) * DAY))
            floor.later(at, lambda t: self._trouble.park(piece, t, self.told))
            return
        wait = job.wait if first else floor.span_of(3.5, 0.7, 30)
        told = self._by_day(moment + wait + floor.rng.randrange(60, 2 * HOUR))
        floor.later(told, lambda t: self.told(piece, t) if piece.ticket == ticket else None)

    def _give_up(self, piece: DemoPiece, ticket: int, moment: int) -> None:
        if piece.ticket == ticket:
            self._trouble.cancel(piece.job, moment)

    def _by_day(self, moment: int) -> int:
        """Customers write between seven in the morning and eleven at night."""
        hour = self._floor.calendar.local(moment).hour
        return moment + (7 - hour) * HOUR if hour < 7 else moment

    def told(self, piece: DemoPiece, moment: int) -> None:
        """The customer says that pictures are on their way, or they simply come."""
        floor = self._floor
        row = self._delivery(piece, moment)
        if floor.chance(0.6):
            at_once = floor.open_hours.at_work(moment) and floor.chance(0.4)
            seen = moment + 120 if at_once else floor.office(moment, HOUR)
            ticket = piece.ticket
            floor.later(seen, lambda t: self._told_seen(piece, ticket, row, moment, t))
        else:
            self._count_later(piece, row, moment)

    def _told_seen(self, piece: DemoPiece, ticket: int, row: Row, told: int, moment: int) -> None:
        if piece.ticket != ticket or piece.state.step is not Step.PHOTOS_WANTED:
            return
        floor = self._floor
        floor.ledger.add(piece, Kind.TOLD, moment, by=floor.desk, happened=told)
        self._count_later(piece, row, moment)

    def _count_later(self, piece: DemoPiece, row: Row, moment: int) -> None:
        ticket = piece.ticket
        at = self._floor.office(moment, 6 * HOUR)
        self._floor.later(at, lambda t: self._counted(piece, ticket, row, t))

    def _delivery(self, piece: DemoPiece, moment: int) -> Row:
        floor, rng = self._floor, self._floor.rng
        way = rng.choices(("link", "mail", "post", "in_person"), (70, 22, 5, 3))[0]
        lapses = floor.calendar.day_of(moment) + timedelta(days=rng.choice((7, 14, 14, 21)))
        said = piece.job.pictures or rng.randrange(18, 120)
        return floor.ledger.note(
            "photo_deliveries",
            {
                "order_id": piece.job.id, "model_id": piece.ref.id, "told_at": moment, "way": way,
                "link": f"https://drop.example/{filled(rng, '@@##@#@#')}" if way == "link" else "",
                "lapses_on": lapses.isoformat() if way == "link" else None,
                "files_said": said if rng.random() < 0.6 else None, "fetched_at": None,
                "files_counted": None, "account_id": floor.desk,
            },
        )  # fmt: skip

    def _counted(self, piece: DemoPiece, ticket: int, row: Row, moment: int) -> None:
        floor = self._floor
        if piece.ticket != ticket or piece.state.step is not Step.PHOTOS_WANTED:
            return
        if piece.state.held:
            return
        counted = row["files_said"] or floor.rng.randrange(18, 120)
        if floor.chance(0.1):
            counted = max(4, counted - floor.rng.randrange(1, 6))
        counted = piece.job.pictures or counted
        row.update(fetched_at=moment, files_counted=counted)
        piece.row["pictures"] = (piece.row["pictures"] or 0) + counted
        floor.ledger.add(
            piece, Kind.MOVE, moment, by=floor.desk, move=MoveKey.PHOTOS_COUNTED,
            to_step=Step.PHOTOS_IN, amount=counted,
        )  # fmt: skip
        self.photos_in(piece, moment)

    def photos_in(self, piece: DemoPiece, moment: int) -> None:
        """Counted pictures wait for a machine; a few sets are judged without a build."""
        floor = self._floor
        remembered = piece.animal["life"] == "remembered"
        if not floor.chance(0.1 if remembered else 0.015):
            self._builders.enqueue(piece, moment)
            return
        ticket = piece.ticket

        def look(t: int) -> None:
            if piece.ticket == ticket:
                floor.ledger.add(
                    piece, Kind.MOVE, t, by=floor.workers[0].id, move=MoveKey.NO_BUILD,
                    to_step=Step.ASSESSING,
                )  # fmt: skip
                floor.enqueue(piece, t)

        floor.later(floor.office(moment, 8 * HOUR), look)

    # ------------------------------------------------------------ assessment

    def _outcome(self, piece: DemoPiece) -> str:
        floor = self._floor
        fated = piece.fated.pop(0) if piece.fated and piece.fated[0] in _TO else ""
        key = fated or floor.rng.choices(tuple(_TO), _ODDS)[0]
        remembered = piece.animal["life"] == "remembered"
        if key == MoveKey.NEW_SET and remembered:
            key = MoveKey.BY_EYE
        if key in ASKED_AGAIN and not fated and (piece.state.attempts >= 2 or remembered):
            key = MoveKey.LIMITS
        return key

    def _assessed(self, floor: DemoFloor, piece: DemoPiece, worker: Worker, moment: int) -> int:
        key = self._outcome(piece)
        piece.ticket += 1
        if key == MoveKey.LIMITS:
            piece.row["limits"] = floor.rng.choice(floor.words.studio["limits"])
            piece.row["limits_agreed"] = floor.rng.choice(floor.words.studio["limits_agreed"])
        floor.ledger.add(
            piece, Kind.MOVE, moment, by=worker.id, move=key, to_step=_TO[key],
            reason=piece.row["limits"] if key == MoveKey.LIMITS else "",
        )  # fmt: skip
        if key in PASSED:
            self._passed(piece, moment)
            self._trouble.meet(piece, moment, floor.arrive)
        elif key == MoveKey.BUILD_AGAIN:
            self._builders.enqueue(piece, moment)
        else:
            self._views(piece, moment)
            self.wanted(piece, moment)
        return moment

    def _views(self, piece: DemoPiece, moment: int) -> None:
        rng, words = self._floor.rng, self._floor.words.studio
        wishes = rng.sample(words["views"], rng.choices((1, 2, 3, 4), (20, 40, 30, 10))[0])
        # What is asked of a set whose pictures are here fits what they lack.
        wishes = words["views_of"].get(str(piece.job.pictures), wishes)
        for number, wish in enumerate(wishes, 1):
            self._floor.ledger.note(
                "views_asked",
                {"model_id": piece.ref.id, "attempt": piece.state.attempts, "number": number,
                 "wish": wish, "asked_at": moment},
            )  # fmt: skip

    def _passed(self, piece: DemoPiece, moment: int) -> None:
        floor, job = self._floor, piece.job
        day = floor.calendar.day_of(moment)
        deadline = floor.calendar.add_working_days(day, self._deadline_days)
        job.row["copy_deadline"] = max(job.row["copy_deadline"] or "", deadline.isoformat())
        if all(m.state.passed_at is not None for m in job.models):
            job.passed_at = moment
        if floor.chance(0.05):
            at = floor.office(moment + floor.rng.randrange(DAY // 2, 4 * DAY))
            floor.later(at, lambda t: self._one_more(piece, t))

    def _one_more(self, piece: DemoPiece, moment: int) -> None:
        """A copy joins while the copy deadline is open."""
        if piece.state.step is not Step.FINISHING:
            return
        mine = [c for c in piece.job.copies if c.letter == piece.letter]
        if not mine:
            return
        self._intake.copy(
            piece.job, piece, max(c.number for c in mine) + 1, Step.NOT_BEGUN, moment, None,
            letter=piece.letter, order_animal=mine[0].row["order_animal_id"],
            looks=self._intake.looks(piece.animal, moment),
        )  # fmt: skip

    # ------------------------------------------------------------ finishing

    def _finishing_work(self, floor: DemoFloor, piece: DemoPiece) -> list[tuple[int, str, int]]:
        """Some hours at the screen; a quarter of the models then wait for the copy deadline."""
        total = int(floor.rng.lognormvariate(0.0, 0.4) * 1.1 * HOUR)
        deadline = piece.job.row["copy_deadline"]
        if deadline is None or piece.row["number"] > 1 or not floor.chance(0.25):
            return [(total, "", 0)]
        day = floor.calendar.local(0).date().fromisoformat(deadline) + timedelta(days=1)
        opens = floor.open_hours.next_open(floor.calendar.moment(day, time(8)))
        wait = opens - piece.state.last_at - total
        if wait < DAY // 2:
            return [(total, "", 0)]
        return [(total, "copy deadline", wait), (600, "", 0)]

    def _finished(self, floor: DemoFloor, piece: DemoPiece, worker: Worker, moment: int) -> int:
        piece.ticket += 1
        done = floor.ledger.add(
            piece, Kind.MOVE, moment, by=worker.id, move=MoveKey.MODEL_FINISHED, to_step=Step.READY
        )
        if piece.row["number"] == 1:
            self._intake.ready.append(piece)
        for copy in list(piece.job.copies):
            if copy.model is piece and copy.state.step is Step.NOT_BEGUN:
                floor.ledger.add(
                    copy, Kind.MOVE, moment, done.act, by=worker.id, move=MoveKey.BEGUN,
                    to_step=Step.BLANK, happened=done.happened_at, time_is=done.time_is,
                )  # fmt: skip
                self.begin(copy, moment)
        return moment
