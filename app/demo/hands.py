"""The course of a copy: blank, shaping, painting, inspection, packing, and out of the house."""

from dataclasses import dataclass, replace
from datetime import time
from typing import Any

from app.demo.floor import KEPT_BACK, DemoFloor, Worker
from app.demo.hours import HOUR
from app.demo.intake import Intake
from app.demo.ledger import DemoPiece, Job
from app.demo.machines import Blanks
from app.demo.slips import Slips
from app.demo.trouble import Trouble
from app.demo.words import filled
from app.flow.rules import Kind, TimeIs
from app.flow.steps import ENDS, MoveKey, Step
from app.shared.calendar import DAY

_INSPECTED: tuple[tuple[str, float], ...] = (
    (MoveKey.PASSED, 0.855), (MoveKey.BACK_TO_PAINTING, 0.075), ("mend", 0.03),
    (MoveKey.BACK_TO_SHAPING, 0.022), (MoveKey.REMAKE, 0.014), (MoveKey.BACK_TO_BLANK, 0.002),
    ("model", 0.002),
)  # fmt: skip


class Hands:
    """Sees copies through."""

    def __init__(
        self, floor: DemoFloor, intake: Intake, blanks: Blanks, trouble: Trouble, slips: Slips
    ) -> None:
        self._floor = floor
        self._intake = intake
        self._blanks = blanks
        self._trouble = trouble
        self._slips = slips
        self._cleared: set[int] = set()
        self._out = self._strays = 0
        trouble.settled = self.gather
        floor.plan[Step.SHAPING] = _shaping_work
        floor.plan[Step.PAINTING] = _painting_work
        floor.plan[Step.INSPECTION] = lambda f, p: [(int(f.rng.uniform(300, 1500)), "", 0)]
        floor.plan[Step.PACKING] = lambda f, p: [(int(f.rng.uniform(400, 1600)), "", 0)]
        floor.finish[Step.BLANK] = self._blank_done
        floor.finish[Step.SHAPING] = self._shaped
        floor.finish[Step.PAINTING] = self._painted
        floor.finish[Step.INSPECTION] = self._inspected
        floor.finish[Step.PACKING] = self._packed

    def arrive(self, piece: DemoPiece, moment: int) -> None:
        """A copy stands at a bench: it waits its turn, unless something comes between."""
        piece.work = []
        step = piece.state.step
        if step is Step.PACKING:
            self._clear(piece, moment)
        elif step is Step.BLANK:
            self._trouble.meet(piece, moment, self._blanks.enqueue)
        else:
            self._trouble.meet(piece, moment, self._floor.arrive)

    # ------------------------------------------------------------ making

    def _move(
        self, piece: DemoPiece, key: str, to: Step, worker: Worker, moment: int, **more: Any
    ) -> None:
        piece.ticket += 1
        self._floor.ledger.add(piece, Kind.MOVE, moment, by=worker.id, move=key, to_step=to, **more)
        self.arrive(piece, moment)

    def _blank_done(self, floor: DemoFloor, piece: DemoPiece, worker: Worker, moment: int) -> int:
        if floor.chance(0.03):
            words = floor.words.studio["findings"]["blank_failed"]
            floor.ledger.add(
                piece, Kind.FINDING, moment, by=worker.id, reason=floor.rng.choice(words),
                cause="blank",
            )  # fmt: skip
            self._blanks.enqueue(piece, moment)
            return moment
        self._move(piece, MoveKey.BLANK_DONE, Step.SHAPING, worker, moment)
        return moment

    def _shaped(self, floor: DemoFloor, piece: DemoPiece, worker: Worker, moment: int) -> int:
        if floor.chance(0.006):
            self._remake(piece, "broken", "shaping", worker.id, moment)
            return moment
        if floor.chance(0.006):
            return self._slips.undo_shaped(piece, worker, moment)
        happened = moment
        if floor.chance(0.04):
            happened = max(piece.state.last_at, moment - floor.rng.randrange(600, 2 * HOUR))
        self._move(piece, MoveKey.SHAPED, Step.PAINTING, worker, moment, happened=happened)
        if floor.chance(0.008):
            self._slips.correct_later(piece, piece.log[-1], worker.id, moment)
        return moment

    def _painted(self, floor: DemoFloor, piece: DemoPiece, worker: Worker, moment: int) -> int:
        if floor.chance(0.02):
            words = floor.words.studio["findings"]["mended"]
            floor.ledger.add(
                piece, Kind.FINDING, moment, by=worker.id, reason=floor.rng.choice(words),
                cause="painting",
            )  # fmt: skip
        piece.painter = worker.id
        rests = floor.open_hours.next_open(moment + int(floor.rng.uniform(14, 44) * HOUR))
        self._move(piece, MoveKey.PAINTED, Step.INSPECTION, worker, moment, until=rests)
        return moment

    def _inspected(self, floor: DemoFloor, piece: DemoPiece, worker: Worker, moment: int) -> int:
        draw, key = floor.rng.random(), str(MoveKey.PASSED)
        for outcome, share in _INSPECTED:
            if draw < share:
                key = outcome
                break
            draw -= share
        if piece.troubled >= 3:
            key = MoveKey.PASSED
        piece.troubled += key != MoveKey.PASSED
        words = floor.words.studio["findings"]
        if key == "mend":
            floor.ledger.add(
                piece, Kind.FINDING, moment, by=worker.id, reason=floor.rng.choice(words["mended"])
            )
            key = MoveKey.PASSED
        if key in (MoveKey.REMAKE, "model"):
            kind = "broken" if key == MoveKey.REMAKE else "model"
            cause = "shaping" if key == MoveKey.REMAKE else "model"
            self._remake(piece, kind, cause, worker.id, moment)
        elif key == MoveKey.PASSED:
            self._move(piece, MoveKey.PASSED, Step.PACKING, worker, moment)
            self._tick(piece, moment, bad=False)
        else:
            cause = key.removeprefix("back_to_")
            finding = floor.rng.choice(words[cause])
            self._move(piece, key, Step(cause), worker, moment, reason=finding, cause=cause)
            self._tick(piece, moment, bad=cause == "painting")
        return moment

    def _tick(self, piece: DemoPiece, moment: int, *, bad: bool) -> None:
        """The marks that were looked at; the first of them is the one that was not right."""
        entry = piece.log[-1]
        for place, mark in enumerate(self._intake.marks_of.get(piece.animal["id"], ())):
            self._floor.ledger.note(
                "mark_ticks",
                {"copy_id": piece.ref.id, "mark_id": mark["id"], "transition_id": entry.id,
                 "good": int(not (bad and place == 0))},
            )  # fmt: skip

    def _remake(self, piece: DemoPiece, finding: str, cause: str, by: int, moment: int) -> None:
        """A new piece that replaces this one, from the model's next version where that failed."""
        floor, job, model = self._floor, piece.job, piece.model
        assert model is not None
        reason = floor.words.studio["lost"]
        if finding != "lost":
            reason = floor.rng.choice(floor.words.studio["findings"][finding])
        floor.withdraw(piece)
        act = floor.ledger.add(
            piece, Kind.MOVE, moment, by=by, move=MoveKey.REMAKE, to_step=Step.REPLACED,
            reason=reason, cause=cause,
        ).act  # fmt: skip
        step = Step.BLANK
        if cause == "model" and model in job.models:
            model = self._next_version(piece, model, act, moment)
            step = Step.NOT_BEGUN
        kept = (
            "size_mm", "pose", "base", "finish", "inscription", "spelling_confirmed_at", "extras",
            "bench_note",
        )  # fmt: skip
        new = self._intake.copy(
            job, model, piece.number, step, moment, act, letter=piece.letter, by=by,
            order_animal=piece.row["order_animal_id"], making=piece.making + 1,
            replaces=piece.ref.id, looks={name: piece.row[name] for name in kept},
        )  # fmt: skip
        new.troubled = piece.troubled
        if step is Step.BLANK:
            self.arrive(new, moment)

    def _next_version(self, piece: DemoPiece, model: DemoPiece, act: int, moment: int) -> DemoPiece:
        floor, job = self._floor, piece.job
        numbers = [m.row["number"] for m in job.models if m.letter == model.letter]
        new = self._intake.model(
            job, model.letter, model.animal, Step.FINISHING, moment, act, by=floor.desk,
            number=max(numbers) + 1, follows=model.ref.id, pictures=model.row["pictures"],
            accepted=model.state.passed_at,
        )  # fmt: skip
        new.remake = True
        floor.enqueue(new, moment)
        return new

    # ------------------------------------------------------------ packing

    def _clear(self, piece: DemoPiece, moment: int) -> None:
        """What has to be settled before a piece may leave: spelling, address, payment."""
        floor, order = self._floor, piece.job.row
        if piece.row["inscription"] and piece.row["spelling_confirmed_at"] is None:
            ticket = piece.ticket

            def spelled(t: int) -> None:
                if piece.ticket == ticket:
                    piece.row["spelling_confirmed_at"] = t
                    self._clear(piece, t)

            self._trouble.ask([piece], "spelling", moment, spelled)
            return
        order["paid"] = "all"
        if order["address_confirmed_at"] is None:
            order["address_confirmed_at"] = moment
            if floor.chance(0.6):
                ticket_ = piece.ticket
                self._trouble.ask(
                    [piece], "address", moment,
                    lambda t: self._cleared_now(piece, ticket_, t),
                )  # fmt: skip
                return
        self._cleared_now(piece, piece.ticket, moment)

    def _cleared_now(self, piece: DemoPiece, ticket: int, moment: int) -> None:
        if piece.ticket == ticket:
            self._cleared.add(piece.ref.id)
            self.gather(piece.job, moment)

    def gather(self, job: Job, moment: int) -> None:
        """Let the copies of an order be packed once the last of them is here."""
        here = [c for c in job.copies if c.ref.id in self._cleared and not c.packed]
        late = [
            c
            for c in job.copies
            if c.state.step not in ENDS
            and c.state.step is not Step.HANDED_OVER
            and c.ref.id not in self._cleared
        ]
        if late and not job.row["ship_part"]:
            return
        for piece in here:
            if piece.queued or piece.state.step is not Step.PACKING or piece.state.in_hand:
                continue
            ticket = piece.ticket
            rested = max(moment, piece.state.rests_until or 0)
            self._floor.later(rested, lambda t, p=piece, k=ticket: self._rested(p, k, t))  # type: ignore[misc]

    def _rested(self, piece: DemoPiece, ticket: int, moment: int) -> None:
        if piece.ticket == ticket and not piece.queued:
            self._floor.enqueue(piece, moment)

    def _packed(self, floor: DemoFloor, piece: DemoPiece, worker: Worker, moment: int) -> int:
        piece.packed = True
        waiting = floor.words.studio["packed"]
        floor.ledger.add(piece, Kind.ASIDE, moment, by=worker.id, reason=waiting)
        job = piece.job
        waits = any(
            c.state.step is Step.PACKING and c.ref.id in self._cleared and not c.packed
            for c in job.copies
        )
        if (waits and not job.row["ship_part"]) or job.leaving:
            return moment
        job.leaving = True
        van = self._van(moment)
        late = floor.calendar.local(van).weekday() == 4 and floor.chance(0.3)
        seen = floor.office(van + 2 * HOUR, HOUR) if late else van
        floor.later(seen, lambda t: self._leave(job, van, t))
        return moment

    def _van(self, moment: int) -> int:
        """When the carrier calls next: late in the afternoon of a working day."""
        calendar = self._floor.calendar
        day = calendar.day_of(moment)
        at = calendar.moment(day, time(15, 40))
        if moment > at or not calendar.is_working_day(day):
            day = calendar.add_working_days(day, 1)
            at = calendar.moment(day, time(15, 40))
        return at + self._floor.rng.randrange(0, 45 * 60)

    def _leave(self, job: Job, sent: int, moment: int) -> None:
        """Packed copies leave in one parcel; what leaves on a Friday may be noted on Monday."""
        floor, rng = self._floor, self._floor.rng
        job.leaving = False
        leaving = [c for c in job.copies if c.packed and c.state.step is Step.PACKING]
        if not leaving:
            return
        way = rng.choices(("carrier", "collected", "brought"), (89, 8, 3))[0]
        carrier = rng.choice(floor.words.studio["carriers"]) if way == "carrier" else ""
        number = f"{carrier[:2].upper()}{filled(rng, '##########')}" if carrier else ""
        order = job.row
        parcel = floor.ledger.note(
            "parcels",
            {
                "way": way, "carrier": carrier, "number": number, "number_key": number,
                "ship_to": "\n".join(
                    (order["ship_name"], order["ship_lines"],
                     f"{order['ship_postcode']} {order['ship_country']}".strip())
                ),
                "note": order["parcel_note"], "sent_at": sent, "account_id": floor.desk,
                "taken_back_at": None,
            },
        )  # fmt: skip
        act = None
        for piece in leaving:
            piece.ticket += 1
            act = floor.ledger.add(
                piece, Kind.MOVE, moment, act, by=floor.desk, move=MoveKey.HANDED_OVER,
                to_step=Step.HANDED_OVER, amount=parcel["id"], happened=min(sent, moment),
            ).act  # fmt: skip
            piece.row["parcel_id"] = parcel["id"]
        job.handed_at = sent
        self._out += len(leaving)
        self._on_the_way(leaving, parcel["id"], way, sent)

    def _on_the_way(self, copies: list[DemoPiece], parcel: int, way: str, sent: int) -> None:
        floor, rng = self._floor, self._floor.rng
        tickets = [c.ticket for c in copies]
        there = self._there(copies[0].job, way, sent)
        trip = _Trip(copies, tickets, parcel, there, False)
        draw = rng.random()
        if parcel % 150 == 75 and way == "carrier":
            at = floor.office(sent + int(rng.uniform(6, 12) * DAY))
            floor.later(at, lambda t: self._astray(trip, t))
        elif draw < 0.09:
            trip = replace(trip, there=sent + 14 * DAY, assumed=True)
            at = floor.open_hours.next_open(trip.there) + rng.randrange(60, 900)
            floor.later(at, lambda t: self._received(trip, t))
        else:
            floor.later(floor.office(there, 5 * HOUR), lambda t: self._received(trip, t))

    def _there(self, job: Job, way: str, sent: int) -> int:
        """When a parcel is there: carriers ring between eight and six."""
        rng = self._floor.rng
        if way != "carrier":
            return sent
        days = rng.uniform(3, 11) if job.row["ship_country"] != "GB" else rng.uniform(0.7, 4)
        there = sent + int(days * DAY)
        hour = self._floor.calendar.local(there).hour
        there += (9 - hour) * HOUR if hour < 8 else (16 - hour) * HOUR if hour > 18 else 0
        return max(there, sent)

    def _received(self, trip: "_Trip", moment: int) -> None:
        floor, act = self._floor, None
        if moment > floor.reserve_from and self._out - len(trip.copies) < KEPT_BACK:
            return
        self._out -= len(trip.copies)
        for piece, ticket in zip(trip.copies, trip.tickets, strict=True):
            if piece.ticket != ticket:
                continue
            entry = floor.ledger.add(
                piece, Kind.MOVE, moment, act, by=None if trip.assumed else floor.desk,
                move=MoveKey.RECEIVED, to_step=Step.RECEIVED, amount=trip.parcel,
                happened=trip.there, time_is=TimeIs.ASSUMED if trip.assumed else TimeIs.TYPED,
            )  # fmt: skip
            act = entry.act
            if len(trip.copies) == 1 and not trip.assumed and floor.chance(0.01):
                self._slips.correct_later(piece, entry, floor.desk, moment)
        job = trip.copies[0].job
        if all(p.state.step in ENDS for p in job.pieces()):
            job.ended_at = moment

    def _astray(self, trip: "_Trip", moment: int) -> None:
        """A parcel came back, or is lost; the first one came back."""
        floor, act = self._floor, None
        lost = floor.chance(0.3) and self._strays > 0
        self._strays += 1
        self._out -= len(trip.copies)
        for piece, ticket in zip(trip.copies, trip.tickets, strict=True):
            if piece.ticket != ticket:
                continue
            if lost:
                self._remake(piece, "lost", "carrier", floor.desk, moment)
                continue
            piece.ticket += 1
            piece.packed = False
            piece.row["parcel_id"] = None
            act = floor.ledger.add(
                piece, Kind.MOVE, moment, act, by=floor.desk, move=MoveKey.CAME_BACK,
                to_step=Step.PACKING, reason=floor.words.studio["came_back"],
            ).act  # fmt: skip
        if not lost:
            self.gather(trip.copies[0].job, moment)


@dataclass(frozen=True, slots=True)
class _Trip:
    """Copies on the way in one parcel; `tickets` tell whether they still are."""

    copies: list[DemoPiece]
    tickets: list[int]
    parcel: int
    there: int
    assumed: bool


def _shaping_work(floor: DemoFloor, piece: DemoPiece) -> list[tuple[int, str, int]]:
    total = int(floor.rng.lognormvariate(0.0, 0.35) * 1.75 * HOUR)
    if not floor.chance(0.25):
        return [(total, "", 0)]
    why = floor.rng.choice(floor.words.studio["asides"])
    return [(total // 2, why, 14 * HOUR), (total - total // 2, "", 0)]


def _painting_work(floor: DemoFloor, piece: DemoPiece) -> list[tuple[int, str, int]]:
    total = int(floor.rng.lognormvariate(0.0, 0.35) * 2.2 * HOUR)
    if piece.state.reworks:
        return [(total // 3, "drying", 4 * HOUR), (900, "", 0)]
    coats = [(total // 2, "drying", int(floor.rng.uniform(3, 20)) * HOUR)]
    if floor.chance(0.3):
        coats.append((total // 4, "drying", 16 * HOUR))
    return [*coats, (total // 3, "", 0)]
