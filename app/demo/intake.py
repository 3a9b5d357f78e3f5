"""Who orders what: customers, animals with their marks, orders with their pieces."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from app.demo.floor import DemoFloor
from app.demo.hours import HOUR
from app.demo.ledger import DemoPiece, Job, Row, first_state
from app.demo.words import by_share, filled
from app.flow.rules import Kind, TimeIs
from app.flow.steps import Of, Step
from app.flow.store import Ref
from app.shared.text import fold


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is settled of an order before it comes; None leaves it to chance.

    `wait` is the customer's days until pictures come, `pictures` how many of each animal, `fated`
    how they are judged, `snag` what then stops the order: "hold" or "ask".
    """

    gift: bool | None = None
    remembered: bool | None = None
    simple: bool = False
    wait: float | None = None
    pictures: int | None = None
    fated: tuple[str, ...] = ()
    snag: str = ""
    late_entry: bool = True


class Intake:
    """Takes orders. It remembers who ordered before, and which models are ready."""

    def __init__(self, floor: DemoFloor, first_number: int) -> None:
        self._floor = floor
        self._number = first_number
        self.customers: list[Row] = []
        self._animals_of: dict[int, list[Row]] = {}
        self.marks_of: dict[int, list[Row]] = {}
        self.ready: list[DemoPiece] = []
        self._homes: dict[int, Row] = {}

    # ------------------------------------------------------------ people and animals

    def customer(self, at: int) -> Row:
        """Somebody who orders: now and then one who has been here before."""
        rng, words = self._floor.rng, self._floor.words.people
        if self.customers and rng.random() < 0.2:
            return rng.choice(self.customers[-400:])
        given, surname = rng.choice(words["given"]), rng.choice(words["surnames"])
        name = f"{given} {surname}"
        formal = f"{'Mr' if given in words['men'] else 'Ms'} {surname}"
        phone = f"01632 960 {rng.randrange(1000):03d}"
        row = self._floor.ledger.note(
            "customers",
            {
                "name": name, "name_key": fold(name), "language": "en", "made_at": at,
                "address_as": rng.choice((given, given, formal, formal, "")),
                "phone": phone, "phone_digits": phone.replace(" ", ""), "note": "",
                "also_known_as": "", "joined_into_id": None,
            },
        )  # fmt: skip
        self.customers.append(row)
        self._mails(row, given, surname)
        self._homes[row["id"]] = self._home()
        return row

    def _mails(self, customer: Row, given: str, surname: str) -> None:
        rng = self._floor.rng
        local = "".join(s for s in fold(f"{given}.{surname}") if s.isalnum() or s in ".-")
        hosts = rng.sample(self._floor.words.people["mail_hosts"], 2)
        for place in range(1 + (rng.random() < 0.12)):
            mail = f"{local}{customer['id']}@{hosts[place]}"
            self._floor.ledger.note(
                "customer_mails",
                {"customer_id": customer["id"], "mail": mail, "mail_key": mail,
                 "receives": int(place == 0)},
            )  # fmt: skip

    def _home(self) -> Row:
        rng, words = self._floor.rng, self._floor.words.people
        town = by_share(rng, words["towns"])
        street = f"{rng.randrange(1, 140)} {rng.choice(words['streets'])}"
        return {
            "ship_lines": f"{street}\n{rng.choice(town['names'])}",
            "ship_postcode": filled(rng, town["postcode"]),
            "ship_country": town["country"],
        }

    def _animal(self, customer: Row, wanted: Wanted) -> Row:
        rng, words = self._floor.rng, self._floor.words.animals
        known = self._animals_of.setdefault(customer["id"], [])
        kind = by_share(rng, words["kinds"])
        names = [n for n in words["names"] if all(n != other["name"] for other in known)]
        name = rng.choice(names or words["names"])
        life = rng.choices(("living", "remembered", "not_said"), (70, 14, 16))[0]
        if wanted.remembered is not None:
            life = "remembered" if wanted.remembered else "living"
        row = self._floor.ledger.note(
            "animals",
            {
                "customer_id": customer["id"], "name": name, "name_key": fold(name),
                "kind": kind["kind"], "breed": rng.choice(kind["breeds"]),
                "sex": rng.choices(("female", "male", "not_said"), (46, 46, 8))[0],
                "age_shown": rng.choice(words["ages"]) if rng.random() < 0.7 else "",
                "height": rng.choice(kind["heights"]) if rng.random() < 0.8 else "",
                "colours": rng.choice(kind["colours"]), "life": life, "note": "",
            },
        )  # fmt: skip
        known.append(row)
        self._marks(row, kind)
        return row

    def _marks(self, animal: Row, kind: dict[str, Any]) -> None:
        rng = self._floor.rng
        how_many = rng.choices((0, 1, 2, 3), (8, 30, 40, 22))[0]
        found = []
        for place, side, what in rng.sample(kind["marks"], min(how_many, len(kind["marks"]))):
            if side == "pick":
                side = rng.choice(("left", "right", "left", "right", "not_asked"))
            row = {
                "animal_id": animal["id"], "place": place, "side": side, "what": what,
                "must": int(rng.random() < 0.8), "gone_at": None,
            }  # fmt: skip
            found.append(self._floor.ledger.note("marks", row))
        self.marks_of[animal["id"]] = found

    # ------------------------------------------------------------ orders

    def order(
        self, at: int, wanted: Wanted, imported: bool = False, customer: Row | None = None
    ) -> Job:
        """The order itself, without its pieces; `at` is when it is written down."""
        floor, rng = self._floor, self._floor.rng
        customer = customer or self.customer(at)
        taken = at
        if wanted.late_entry and rng.random() < 0.35:
            taken = at - rng.randrange(HOUR, 14 * HOUR)
        gift = rng.random() < 0.15 if wanted.gift is None else wanted.gift
        paid = rng.choices(("none", "part", "all"), (12, 18, 70))[0]
        row: Row = {
            "id": floor.ledger.take_id("orders"), "number": self._number,
            "customer_id": customer["id"],
            "shop_reference": f"SB-{rng.randrange(40_000, 99_999)}" if rng.random() < 0.6 else "",
            "channel": rng.choices(("shop", "phone", "mail", "in_person"), (60, 14, 20, 6))[0],
            "taken_at": taken, "recorded_at": at, "imported": int(imported), "open": 1,
            "paid": paid, "gift": int(gift), "gift_day": None, "needed_by": None,
            "needed_reason": "", "ship_name": customer["name"], **self._homes[customer["id"]],
            "ship_phone": customer["phone"],
            "address_confirmed_at": at if rng.random() < 0.8 else None,
            "ship_part": int(rng.random() < 0.06),
            "parcel_note": rng.choice(floor.words.studio["parcel_notes"]),
            "note": rng.choice(floor.words.studio["order_notes"]), "copy_deadline": None,
            "once": None,
        }  # fmt: skip
        self._number += 1
        job = Job(row, at)
        self._by_a_day(job, at, wanted)
        floor.ledger.note("orders", row)
        floor.jobs.append(job)
        return job

    def _by_a_day(self, job: Job, at: int, wanted: Wanted) -> None:
        """Gifts have a day of giving; some other orders are needed by a day."""
        rng, row, calendar = self._floor.rng, job.row, self._floor.calendar
        today = calendar.day_of(at)
        reason = rng.choice(self._floor.words.studio["needed_reasons"])
        wishes = row["gift"] or (not wanted.simple and rng.random() < 0.08)
        if not wishes or rng.random() < 0.25:
            return
        day = today + timedelta(days=rng.randrange(32, 100))
        if today.month in (9, 10, 11) and rng.random() < 0.7:
            day, reason = today.replace(month=12, day=24), "Christmas"
        if row["gift"]:
            row["gift_day"] = day.isoformat()
        row["needed_by"] = (day - timedelta(days=3)).isoformat()
        row["needed_reason"] = reason
        job.needed_at = calendar.start_of(day)

    def animals_wanted(self, job: Job, wanted: Wanted) -> list[tuple[Row, int]]:
        """The animals of an order, with how many copies of each."""
        rng = self._floor.rng
        count = 1 if wanted.simple else rng.choices((1, 2, 3, 4), (86, 10, 3, 1))[0]
        customer = {"id": job.row["customer_id"]}
        found = []
        for _ in range(count):
            copies = 1 if wanted.simple else rng.choices((1, 2, 3, 4), (84, 11, 3, 2))[0]
            found.append((self._animal(customer, wanted), copies))
        return found

    # ------------------------------------------------------------ pieces

    def model(
        self, job: Job, letter: str, animal: Row, step: Step, at: int, act: int | None, **more: Any
    ) -> DemoPiece:
        """Let a model in. `more`: number, follows, happened, imported, accepted."""
        row: Row = {
            "id": self._floor.ledger.take_id("models"), "animal_id": animal["id"],
            "order_id": job.id, "letter": letter, "number": more.get("number", 1),
            "follows_id": more.get("follows"), "pictures": more.get("pictures"), "limits": "",
            "limits_agreed": "", "machine": "", "build_ends_at": None,
        }  # fmt: skip
        piece = self._piece(Of.MODEL, row, job, letter, animal, step, at, act, more)
        job.models.append(piece)
        return piece

    def copy(
        self,
        job: Job,
        model: DemoPiece,
        number: int,
        step: Step,
        at: int,
        act: int | None,
        **more: Any,
    ) -> DemoPiece:
        """Let a copy in. `more`: animal_row (its row of the order), looks, and as for a model."""
        row: Row = {
            "id": self._floor.ledger.take_id("copies"), "order_id": job.id,
            "order_animal_id": more["order_animal"], "model_id": model.ref.id,
            "letter": more["letter"], "number": number, "making": more.get("making", 1),
            "replaces_id": more.get("replaces"), "withdrawn": 0, **more["looks"],
            "parcel_id": None,
        }  # fmt: skip
        piece = self._piece(Of.COPY, row, job, more["letter"], model.animal, step, at, act, more)
        piece.model = model
        piece.remake = row["making"] > 1
        job.copies.append(piece)
        return piece

    def _piece(
        self, of: Of, row: Row, job: Job, letter: str, animal: Row, step: Step, at: int,
        act: int | None, more: dict[str, Any],
    ) -> DemoPiece:  # fmt: skip
        happened = more.get("happened", at)
        told = TimeIs.IMPORTED if more.get("imported") else TimeIs.PRESSED
        entry = self._floor.ledger.new_entry(
            Kind.ENTER, at, act, happened=happened, to_step=step, until=more.get("accepted"),
            by=more.get("by", self._floor.desk),
            time_is=TimeIs.TYPED if happened < at and told is TimeIs.PRESSED else told,
        )  # fmt: skip
        piece = DemoPiece(
            Ref(of, row["id"]), job, letter, row["number"], row.get("making", 1), animal, row,
            first_state(of, entry),
        )  # fmt: skip
        self._floor.ledger.enter(piece, entry)
        return piece

    def looks(self, animal: Row, at: int) -> Row:
        """What a copy shall look like."""
        rng, words = self._floor.rng, self._floor.words.studio
        text = rng.choice(words["inscriptions"]) if rng.random() < 0.5 else ""
        text = text.replace("{name}", animal["name"])
        confirmed = at if text and rng.random() < 0.72 else None
        return {
            "size_mm": rng.choice((60, 80, 80, 100, 120)),
            "pose": rng.choice(("standing", "standing", "lying", "sitting", "head")),
            "base": rng.choice(("none", "oak", "oak", "walnut", "slate")),
            "finish": rng.choice(("matt", "satin", "satin")), "inscription": text,
            "spelling_confirmed_at": confirmed, "extras": rng.choice(words["extras"]),
            "bench_note": rng.choice(words["bench_notes"]),
        }  # fmt: skip

    def joins(self, job: Job, letter: str, animal: Row, model: DemoPiece) -> int:
        """Write an animal of an order under its letter; gives the row's id."""
        row = {
            "order_id": job.id, "letter": letter, "animal_id": animal["id"],
            "model_id": model.ref.id,
        }  # fmt: skip
        found: int = self._floor.ledger.note("order_animals", row)["id"]
        return found
