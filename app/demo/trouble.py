"""What comes between: holds, questions to the customer, cancelled orders."""

from datetime import timedelta
from typing import Any

from app.demo.floor import DemoFloor
from app.demo.hours import HOUR
from app.demo.ledger import Course, DemoPiece, Job, Row
from app.flow import payments
from app.flow.money import Paid
from app.flow.parts import NEEDED_AT
from app.flow.rules import PART, Kind
from app.flow.steps import MAKING_STEPS, MoveKey, Of, Step, moves_from
from app.shared.calendar import DAY

_HOLDS = {Step.FINISHING: 0.035, Step.BLANK: 0.012, Step.SHAPING: 0.02, Step.PAINTING: 0.02}
_ASKS = {Step.FINISHING: 0.08, Step.SHAPING: 0.02, Step.PAINTING: 0.04}
# How long the work waits for a customer before the owner goes on without an answer.
_PATIENCE = 14 * DAY


class Trouble:
    """Draws what goes otherwise than planned, and sees it through."""

    def __init__(self, floor: DemoFloor) -> None:
        self._floor = floor
        self._late = 0

    def meet(self, piece: DemoPiece) -> Course:
        """What may stop a piece that has entered a step: a hold or a question, or nothing."""
        floor, step = self._floor, piece.state.step
        draw, snag = floor.rng.random(), piece.job.wanted.snag
        hold, ask, lasts = _HOLDS.get(step, 0.0), _ASKS.get(step, 0.0), None
        if snag and step is Step.FINISHING:
            hold, ask, lasts = float(snag == "hold"), 1.0, 60 * DAY
        if piece.remake or draw > hold + ask:
            return
        yield floor.office(floor.time, 3 * HOUR)
        if draw < hold:
            whose, why = floor.rng.choice(floor.words.studio["holds"])
            yield from self.hold(piece, whose, why, lasts)
        else:
            yield from self.ask(piece, floor.rng.choice(("colour", "pose", "marks")), lasts)

    def hold(self, piece: DemoPiece, whose: str, why: str, lasts: int | None = None) -> Course:
        """Put a piece on hold for some days, then lift the hold."""
        floor = self._floor
        lasts = lasts or floor.span_of(9, 0.6, 45)
        look_on = floor.calendar.day_of(floor.time + lasts) + timedelta(floor.rng.randrange(3))
        floor.ledger.add(
            piece, Kind.HOLD, by=floor.desk, reason=why, whose=whose, look_on=look_on.isoformat()
        )
        yield floor.office(floor.time + lasts)
        floor.ledger.add(piece, Kind.LIFT, by=floor.desk)

    def ask(self, piece: DemoPiece, topic: str, lasts: int | None = None) -> Course:
        """Ask the customer something that stops a piece, until it is answered."""
        floor = self._floor
        asked, answer = floor.rng.choice(floor.words.studio["questions"][topic])
        of = "model_id" if piece.ref.of is Of.MODEL else "copy_id"
        row = piece.question = self._question(
            piece.job, topic, asked, blocking=1,
            channel=floor.rng.choice(("letter", "letter", "phone")), **{of: piece.ref.id},
        )  # fmt: skip
        before = piece.state.step if piece.state.step in MAKING_STEPS else None
        row["before_step"] = before and str(before)
        stops = {"question_id": row["id"], "to_step": before}
        floor.ledger.add(piece, Kind.ASK, by=floor.desk, **stops)
        wait = lasts or floor.span_of(2.2, 0.9, 28)
        if lasts is None and wait > _PATIENCE:
            # The owner goes on without an answer; it comes all the same, later.
            yield floor.office(floor.time + _PATIENCE)
            why = "no answer for two weeks: made as the photos show it"
            row.update(overridden_at=floor.time, overridden=why)
            floor.ledger.add(piece, Kind.ANSWER, by=floor.owner, reason=why, **stops)
            piece.question = None
            floor.later(
                floor.office(floor.time + wait - _PATIENCE), lambda: self._answered(row, answer)
            )
            return
        yield floor.office(floor.time + wait)
        self._answered(row, answer)
        piece.question = None
        floor.ledger.add(piece, Kind.ANSWER, by=floor.desk, **stops)

    def _answered(self, row: Row, answer: str) -> None:
        floor = self._floor
        row.update(answered_at=floor.time, answered_by_id=floor.desk, answer=answer)

    def part(self, job: Job) -> None:
        """Order a base or a plate for what is made of an order, and let it come one day."""
        floor, looks = self._floor, job.copies[0].row
        kind = "plate" if looks["inscription"] else "base"
        weeks = floor.rng.uniform(1.5, 4)
        due = floor.open_hours.next_open(floor.time + int(weeks * 7 * DAY))
        here = due + int(floor.rng.triangular(-5, 9, -1) * DAY)
        if self._late < 2 and floor.now - 9 * DAY < due < floor.now - DAY:
            # So that something is late when the history ends.
            self._late, here = self._late + 1, floor.now + DAY
        day_of = floor.calendar.day_of
        row = floor.ledger.note(
            "parts", order_id=job.id, kind=kind, noted_at=floor.time, account_id=floor.desk,
            supplier=floor.rng.choice(floor.words.studio["suppliers"][kind]),
            what="" if kind == "plate" else looks["base"], before_step=str(NEEDED_AT[kind]),
            ordered_on=day_of(floor.time).isoformat(), due_on=day_of(due).isoformat(),
        )  # fmt: skip
        stops = {"move": PART, "amount": row["id"], "to_step": NEEDED_AT[kind]}
        act = None
        for copy in job.copies:
            if copy.state.open:
                entry = floor.ledger.add(copy, Kind.ASK, act, by=floor.desk, **stops)
                act = act or entry.act
        floor.later(floor.office(max(here, floor.time + DAY)), lambda: self._here(job, row, stops))

    def _here(self, job: Job, row: Row, stops: dict[str, Any]) -> None:
        floor, act = self._floor, None
        row["here_at"] = floor.time
        for copy in job.copies:
            waits = any(gate.part == row["id"] for gate in copy.state.gates)
            if waits and copy.state.open:
                entry = floor.ledger.add(copy, Kind.ANSWER, act, by=floor.desk, **stops)
                act = act or entry.act
        floor.wake(job)

    def side_question(self, job: Job) -> Course:
        """Ask something that stops nothing."""
        floor = self._floor
        topic, asked, answer = floor.rng.choice(floor.words.studio["side_questions"])
        row = self._question(job, topic, asked, blocking=0, channel="letter")
        yield floor.time + floor.span_of(3, 0.8, 30)
        row.update(answered_at=floor.time, answered_by_id=floor.desk, answer=answer)

    def _question(self, job: Job, topic: str, asked: str, **more: Any) -> Row:
        floor = self._floor
        return floor.ledger.note(
            "questions", order_id=job.id, topic=topic, asked=asked, asked_at=floor.time,
            asked_by_id=floor.desk, **more,
        )  # fmt: skip

    def deposit(self, job: Job) -> None:
        """Let an order of which nothing is paid wait for its deposit, mostly a day or two."""
        floor, needed = self._floor, Paid.PART
        if job.row["imported"] or Paid(job.row["paid"]).covers(needed):
            return
        job.deposit = self._question(
            job, payments.TOPIC, payments.asked(needed), blocking=1, channel="other",
            before_step=str(payments.BEFORE), until_paid=str(needed),
        )  # fmt: skip
        if not job.wanted.unpaid:
            # Sooner for one, later for another, without a draw: the rest of the history stands.
            wait = (4 + job.row["number"] * 37 % 61) * HOUR
            floor.later(
                floor.open_hours.next_open(floor.time + wait) + 900, lambda: self._paid(job)
            )

    def _paid(self, job: Job) -> None:
        """The deposit of an order is here, unless the order was cancelled."""
        floor, row, act = self._floor, job.deposit, None
        if row is None:
            return
        job.row["paid"], job.deposit = "part", None
        self._answered(row, payments.PAID[Paid.PART])
        for piece in job.pieces():
            if piece.state.open and piece.state.gates:
                act = floor.ledger.add(
                    piece, Kind.ANSWER, act, by=floor.desk, question_id=row["id"],
                    to_step=payments.BEFORE,
                ).act  # fmt: skip
        floor.wake(job)

    def cancel(self, job: Job) -> None:
        """Cancel whatever of an order can still be cancelled, in one act."""
        floor, act = self._floor, None
        reason = floor.rng.choice(floor.words.studio["cancel_reasons"])
        whose = "studio" if floor.chance(0.1) else "customer"
        if job.deposit is not None:
            job.deposit.update(answered_at=floor.time, dropped=1)
            job.deposit = None
        for piece in job.pieces():
            keys = {move.key for move in moves_from(piece.ref.of, piece.state.step)}
            if MoveKey.CANCEL in keys:
                floor.withdraw(piece)
                act = floor.ledger.move(
                    piece, MoveKey.CANCEL, act, by=floor.desk, reason=reason, whose=whose
                ).act
        floor.wake(job)
