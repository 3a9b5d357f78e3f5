"""The course of a copy: blank, shaping, painting, inspection, packing, and out of the house."""

from datetime import time
from random import Random
from typing import Any

from app.demo.findings import Findings
from app.demo.floor import KEPT_BACK, DemoFloor, Plan
from app.demo.hours import HOUR
from app.demo.intake import Intake
from app.demo.ledger import Course, DemoPiece, Job, Row
from app.demo.machines import CAST_IN, Blanks
from app.demo.trouble import Trouble
from app.demo.words import filled
from app.flow.actions import AS_ORDERED
from app.flow.legality import correction_refusals
from app.flow.rules import BATCH, Entry, Kind, TimeIs, effective
from app.flow.steps import ENDS, MODEL, MoveKey, Of, Step
from app.parcels.rules import s10_check_digit
from app.shared.calendar import DAY
from app.studio.curing import USUAL, later, read_table

_INSPECTED: dict[str, float] = {
    MoveKey.PASSED: 0.855, MoveKey.BACK_TO_PAINTING: 0.075, "mend": 0.03,
    MoveKey.BACK_TO_SHAPING: 0.022, MoveKey.REMAKE: 0.014, MoveKey.BACK_TO_BLANK: 0.002,
    MODEL: 0.002,
}  # fmt: skip
# What painters lay on last, by how often: rows of the table of what cures.
_COATS = {
    "varnish over acrylics": 0.7, "spray varnish or lacquer": 0.2, "wax": 0.06,
    "acrylic paint, no varnish": 0.04,
}  # fmt: skip


