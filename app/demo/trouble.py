"""What comes between: holds, questions to the customer, cancelled orders."""

from collections.abc import Callable
from datetime import timedelta

from app.demo.floor import DemoFloor
from app.demo.hours import HOUR
from app.demo.ledger import DemoPiece, Job, Row
from app.flow.rules import Kind
from app.flow.steps import MoveKey, Of, Step, moves_from
from app.shared.calendar import DAY

GoOn = Callable[[DemoPiece, int], None]
_HOLDS = {Step.FINISHING: 0.035, Step.BLANK: 0.012, Step.SHAPING: 0.02, Step.PAINTING: 0.02}
_ASKS = {Step.FINISHING: 0.08, Step.SHAPING: 0.02, Step.PAINTING: 0.04}


class Trouble:
    """Draws what goes otherwise than planned, and sees it through."""

    def __init__(self, floor: DemoFloor) -> None:
        self._floor = floor
        self.settled: Callable[[Job, int], None] = lambda job, t: None

    def meet(self, piece: DemoPiece, moment: int, go_on: GoOn) -> None:
        """Let a piece that has entered a step go on, now or after a hold or a question."""
        floor, step = self._floor, piece.state.step
        ticket = piece.ticket
        draw = floor.rng.random()
        hold, ask = _HOLDS.get(step, 0.0), _ASKS.get(step, 0.0)
        lasts = None
        if piece.job.snag and step in _ASKS:
            hold, ask, lasts = float(piece.job.snag == "hold"), 1.0, 60 * DAY
            piece.job.snag = ""
        if piece.remake or draw > hold + ask:
            go_on(piece, moment)
            return
        at = floor.office(moment, 3 * HOUR)

        def begin(t: int) -> None:
            if piece.ticket != ticket:
                return
            if draw < hold:
                self.hold(piece, t, go_on, lasts=lasts)
            else:
                topic = floor.rng.choice(("colour", "pose", "marks"))
                self.ask([piece], topic, t, lambda when: go_on(piece, when), lasts)

        floor.later(at, begin)

    def hold(
        self, piece: DemoPiece, moment: int, go_on: GoOn, words: tuple[str, str] | None = None,
        lasts: int | None = None,
    ) -> None:  # fmt: skip
        """Put a piece on hold for some days, then lift the hold and go on."""
        floor = self._floor
        whose, reason = words or floor.rng.choice(floor.words.studio["holds"])
        lasts = lasts or floor.span_of(9, 0.6, 45)
        look_on = floor.calendar.day_of(moment + lasts) + timedelta(days=floor.rng.randrange(3))
        floor.ledger.add(
            piece, Kind.HOLD, moment, by=floor.desk, reason=reason, whose=whose,
            look_on=look_on.isoformat(),
        )  # fmt: skip
        ticket = piece.ticket

        def lift(t: int) -> None:
            if piece.ticket == ticket:
                floor.ledger.add(piece, Kind.LIFT, t, by=floor.desk)
                go_on(piece, t)

        floor.later(floor.office(moment + lasts), lift)

    def ask(
        self, pieces: list[DemoPiece], topic: str, moment: int, go_on: Callable[[int], None],
        lasts: int | None = None,
    ) -> None:  # fmt: skip
        """Ask the customer something that stops some pieces, and go on when it is answered."""
        floor = self._floor
        asked, answer = floor.rng.choice(floor.words.studio["questions"][topic])
        row = self._question(pieces, topic, asked, moment)
        tickets = [piece.ticket for piece in pieces]
        act = None
        for piece in pieces:
            entry = floor.ledger.add(
                piece, Kind.ASK, moment, act, by=floor.desk, question_id=row["id"]
            )
            act = entry.act

        def answered(t: int) -> None:
            act = None
            row.update(answered_at=t, answered_by_id=floor.desk, answer=answer)
            for piece, ticket in zip(pieces, tickets, strict=True):
                if piece.ticket == ticket and piece.state.asking:
                    entry = floor.ledger.add(
                        piece, Kind.ANSWER, t, act, by=floor.desk, question_id=row["id"]
                    )
                    act = entry.act
            go_on(t)

        floor.later(floor.office(moment + (lasts or floor.span_of(2.2, 0.9, 28))), answered)

    def _question(self, pieces: list[DemoPiece], topic: str, asked: str, moment: int) -> Row:
        floor, first = self._floor, pieces[0]
        single = len(pieces) == 1
        return floor.ledger.note(
            "questions",
            {
                "order_id": first.job.id, "topic": topic, "asked": asked, "blocking": 1,
                "model_id": first.ref.id if single and first.ref.of is Of.MODEL else None,
                "copy_id": first.ref.id if single and first.ref.of is Of.COPY else None,
                "channel": floor.rng.choice(("letter", "letter", "phone")), "asked_at": moment,
                "asked_by_id": floor.desk, "answered_at": None, "answered_by_id": None,
                "answer": "", "dropped": 0,
            },
        )  # fmt: skip

    def side_question(self, job: Job, moment: int) -> None:
        """Ask something that stops nothing."""
        floor = self._floor
        topic, asked, answer = floor.rng.choice(floor.words.studio["side_questions"])
        at = moment + floor.span_of(3, 0.8, 30)
        answered = at <= floor.now
        floor.ledger.note(
            "questions",
            {
                "order_id": job.id, "topic": topic, "asked": asked, "blocking": 0,
                "model_id": None, "copy_id": None, "channel": "letter", "asked_at": moment,
                "asked_by_id": floor.desk, "answered_at": at if answered else None,
                "answered_by_id": floor.desk if answered else None,
                "answer": answer if answered else "", "dropped": 0,
            },
        )  # fmt: skip

    def cancel(self, job: Job, moment: int) -> None:
        """Cancel whatever of an order can still be cancelled, in one act."""
        floor = self._floor
        reason = floor.rng.choice(floor.words.studio["cancel_reasons"])
        whose = "studio" if floor.chance(0.1) else "customer"
        act = None
        for piece in job.pieces():
            keys = {move.key for move in moves_from(piece.ref.of, piece.state.step)}
            if MoveKey.CANCEL not in keys:
                continue
            floor.withdraw(piece)
            entry = floor.ledger.add(
                piece, Kind.MOVE, moment, act, by=floor.desk, move=MoveKey.CANCEL,
                to_step=Step.CANCELLED, reason=reason, whose=whose,
            )  # fmt: skip
            act = entry.act
        self.settled(job, moment)

    def park(self, piece: DemoPiece, moment: int, go_on: GoOn) -> None:
        """No photos came: a hold until they do, or the end of the order."""
        floor = self._floor
        if piece.state.held or piece.state.step is not Step.PHOTOS_WANTED:
            return
        if floor.chance(0.35):
            self.cancel(piece.job, moment)
            return
        self.hold(piece, moment, go_on, ("customer", floor.words.studio["no_photos_hold"]))
