"""The course of a model: photos wanted, in, built, assessed, finished on screen."""

from datetime import date, time, timedelta

from app.demo.floor import DemoFloor, Plan
from app.demo.hours import HOUR
from app.demo.intake import Intake
from app.demo.ledger import Course, DemoPiece, Job, Row
from app.demo.machines import Builders
from app.demo.trouble import Trouble
from app.demo.words import filled
from app.flow.rules import Kind
from app.flow.steps import ASKED_AGAIN, PASSED, MoveKey, Of, Step
from app.shared.calendar import DAY

_OUTCOMES: dict[str, int] = {
    MoveKey.GOOD: 74, MoveKey.LIMITS: 10, MoveKey.BY_EYE: 3, MoveKey.MORE_VIEWS: 10,
    MoveKey.NEW_SET: 2, MoveKey.BUILD_AGAIN: 1,
}  # fmt: skip


class Models:
    """Sees models through."""

    def __init__(
        self, floor: DemoFloor, intake: Intake, builders: Builders, trouble: Trouble, days: int
    ) -> None:
        self._floor = floor
        self._intake = intake
        self._trouble = trouble
        self._deadline_days = days
        self._ways = {
            Step.PHOTOS_WANTED: self._photos, Step.PHOTOS_IN: builders.build,
            Step.ASSESSING: self._assess, Step.FINISHING: self._finish,
        }  # fmt: skip
        floor.courses[Of.MODEL] = self.course

    def course(self, piece: DemoPiece) -> Course:
        """Everything that a model goes through, from the step that it is in."""
        while way := self._ways.get(piece.state.step):
            yield from way(piece)

    # ------------------------------------------------------------ photos

    def _photos(self, piece: DemoPiece) -> Course:
        """Pictures are wanted: sooner or later they come, or nothing does."""
        floor, job = self._floor, piece.job
        first = piece.state.attempts == 0
        if piece.fated[:1] == ["silence"]:
            yield None
        if first and job.patience == "gone":
            yield floor.office(floor.time + int(floor.rng.uniform(18, 40) * DAY))
            self._cancel(job)
            return
        if first and job.patience == "slow":
            yield floor.office(floor.time + int(floor.rng.uniform(21, 30) * DAY))
            if floor.chance(0.35):
                self._cancel(job)
                return
            yield from self._trouble.hold(piece, "customer", floor.words.studio["no_photos_hold"])
        else:
            wait = job.wait if first else floor.span_of(3.5, 0.7, 30)
            told = floor.time + wait + floor.rng.randrange(60, 2 * HOUR)
            # Customers write between seven in the morning and eleven at night.
            yield told + max(0, 7 - floor.calendar.local(told).hour) * HOUR
        yield from self._come(piece)
        yield from floor.deposit_paid(piece)
        if floor.chance(0.1 if piece.policy.remembered else 0.015):
            yield floor.office(floor.time, 8 * HOUR)
            floor.ledger.move(piece, MoveKey.NO_BUILD, by=floor.workers[0].id)

    def _cancel(self, job: Job) -> None:
        self._trouble.cancel(job)
        self._intake.approvals.drop_all(job)

    def _come(self, piece: DemoPiece) -> Course:
        """The customer says that pictures are on their way, or they simply come; all counted."""
        floor, told, pictures = self._floor, self._floor.time, piece.job.wanted.pictures
        row = self._delivery(piece)
        if floor.chance(0.6):
            at_once = floor.open_hours.at_work(told) and floor.chance(0.4)
            yield told + 120 if at_once else floor.office(told, HOUR)
            floor.ledger.add(piece, Kind.TOLD, by=floor.desk, happened=told)
        yield floor.office(floor.time, 6 * HOUR)
        counted = row["files_said"] or floor.rng.randrange(18, 120)
        if floor.chance(0.1):
            counted = max(4, counted - floor.rng.randrange(1, 6))
        counted = pictures or counted
        row.update(fetched_at=floor.time, files_counted=counted)
        piece.row["pictures"] = (piece.row["pictures"] or 0) + counted
        floor.ledger.move(piece, MoveKey.PHOTOS_COUNTED, by=floor.desk, amount=counted)

    def _delivery(self, piece: DemoPiece) -> Row:
        floor, rng = self._floor, self._floor.rng
        way = rng.choices(("link", "mail", "post", "in_person"), (70, 22, 5, 3))[0]
        lapses = floor.calendar.day_of(floor.time) + timedelta(days=rng.choice((7, 14, 14, 21)))
        said = piece.job.wanted.pictures or rng.randrange(18, 120)
        return floor.ledger.note(
            "photo_deliveries", order_id=piece.job.id, model_id=piece.ref.id, told_at=floor.time,
            way=way, link=f"https://drop.example/{filled(rng, '@@##@#@#')}" * (way == "link"),
            lapses_on=lapses.isoformat() if way == "link" else None,
            files_said=said if rng.random() < 0.6 else None, account_id=floor.desk,
        )  # fmt: skip

    # ------------------------------------------------------------ assessment

    def _assess(self, piece: DemoPiece) -> Course:
        floor = self._floor
        by = yield from floor.at_bench(piece, [(int(floor.rng.uniform(400, 1800)), "", 0)])
        key, why = self._outcome(piece), ""
        by_eye = key in (MoveKey.LIMITS, MoveKey.BY_EYE)
        if by_eye:
            why = piece.row["limits"] = floor.rng.choice(floor.words.studio["limits"])
            piece.row["limits_agreed"] = floor.rng.choice(floor.words.studio["limits_agreed"])
        act = floor.ledger.move(piece, key, by=by, reason=why).act
        if key in PASSED:
            self._split(piece, act, by)
            if by_eye:
                self._intake.approvals.of_model_too(piece.job, act)
            self._passed(piece)
        elif key in ASKED_AGAIN:
            self._ask_views(piece)

    def _outcome(self, piece: DemoPiece) -> str:
        fated = piece.fated.pop(0) if piece.fated and piece.fated[0] in _OUTCOMES else ""
        key = fated or self._floor.rng.choices(tuple(_OUTCOMES), tuple(_OUTCOMES.values()))[0]
        remembered = piece.policy.remembered
        if key == MoveKey.NEW_SET and remembered:
            return MoveKey.BY_EYE
        if key in ASKED_AGAIN and not fated and (piece.state.attempts >= 2 or remembered):
            return MoveKey.LIMITS
        return key

    def _ask_views(self, piece: DemoPiece) -> None:
        rng, words = self._floor.rng, self._floor.words.studio
        wishes = rng.sample(words["views"], rng.choices((1, 2, 3, 4), (20, 40, 30, 10))[0])
        # What is asked of a set whose pictures are here fits what they lack.
        wishes = words["views_of"].get(str(piece.job.wanted.pictures), wishes)
        for number, wish in enumerate(wishes, 1):
            self._floor.ledger.note(
                "views_asked", model_id=piece.ref.id, attempt=piece.state.attempts, number=number,
                wish=wish, asked_at=self._floor.time,
            )  # fmt: skip

    def _split(self, piece: DemoPiece, act: int, by: int) -> None:
        """Copies in another pose than the first get a version of the model of their own."""
        floor, job = self._floor, piece.job
        mine = [c for c in job.copies if c.model is piece and c.state.step is Step.NOT_BEGUN]
        if not mine:
            return
        piece.row["pose"] = piece.row["pose"] or mine[0].row["pose"]
        versions = {piece.row["pose"]: piece}
        for copy in mine:
            pose = copy.row["pose"]
            if pose not in versions:
                version = versions[pose] = self._intake.model(
                    job, piece.letter, piece.animal, Step.FINISHING, act, by=by,
                    number=max(m.row["number"] for m in job.models if m.letter == piece.letter) + 1,
                    follows=piece.ref.id, pictures=piece.row["pictures"],
                    accepted=piece.state.passed_at,
                )  # fmt: skip
                kept = ("limits", "limits_agreed")
                version.row |= {"pose": pose, **{n: piece.row.get(n, "") for n in kept}}
                floor.begin(version)
            copy.model = versions[pose]
            copy.row["model_id"] = copy.model.ref.id
            if copy.model is not piece:
                self._intake.approvals.moved(copy, act)

    def _passed(self, piece: DemoPiece) -> None:
        floor, job = self._floor, piece.job
        day = floor.calendar.day_of(floor.time)
        deadline = floor.calendar.add_working_days(day, self._deadline_days)
        job.row["copy_deadline"] = max(job.row["copy_deadline"] or "", deadline.isoformat())
        if all(m.state.passed_at is not None for m in job.models):
            job.passed_at = floor.time
        looks = job.copies[0].row if job.copies else {}
        wants = looks.get("inscription") or looks.get("base", "none") != "none"
        # What another animal's copy has on the packing table is there already.
        packing = any(c.state.step is Step.PACKING for c in job.copies)
        if piece is job.models[0] and wants and floor.chance(0.45) and not packing:
            self._trouble.part(job)
        if floor.chance(0.05):
            at = floor.office(floor.time + floor.rng.randrange(DAY // 2, 4 * DAY))
            floor.later(at, lambda: self._one_more(piece))

    def _one_more(self, piece: DemoPiece) -> None:
        """A copy joins while the copy deadline is open."""
        mine = [c for c in piece.job.copies if c.letter == piece.letter]
        if mine and piece.state.step is Step.FINISHING:
            self._intake.copy(
                piece, max(c.row["number"] for c in mine) + 1, Step.NOT_BEGUN, None,
                order_animal=mine[0].row["order_animal_id"],
            )  # fmt: skip

    # ------------------------------------------------------------ finishing

    def _finish(self, piece: DemoPiece) -> Course:
        floor = self._floor
        yield from self._trouble.meet(piece)
        by = yield from floor.at_bench(piece, self._planned(piece))
        done = floor.ledger.move(piece, MoveKey.MODEL_FINISHED, by=by)
        if piece.row["number"] == 1:
            self._intake.ready.append(piece)
        for copy in list(piece.job.copies):
            if piece in (copy.model, *copy.beside) and copy.may_begin:
                floor.ledger.move(copy, MoveKey.BEGUN, done.act, by=by)
                floor.begin(copy)

    def _planned(self, piece: DemoPiece) -> Plan:
        """Some hours at the screen; a quarter of the models then wait for the copy deadline."""
        floor, deadline = self._floor, piece.job.row["copy_deadline"]
        total = int(floor.rng.lognormvariate(0.0, 0.4) * 1.1 * HOUR)
        if deadline is not None and piece.row["number"] == 1 and floor.chance(0.25):
            day = date.fromisoformat(deadline) + timedelta(days=1)
            wait = floor.open_hours.next_open(floor.calendar.moment(day, time(8))) - floor.time
            if wait > DAY:
                return [(total, "copy deadline", wait - DAY // 2), (600, "", 0)]
        return [(total, "", 0)]
