"""Who orders what: customers, animals with their marks, orders with their pieces."""

from datetime import timedelta
from typing import Any

from app.demo.approvals import Approvals
from app.demo.floor import DemoFloor
from app.demo.hours import HOUR
from app.demo.ledger import DemoPiece, Job, Row, Wanted
from app.demo.words import by_share, filled
from app.flow import payments
from app.flow.rules import Kind, TimeIs, after
from app.flow.steps import PHOTO_STEPS, Of, Step
from app.flow.store import Ref
from app.orders.facts.sizes import usual
from app.shared.calendar import DAY
from app.shared.text import fold


class Intake:
    """Takes orders. It remembers who ordered before, and which models are ready."""

    def __init__(self, floor: DemoFloor, first_number: int) -> None:
        self._floor = floor
        self.next_number = first_number
        self.customers: list[Row] = []
        self._animals_of: dict[int, list[Row]] = {}
        self.marks_of: dict[int, list[Row]] = {}
        self.ready: list[DemoPiece] = []
        self._homes: dict[int, Row] = {}
        self.approvals = Approvals(floor)

    # ------------------------------------------------------------ people and animals

    def _customer(self) -> Row:
        """Somebody who orders: now and then one who has been here before."""
        floor, rng, words = self._floor, self._floor.rng, self._floor.words.people
        if self.customers and rng.random() < 0.2:
            return rng.choice(self.customers[-400:])
        given, surname = rng.choice(words["given"]), rng.choice(words["surnames"])
        name, phone = f"{given} {surname}", f"01632 960 {rng.randrange(1000):03d}"
        formal = f"{'Mr' if given in words['men'] else 'Ms'} {surname}"
        row = floor.ledger.note(
            "customers", name=name, name_key=fold(name), language="en", made_at=floor.time,
            address_as=rng.choice((given, given, formal, formal, "")), phone=phone,
            phone_digits=phone.replace(" ", ""),
        )  # fmt: skip
        self.customers.append(row)
        local = "".join(s for s in fold(f"{given}.{surname}") if s.isalnum() or s in ".-")
        for place, host in enumerate(rng.sample(words["mail_hosts"], 1 + (rng.random() < 0.12))):
            mail = f"{local}{row['id']}@{host}"
            floor.ledger.note(
                "customer_mails", customer_id=row["id"], mail=mail, mail_key=mail,
                receives=int(place == 0),
            )  # fmt: skip
        town = by_share(rng, words["towns"])
        street = f"{rng.randrange(1, 140)} {rng.choice(words['streets'])}"
        self._homes[row["id"]] = {
            "ship_lines": f"{street}\n{rng.choice(town['names'])}",
            "ship_postcode": filled(rng, town["postcode"]), "ship_country": town["country"],
        }  # fmt: skip
        return row

    def _animal(self, customer: int, wanted: Wanted) -> Row:
        rng, words = self._floor.rng, self._floor.words.animals
        known = self._animals_of.setdefault(customer, [])
        kind = by_share(rng, words["kinds"])
        names = [n for n in words["names"] if all(n != other["name"] for other in known)]
        name = rng.choice(names or words["names"])
        life = rng.choices(("living", "remembered", "not_said"), (70, 14, 16))[0]
        if wanted.remembered is not None:
            life = "remembered" if wanted.remembered else "living"
        row = self._floor.ledger.note(
            "animals", customer_id=customer, name=name, name_key=fold(name), kind=kind["kind"],
            breed=rng.choice(kind["breeds"]), life=life, colours=rng.choice(kind["colours"]),
            sex=rng.choices(("female", "male", "not_said"), (46, 46, 8))[0],
            age_shown=rng.choice(words["ages"]) if rng.random() < 0.7 else "",
            height=rng.choice(kind["heights"]) if rng.random() < 0.8 else "",
        )  # fmt: skip
        known.append(row)
        self.marks_of[row["id"]] = self._marks(row, kind)
        return row

    def _marks(self, animal: Row, kind: dict[str, Any]) -> list[Row]:
        rng, found = self._floor.rng, []
        how_many = rng.choices((0, 1, 2, 3), (8, 30, 40, 22))[0]
        for place, side, what in rng.sample(kind["marks"], min(how_many, len(kind["marks"]))):
            if side == "pick":
                side = rng.choice(("left", "right", "left", "right", "not_asked"))
            mark = self._floor.ledger.note(
                "marks", animal_id=animal["id"], place=place, side=side, what=what,
                must=int(rng.random() < 0.8),
            )  # fmt: skip
            found.append(mark)
        return found

    # ------------------------------------------------------------ orders

    def order(self, wanted: Wanted, imported: bool = False, customer: Row | None = None) -> Job:
        """The order itself, without its pieces."""
        floor, rng, at = self._floor, self._floor.rng, self._floor.time
        customer = customer or self._customer()
        typed_late = wanted.late_entry and rng.random() < 0.35
        gift = rng.random() < 0.15 if wanted.gift is None else wanted.gift
        row = floor.ledger.note(
            "orders", number=self.next_number, customer_id=customer["id"], recorded_at=at,
            taken_at=at - rng.randrange(HOUR, 14 * HOUR) if typed_late else at,
            shop_reference=f"SB-{rng.randrange(40_000, 99_999)}" if rng.random() < 0.6 else "",
            channel=rng.choices(("shop", "phone", "mail", "in_person"), (60, 14, 20, 6))[0],
            imported=int(imported), paid=rng.choices(("none", "part", "all"), (12, 18, 70))[0],
            gift=int(gift), ship_name=customer["name"], **self._homes[customer["id"]],
            ship_phone=customer["phone"], address_confirmed_at=at if rng.random() < 0.8 else None,
            ship_part=int(rng.random() < 0.06), copy_deadline=None,
            parcel_note=rng.choice(floor.words.studio["parcel_notes"]),
        )  # fmt: skip
        wish, whose = rng.choice(floor.words.studio["order_notes"]), "note"
        if wish in floor.words.studio["for_the_bench"]:
            whose = "bench_note"
        row |= {"note": "", "bench_note": None, whose: wish}
        self.next_number += 1
        wait = int(0.04 * DAY) if floor.chance(0.12) else floor.span_of(4.2, 0.85, 40)
        # Now and then nothing comes at all.
        patience = "gone" if floor.chance(0.022) else "slow" if floor.chance(0.03) else ""
        if wanted.wait is not None:
            wait, patience = int(wanted.wait * DAY), ""
        if wanted.unpaid or (row["paid"] == "none" and wanted.wait is not None):
            row["paid"] = "none" if wanted.unpaid else "part"
        job = Job(row, at, wanted, wait, patience)
        self.approvals.wished(job)
        self._by_a_day(job)
        floor.jobs.append(job)
        return job

    def _by_a_day(self, job: Job) -> None:
        """Gifts have a day of giving; some other orders are needed by a day."""
        rng, row, calendar = self._floor.rng, job.row, self._floor.calendar
        today = calendar.day_of(self._floor.time)
        reason = rng.choice(self._floor.words.studio["needed_reasons"])
        wishes = row["gift"] or (not job.wanted.simple and rng.random() < 0.08)
        if not wishes or rng.random() < 0.25:
            return
        day = today + timedelta(days=rng.randrange(32, 100))
        if today.month in (9, 10, 11) and rng.random() < 0.7:
            day, reason = today.replace(month=12, day=24), "Christmas"
        if row["gift"]:
            row["gift_day"] = day.isoformat()
        row.update(needed_by=(day - timedelta(days=3)).isoformat(), needed_reason=reason)
        job.needed_at = calendar.start_of(day)

    def animals_of(self, job: Job) -> list[tuple[str, Row, int]]:
        """The animals of an order, each with its letter and how many copies of it."""
        rng, simple = self._floor.rng, job.wanted.simple
        count = 1 if simple else rng.choices((1, 2, 3, 4), (86, 10, 3, 1))[0]
        found = [
            (
                letter,
                self._animal(job.row["customer_id"], job.wanted),
                1 if simple else rng.choices((1, 2, 3, 4), (84, 11, 3, 2))[0],
            )
            for letter in "ABCD"[:count]
        ]
        if any(animal["life"] == "remembered" for _, animal, _ in found):
            self.approvals.remembered(job)
        return found

    # ------------------------------------------------------------ pieces

    def model(
        self, job: Job, letter: str, animal: Row, step: Step, act: int | None, *,
        number: int = 1, follows: int | None = None, pictures: int | None = None, **entered: Any,
    ) -> DemoPiece:  # fmt: skip
        """Let a model in; `entered` as for a piece."""
        row: Row = {
            "id": self._floor.ledger.take_id("models"), "animal_id": animal["id"],
            "order_id": job.id, "letter": letter, "number": number, "follows_id": follows,
            "pictures": pictures, "limits": "", "pose": None,
        }  # fmt: skip
        piece = self._piece(Of.MODEL, row, job, letter, animal, step, act, **entered)
        piece.fated = list(job.wanted.fated)
        job.models.append(piece)
        return piece

    def copy(
        self, model: DemoPiece, number: int, step: Step, act: int | None, *, order_animal: int,
        job: Job | None = None, letter: str = "", making: int = 1, replaces: int | None = None,
        looks: Row | None = None, **entered: Any,
    ) -> DemoPiece:  # fmt: skip
        """Let a copy in, of its model's order unless another is named; `entered` as for a piece."""
        job, letter = job or model.job, letter or model.letter
        row: Row = {
            "id": self._floor.ledger.take_id("copies"), "order_id": job.id,
            "order_animal_id": order_animal, "model_id": model.ref.id, "letter": letter,
            "number": number, "making": making, "replaces_id": replaces,
            **(looks or self._looks(model.animal)),
        }  # fmt: skip
        if looks is None:
            row["pose"] = self._pose(model, job, letter, row["pose"])
        piece = self._piece(Of.COPY, row, job, letter, model.animal, step, act, **entered)
        piece.model, piece.remake = model, making > 1
        job.copies.append(piece)
        if not job.row["imported"]:
            self.approvals.require(piece, piece.log[0].act)
        return piece

    def _piece(
        self, of: Of, row: Row, job: Job, letter: str, animal: Row, step: Step, act: int | None, *,
        happened: int | None = None, accepted: int | None = None, by: int = 0,
    ) -> DemoPiece:  # fmt: skip
        """`accepted` is when its photos were, where it comes in after that step."""
        ledger = self._floor.ledger
        how = TimeIs.IMPORTED if job.row["imported"] else TimeIs.PRESSED
        if happened is not None and happened < ledger.time and how is TimeIs.PRESSED:
            how = TimeIs.TYPED
        entry = ledger.entry(
            Kind.ENTER, act, happened=ledger.time if happened is None else happened, to_step=step,
            until=accepted, by=by or self._floor.desk, time_is=how,
        )  # fmt: skip
        piece = DemoPiece(Ref(of, row["id"]), job, letter, animal, row, after(of, None, entry))
        ledger.write(piece, entry, None)
        if job.deposit is not None:
            ledger.add(
                piece, Kind.ASK, entry.act, happened=entry.happened_at, by=entry.by,
                question_id=job.deposit["id"], to_step=payments.BEFORE,
            )  # fmt: skip
        return piece

    def _pose(self, model: DemoPiece, job: Job, letter: str, drawn: str) -> str:
        """The pose of a further copy: the first copy's more often than another one; of a model
        that is built already, that model's."""
        if model.row["pose"] is None:
            first = next((c.row["pose"] for c in job.copies if c.letter == letter), drawn)
            same = self._floor.chance(0.65)
            model.row["pose"] = None if model.state.step in PHOTO_STEPS else first
            return str(first if same or model.row["pose"] else drawn)
        return str(model.row["pose"])

    def _looks(self, animal: Row) -> Row:
        """What a copy shall look like."""
        rng, words = self._floor.rng, self._floor.words.studio
        text = rng.choice(words["inscriptions"]) if rng.random() < 0.5 else ""
        return {
            "size_mm": rng.choice((60, 80, 80, 100, 120)), "measured": usual(animal["kind"]),
            "pose": rng.choice(("standing", "standing", "lying", "sitting", "head")),
            "base": rng.choice(("none", "oak", "oak", "walnut", "slate")),
            "finish": rng.choice(("matt", "satin", "satin")),
            "inscription": text.replace("{name}", animal["name"]),
            "spelling_confirmed_at": self._floor.time if text and rng.random() < 0.72 else None,
            "extras": rng.choice(words["extras"]), "bench_note": rng.choice(words["bench_notes"]),
        }  # fmt: skip

    def stands_on(self, copy: DemoPiece, model: DemoPiece, order_animal: int) -> None:
        """Let a further animal stand on the base of a copy of its order."""
        copy.beside.append(model)
        self._floor.ledger.note(
            "copy_companions", copy_id=copy.ref.id, order_animal_id=order_animal,
            model_id=model.ref.id,
        )  # fmt: skip

    def joins(self, job: Job, letter: str, model: DemoPiece) -> int:
        """Write an animal of an order under its letter; gives the row's id."""
        found: int = self._floor.ledger.note(
            "order_animals", order_id=job.id, letter=letter, animal_id=model.animal["id"],
            model_id=model.ref.id,
        )["id"]  # fmt: skip
        return found