class Copies:
    """Sees copies through."""

    def __init__(self, floor: DemoFloor, intake: Intake, blanks: Blanks, trouble: Trouble) -> None:
        self._floor = floor
        self._intake = intake
        self._blanks = blanks
        self._trouble = trouble
        self._findings = Findings(floor)
        self._out = self._strays = 0
        self._cures = {cure.material: cure.seconds for cure in read_table(USUAL)}
        # Of its own, so that what else the studio's history draws stays as it is.
        self._coats = Random(42)  # noqa: S311
        self._ways = {
            Step.BLANK: self._blank, Step.SHAPING: self._shape, Step.PAINTING: self._paint,
            Step.INSPECTION: self._inspect,
        }  # fmt: skip
        floor.courses[Of.COPY] = self.course

    def course(self, piece: DemoPiece) -> Course:
        """Everything that a copy goes through until it is packed, from the step that it is in."""
        yield from self._floor.deposit_paid(piece)
        while way := self._ways.get(piece.state.step):
            yield from self._trouble.meet(piece)
            if no := (yield from self._intake.approvals.meet(piece)):
                self._done_anew(piece, no)
                continue
            yield from way(piece)
        if piece.state.step is Step.PACKING:
            yield from self._clear(piece)
            yield from self._pack(piece)

    # ------------------------------------------------------------ making

    def _done_anew(self, piece: DemoPiece, no: str) -> None:
        """The customer does not approve it: the model is finished anew, or it is painted again."""
        if piece.state.step is Step.BLANK:
            self._remake(piece, no, MODEL, self._floor.desk, by_customer=True)
            return
        painting = str(Step.PAINTING)
        back = self._floor.ledger.move(
            piece, MoveKey.BACK_TO_PAINTING, by=self._floor.desk, reason=no, cause=painting
        )
        self._findings.note(piece, back, by_customer=True)
        self._intake.approvals.require(piece)

    def _found(self, cause: str) -> str:
        finding: str = self._floor.rng.choice(self._floor.words.studio["findings"][cause])
        return finding

    def _blank(self, piece: DemoPiece) -> Course:
        batch, all_failed = yield from self._blanks.make(piece)
        floor, by = self._floor, self._floor.workers[0].id
        if floor.chance(0.03) or all_failed:
            why = "the machine stopped half way" if all_failed else self._found("blank_failed")
            self._mended(piece, why, by, cause="blank", move=BATCH, amount=batch)
        else:
            cures = self._cures[CAST_IN]
            floor.ledger.move(
                piece, MoveKey.BLANK_DONE, by=by, amount=batch, reason=CAST_IN,
                until=floor.time + cures,
            )  # fmt: skip

    def _shape(self, piece: DemoPiece) -> Course:
        floor = self._floor
        total = int(floor.rng.lognormvariate(0.0, 0.35) * 1.75 * HOUR)
        plan: Plan = [(total, "", 0)]
        if floor.chance(0.25):
            why = floor.rng.choice(floor.words.studio["asides"])
            plan = [(total // 2, why, 14 * HOUR), (total - total // 2, "", 0)]
        by = yield from floor.at_bench(piece, plan)
        if floor.chance(0.006):
            self._remake(piece, self._found("broken"), "shaping", by)
            return
        if floor.chance(0.006):
            # “Done” was tapped on the wrong piece: taken back, and worked on.
            wrong = floor.ledger.move(piece, MoveKey.SHAPED, by=by)
            yield floor.time + floor.rng.randrange(15, 300)
            floor.ledger.amend(piece, floor.ledger.entry(Kind.UNDO, by=by, about_id=wrong.id))
            yield floor.open_hours.after(floor.time, 1800)
        happened = floor.time
        if floor.chance(0.04):
            happened -= floor.rng.randrange(600, 2 * HOUR)
        done = floor.ledger.move(piece, MoveKey.SHAPED, by=by, happened=happened)
        if floor.chance(0.008):
            self._correct_later(piece, done, by)

    def _paint(self, piece: DemoPiece) -> Course:
        floor = self._floor
        total = int(floor.rng.lognormvariate(0.0, 0.35) * 2.2 * HOUR)
        if piece.state.reworks:
            plan: Plan = [(total // 3, "drying", 4 * HOUR), (900, "", 0)]
        else:
            plan = [(total // 2, "drying", int(floor.rng.uniform(3, 20)) * HOUR)]
            plan += [(total // 4, "drying", 16 * HOUR)] * floor.chance(0.3)
            plan += [(total // 3, "", 0)]
        by = yield from floor.at_bench(piece, plan)
        if floor.chance(0.02):
            why = self._found("mended")
            self._mended(piece, why, by, cause="painting")
        coat = floor.own(self._coats).choices(tuple(_COATS), tuple(_COATS.values()))[0]
        cured = later(floor.time + self._cures[coat], piece.state.rests_until)
        floor.ledger.move(piece, MoveKey.PAINTED, by=by, until=cured, reason=coat)

    def _inspect(self, piece: DemoPiece) -> Course:
        floor = self._floor
        by = yield from floor.at_bench(piece, [(int(floor.rng.uniform(300, 1500)), "", 0)])
        key = floor.rng.choices(tuple(_INSPECTED), tuple(_INSPECTED.values()))[0]
        if piece.troubled >= 3:
            key = MoveKey.PASSED
        piece.troubled += key != MoveKey.PASSED
        if key == MoveKey.REMAKE:
            self._remake(piece, self._found("broken"), "shaping", by)
        elif key == MODEL:
            self._remake(piece, self._found(MODEL), MODEL, by)
        elif key in (MoveKey.PASSED, "mend"):
            if key == "mend":
                self._mended(piece, self._found("mended"), by)
            passed = floor.ledger.move(piece, MoveKey.PASSED, by=by)
            self._tick(piece, passed, bad=False)
            self._findings.tick(piece, passed)
        else:
            cause = key.removeprefix("back_to_")
            back = floor.ledger.move(piece, key, by=by, reason=self._found(cause), cause=cause)
            self._tick(piece, back, bad=cause == Step.PAINTING)
            self._findings.note(piece, back)

    def _mended(self, piece: DemoPiece, why: str, by: int, cause: str = "", **more: Any) -> None:
        """Something is found, and repaired where the piece is or waits for the next batch."""
        entry = self._floor.ledger.add(piece, Kind.FINDING, by=by, reason=why, cause=cause, **more)
        self._findings.note(piece, entry)

    def _tick(self, piece: DemoPiece, entry: Entry, *, bad: bool) -> None:
        """The marks that were looked at; the first of them is the one that was not right."""
        animals = [one.animal["id"] for one in (piece, *piece.beside)]
        marks = [mark for animal in animals for mark in self._intake.marks_of[animal]]
        for place, mark in enumerate(marks):
            self._floor.ledger.note(
                "mark_ticks", copy_id=piece.ref.id, mark_id=mark["id"], transition_id=entry.id,
                good=int(not (bad and place == 0)),
            )  # fmt: skip

    def _remake(
        self, piece: DemoPiece, reason: str, cause: str, by: int, *, by_customer: bool = False
    ) -> None:
        """A new piece that replaces this one, from the model's next version where that failed."""
        floor, job, model = self._floor, piece.job, piece.model
        assert model is not None
        cause = self._findings.broken_by(cause)
        entry = floor.ledger.move(piece, MoveKey.REMAKE, by=by, reason=reason, cause=cause)
        self._findings.note(piece, entry, by_customer=by_customer)
        act = entry.act
        self._intake.approvals.drop(piece)
        step = Step.BLANK
        if cause == MODEL and model in job.models:
            step = Step.NOT_BEGUN
            model = self._intake.model(
                job, model.letter, model.animal, Step.FINISHING, act, by=floor.desk,
                number=max(m.row["number"] for m in job.models if m.letter == model.letter) + 1,
                follows=model.ref.id, pictures=model.row["pictures"],
                accepted=model.state.passed_at,
            )  # fmt: skip
            model.remake = True
            model.row["pose"] = piece.row["pose"]
            floor.begin(model)
        new = self._intake.copy(
            model, piece.row["number"], step, act, by=by, job=job, letter=piece.letter,
            order_animal=piece.row["order_animal_id"], making=piece.row["making"] + 1,
            replaces=piece.ref.id, looks={name: piece.row[name] for name in AS_ORDERED},
        )  # fmt: skip
        new.troubled = piece.troubled
        lines = {row["letter"]: row["id"] for row in floor.ledger.rows["order_animals"]
                 if row["order_id"] == job.id}  # fmt: skip
        for other in piece.beside:
            self._intake.stands_on(new, other, lines[other.letter])
        if step is Step.BLANK:
            floor.begin(new)

    def _correct_later(self, piece: DemoPiece, wrong: Entry, by: int) -> None:
        """A moment turns out, days later, to have been earlier than was written down."""
        at = self._floor.office(self._floor.time + self._floor.rng.randrange(DAY // 4, 3 * DAY))
        self._floor.later(at, lambda: self._correct(piece, wrong, by))

    def _correct(self, piece: DemoPiece, wrong: Entry, by: int) -> None:
        ledger, line = self._floor.ledger, effective(piece.log)
        place = next((n for n, entry in enumerate(line) if entry.id == wrong.id), 0)
        if not place:
            return
        earlier = line[place].happened_at - self._floor.rng.randrange(1200, DAY)
        about = ledger.entry(
            Kind.CORRECTION, happened=max(line[place - 1].happened_at, earlier), by=by,
            about_id=wrong.id, to_step=wrong.to_step, move=wrong.move,
            reason="written down wrongly",
        )  # fmt: skip
        if correction_refusals(piece.ref.of, piece.log, about, piece.policy):
            ledger.entries -= 1
        else:
            ledger.amend(piece, about)

    # ------------------------------------------------------------ packing

    def _clear(self, piece: DemoPiece) -> Course:
        """What has to be settled before a piece may leave: spelling, payment, address."""
        floor, order = self._floor, piece.job.row
        if piece.row["inscription"] and piece.row["spelling_confirmed_at"] is None:
            yield from self._trouble.ask(piece, "spelling")
            piece.row["spelling_confirmed_at"] = floor.time
        order["paid"] = "all"
        if order["address_confirmed_at"] is None:
            order["address_confirmed_at"] = floor.time
            if floor.chance(0.6):
                yield from self._trouble.ask(piece, "address")
        piece.cleared = True
        floor.wake(piece.job)

    def _pack(self, piece: DemoPiece) -> Course:
        """Copies of an order are packed once the last of them is here, and leave together."""
        floor, job = self._floor, piece.job
        alone = job.row["ship_part"]
        while piece.state.lacking or (not alone and any(
            not c.cleared and c.state.step not in {*ENDS, Step.HANDED_OVER} for c in job.copies
        )):  # fmt: skip
            job.waiting.append(piece)
            yield None
        yield max(floor.time, piece.state.rests_until or 0)
        by = yield from floor.at_bench(piece, [(int(floor.rng.uniform(400, 1600)), "", 0)])
        piece.packed = True
        floor.ledger.add(piece, Kind.ASIDE, by=by, reason=floor.words.studio["packed"])
        here = [c for c in job.copies if c.state.step is Step.PACKING and c.cleared]
        if (alone or all(c.packed for c in here)) and not job.leaving:
            job.leaving = True
            floor.go_on(self._parcel(job))

    # ------------------------------------------------------------ out of the house

    def _parcel(self, job: Job) -> Course:
        """Packed copies leave in one parcel; what leaves on a Friday may be noted on Monday."""
        floor, rng, act = self._floor, self._floor.rng, None
        sent = self._van()
        late = floor.calendar.local(sent).weekday() == 4 and floor.chance(0.3)
        yield floor.office(sent + 2 * HOUR, HOUR) if late else sent
        job.leaving = False
        leaving = [c for c in job.copies if c.packed and c.state.step is Step.PACKING]
        if not leaving:
            return
        parcel = self._noted(job.row, sent)
        for piece in leaving:
            act = floor.ledger.move(
                piece, MoveKey.HANDED_OVER, act, by=floor.desk, amount=parcel["id"], happened=sent
            ).act
            piece.row["parcel_id"] = parcel["id"]
        job.handed_at = sent
        self._out += len(leaving)
        if parcel["id"] % 150 == 75 and parcel["way"] == "carrier":
            yield floor.office(sent + int(rng.uniform(6, 12) * DAY))
            self._astray(leaving)
        elif rng.random() < 0.09:
            there = sent + 14 * DAY
            yield floor.open_hours.next_open(there) + rng.randrange(60, 900)
            self._received(leaving, there, TimeIs.ASSUMED)
        else:
            there = self._there(job, parcel["way"], sent)
            # What left on a Friday may be there before anybody noted that it left.
            yield max(floor.office(there, 5 * HOUR), floor.time)
            self._received(leaving, there, TimeIs.TYPED)

    def _van(self) -> int:
        """When the carrier calls next: late in the afternoon of a working day."""
        calendar, now = self._floor.calendar, self._floor.time
        day = calendar.day_of(now)
        if now > calendar.moment(day, time(15, 40)) or not calendar.is_working_day(day):
            day = calendar.add_working_days(day, 1)
        return calendar.moment(day, time(15, 40)) + self._floor.rng.randrange(0, 45 * 60)

    def _noted(self, order: Row, sent: int) -> Row:
        floor, rng = self._floor, self._floor.rng
        way = rng.choices(("carrier", "collected", "brought"), (89, 8, 3))[0]
        chosen = rng.choice(floor.words.studio["carriers"]) if way == "carrier" else {}
        carrier = chosen.get("name", "")
        number = _number(chosen, filled(rng, "##########")) if chosen else ""
        place = f"{order['ship_postcode']} {order['ship_country']}".strip()
        return floor.ledger.note(
            "parcels", way=way, carrier=carrier, number=number, number_key=number,
            ship_to=f"{order['ship_name']}\n{order['ship_lines']}\n{place}",
            note=order["parcel_note"], sent_at=sent, account_id=floor.desk,
        )  # fmt: skip

    def _there(self, job: Job, way: str, sent: int) -> int:
        """When a parcel is there: carriers ring between eight and six."""
        if way != "carrier":
            return sent
        least, most = (0.7, 4) if job.row["ship_country"] == "GB" else (3, 11)
        there = sent + int(self._floor.rng.uniform(least, most) * DAY)
        hour = self._floor.calendar.local(there).hour
        there += (9 - hour) * HOUR if hour < 8 else (16 - hour) * HOUR if hour > 18 else 0
        return max(there, sent)

    def _received(self, copies: list[DemoPiece], there: int, how: TimeIs) -> None:
        floor, job, act = self._floor, copies[0].job, None
        if floor.time > floor.reserve_from and self._out - len(copies) < KEPT_BACK:
            return
        self._out -= len(copies)
        for piece in copies:
            entry = floor.ledger.move(
                piece, MoveKey.RECEIVED, act, by=None if how is TimeIs.ASSUMED else floor.desk,
                amount=piece.row["parcel_id"], happened=there, time_is=how,
            )  # fmt: skip
            act = entry.act
            if len(copies) == 1 and how is TimeIs.TYPED and floor.chance(0.01):
                self._correct_later(piece, entry, floor.desk)
        if all(p.state.step in ENDS for p in job.pieces()):
            job.ended_at = floor.time

    def _astray(self, copies: list[DemoPiece]) -> None:
        """A parcel came back, or is lost; the first one came back."""
        floor, act = self._floor, None
        lost = floor.chance(0.3) and self._strays > 0
        self._strays += 1
        self._out -= len(copies)
        for piece in copies:
            if lost:
                self._remake(piece, floor.words.studio["lost"], "carrier", floor.desk)
                continue
            piece.packed, piece.row["parcel_id"] = False, None
            why = floor.words.studio["came_back"]
            act = floor.ledger.move(piece, MoveKey.CAME_BACK, act, by=floor.desk, reason=why).act
        for piece in () if lost else copies:
            floor.begin(piece)


def _number(carrier: Row, digits: str) -> str:
    """A tracking number from ten digits, in the form that a carrier of the list has."""
    if carrier.get("number_form") == "s10":
        serial = digits[:8]
        return f"CP{serial}{s10_check_digit(serial)}GB"
    return f"{carrier['name'][:2].upper()}{digits}"
