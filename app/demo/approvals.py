"""What invented customers approve: shown before a step, answered after some days."""

from collections.abc import Generator
from random import Random

from app.demo.floor import DemoFloor
from app.demo.hours import HOUR
from app.demo.ledger import Course, DemoPiece, Job, Row
from app.flow.approvals.rules import BEFORE, CHANGES, MODEL_APPROVAL, NO, YES, Approves, of_topics
from app.flow.gates import Gate
from app.flow.rules import UNASKED, Kind
from app.flow.steps import PLACE, Step
from app.shared.calendar import DAY

# Of a hundred answers.
_ANSWERS = {YES: 82, CHANGES: 11, NO: 7}
# Orders that ask for it without an occasion, of a hundred.
_WISHES = {Approves.NOTHING: 90, Approves.MODEL: 3, Approves.PAINT: 4, Approves.BOTH: 3}


class Approvals:
    """Requires them, shows what is there, and hears what the customer says."""

    def __init__(self, floor: DemoFloor) -> None:
        self._floor = floor
        self._rows: dict[int, list[Row]] = {}
        self._about: dict[int, tuple[str, int]] = {}
        self._shown: set[int] = set()
        self._left_open = 0
        # Chances of its own: whatever else happens stays as it is.
        self._rng = Random(1)  # noqa: S311  (invented people)

    def wished(self, job: Job) -> None:
        """What the customer of a new order approves."""
        if job.row["imported"]:
            return
        drawn = self._floor.own(self._rng).choices(tuple(_WISHES), tuple(_WISHES.values()))[0]
        job.row["approves"] = drawn.stored

    def remembered(self, job: Job) -> None:
        """An animal of the order has died: both are approved, as is usual."""
        if not job.row["imported"]:
            job.row["approves"] = str(Approves.BOTH)

    def of_model_too(self, job: Job, act: int) -> None:
        """Something is left to the eye: the model is approved, whatever else is."""
        job.row["approves"] = of_topics(self._topics(job) | {MODEL_APPROVAL}).stored
        for copy in job.copies:
            self.require(copy, act)

    def _topics(self, job: Job) -> frozenset[str]:
        return Approves(job.row.get("approves") or Approves.NOTHING).topics

    def require(self, piece: DemoPiece, act: int | None = None) -> None:
        """Let a copy stop before what its order requires, as part of an act."""
        for topic in sorted(self._topics(piece.job)):
            step, before = piece.state.step, BEFORE[topic]
            row = self._row(piece, topic)
            if topic == MODEL_APPROVAL and step is not Step.NOT_BEGUN:
                # What is begun goes on: a sister's answer does not stop it in the machine.
                continue
            if PLACE[step] > PLACE[before] or (row is not None and row.get("verdict") != NO):
                if row is None or row.get("answered_at") or self._stands(piece, row):
                    continue
            else:
                row = self._required(piece, topic)
            move = "" if row["asked"] else UNASKED
            self._floor.ledger.add(
                piece, Kind.ASK, act, by=self._floor.desk, question_id=row["id"],
                to_step=before, move=move,
            )  # fmt: skip

    def _stands(self, piece: DemoPiece, row: Row) -> bool:
        return any(gate.question == row["id"] for gate in piece.state.gates)

    def _row(self, piece: DemoPiece, topic: str) -> Row | None:
        """The last row about this: the model that a copy is made from, or its own paint."""
        assert piece.model is not None
        of, id_ = ("model_id", piece.model.ref.id)
        if topic != MODEL_APPROVAL:
            of, id_ = "copy_id", piece.ref.id
        rows = self._rows.get(piece.job.id, ())
        return next((r for r in reversed(rows) if r["topic"] == topic and r[of] == id_), None)

    def _required(self, piece: DemoPiece, topic: str) -> Row:
        floor, model = self._floor, piece.model
        assert model is not None
        own = self._rows.setdefault(piece.job.id, [])
        about = (piece.letter, 0 if topic == MODEL_APPROVAL else piece.row["number"])
        before = sum(
            r["topic"] == topic and self._about[r["id"]] == about for r in own if r["asked"]
        )
        row = floor.ledger.note(
            "questions", order_id=piece.job.id, topic=topic, asked="", asked_at=floor.time,
            asked_by_id=floor.desk, blocking=1, channel="letter", before_step=str(BEFORE[topic]),
            round=before + 1, model_id=None if about[1] else model.ref.id,
            copy_id=piece.ref.id if about[1] else None,
        )  # fmt: skip
        self._about[row["id"]] = about
        own.append(row)
        return row

    def drop(self, piece: DemoPiece) -> None:
        """Nobody is asked about a piece that is made again, or not at all."""
        for row in self._rows.get(piece.job.id, ()):
            if row["copy_id"] == piece.ref.id and not row.get("answered_at"):
                row.update(answered_at=self._floor.time, dropped=1)

    def drop_all(self, job: Job) -> None:
        """Nobody is asked about an order that is cancelled."""
        for row in self._rows.get(job.id, ()):
            if not row.get("answered_at"):
                row.update(answered_at=self._floor.time, dropped=1)

    def moved(self, piece: DemoPiece, act: int) -> None:
        """A copy came to another version of its model: that one's approval stops it."""
        assert piece.model is not None
        others = {
            row["id"]
            for row in self._rows.get(piece.job.id, ())
            if row["topic"] == MODEL_APPROVAL and row["model_id"] != piece.model.ref.id
        }
        for gate in piece.state.gates:
            if gate.question in others:
                self._end(piece, gate, act)
        self.require(piece, act)

    def _end(self, piece: DemoPiece, gate: Gate, act: int | None = None) -> None:
        self._floor.ledger.add(
            piece, Kind.ANSWER, act, by=self._floor.desk, question_id=gate.question,
            to_step=gate.step, move=UNASKED if gate.unasked else "",
        )  # fmt: skip

    def meet(self, piece: DemoPiece) -> Generator[int | None, None, str]:
        """Wait at the gates that stop a copy, the first that comes shows the customer; gives what
        the customer said no to it with, or nothing."""
        while rows := self._stopping(piece):
            row = rows[0]
            if row["id"] in self._shown:
                piece.job.waiting.append(piece)
                yield None
                continue
            self._shown.add(row["id"])
            yield from self._show(piece, row)
            if self._floor.now - self._floor.time < 6 * DAY and self._left_open < 2:
                # A few customers have not said a word yet.
                self._left_open += 1
                yield None
            yield self._floor.open_hours.next_open(self._floor.time + self._wait())
            said = self._answer(piece, row)
            self._floor.wake(piece.job)
            if said:
                return said
        return ""

    def _wait(self) -> int:
        """Seconds until a customer answers: most within half a day to three days."""
        return int(min(7.0, self._floor.own(self._rng).lognormvariate(0.0, 0.6)) * DAY)

    def _stopping(self, piece: DemoPiece) -> list[Row]:
        ids = {g.question for g in piece.state.gates if g.stops_at(piece.state.step)}
        own = self._rows.get(piece.job.id, ())
        return [row for row in own if row["id"] in ids and piece.state.open]

    def _show(self, piece: DemoPiece, row: Row) -> Course:
        """The pictures are taken and go, from which on the time is the customer's."""
        floor = self._floor
        yield floor.open_hours.next_open(
            floor.time + self._floor.own(self._rng).randrange(600, 2 * HOUR)
        )
        seen = "model" if row["topic"] == MODEL_APPROVAL else "painting"
        asked = f"Is the {seen} of {piece.animal['name']} as you’d like it?"
        row.update(asked=asked, asked_at=floor.time)
        for copy, gate in self._waiting(piece.job, row):
            floor.ledger.add(
                copy, Kind.ASK, by=floor.desk, question_id=row["id"], to_step=gate.step
            )

    def _waiting(self, job: Job, row: Row) -> list[tuple[DemoPiece, Gate]]:
        return [
            (copy, gate)
            for copy in job.copies
            for gate in copy.state.gates
            if gate.question == row["id"] and copy.state.open
        ]

    def _answer(self, piece: DemoPiece, row: Row) -> str:
        """What the customer says is written down; gives their words where it is a no."""
        floor, waiting = self._floor, self._waiting(piece.job, row)
        verdict = self._floor.own(self._rng).choices(tuple(_ANSWERS), tuple(_ANSWERS.values()))[0]
        of_model = row["topic"] == MODEL_APPROVAL
        if of_model and (len(waiting) > 1 or piece.model not in piece.job.models):
            verdict = YES
        said = self._floor.own(self._rng).choice(floor.words.studio["approvals"][verdict])
        row.update(answered_at=floor.time, answered_by_id=floor.desk, answer=said, verdict=verdict)
        for copy, gate in waiting:
            self._end(copy, gate)
        return said if verdict == NO else ""
