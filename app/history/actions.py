"""A sheet brought in, whole or not at all, and taken back: one transaction each.

What had ended becomes rows of `past_pieces`, which have no log and are only counted; what is open
becomes an order under way, as if somebody had typed it in, known from today on.
"""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, time
from functools import cache
from typing import Any, Final

from sqlalchemy import Connection, insert, update
from sqlalchemy.exc import IntegrityError

from app.flow.changes import note
from app.flow.steps import STARTS, Of, Step
from app.flow.store import mark_forecasts_stale
from app.history import rules, store
from app.history.columns import Choices
from app.history.days import Moment
from app.history.rules import Reading, SheetPiece, together
from app.history.table import Sheet
from app.leadtimes.progress import Progress
from app.orders.entry.actions import enter_order, marks_said
from app.orders.entry.form import (
    AnimalDraft,
    AnimalFields,
    CopyFields,
    CustomerFields,
    Draft,
    OrderFields,
)
from app.orders.entry.shape import MOST_ANIMALS, MOST_COPIES
from app.shared.errors import NotFound, Refused
from app.shared.people import Person
from app.shared.text import fold
from app.studio.workshop import Workshop
from app.tables import animals, customer_mails, customers, imports, marks, past_pieces

NOON: Final = time(12)
_CUSTOMER = "id name name_key phone phone_digits made_at import_id"
_ANIMAL = "id customer_id name name_key kind breed colours life import_id"
_PIECE = ("import_id line customer_id animal_id order_key reference size_mm note started_at"
          " ended_at cancelled by_day steps")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Double:
    """A row that is probably here already: its line, whom it is of, and where the other one is."""

    line: int
    who: str
    where: str


@dataclass(frozen=True)
class Plan:
    """What would be brought in: pieces that had ended, and those that are open, by order."""

    ended: list[SheetPiece]
    open: list[list[SheetPiece]]
    doubles: list[Double]
    new_customers: int
    known_customers: int

    @property
    def pieces(self) -> int:
        """Pieces that had ended, each copy counted."""
        return sum(piece.many for piece in self.ended)


@dataclass(frozen=True, slots=True)
class BroughtIn:
    """What came of an import."""

    id: int
    pieces: int
    orders: int
    left_out: int


@dataclass
class _People:
    """Customers and animals that are known, and those that the sheet brings."""

    by_mail: dict[str, int]
    by_name: dict[str, list[int]]
    names: dict[int, str]
    with_mail: set[int]
    animals: dict[tuple[int, str], tuple[int, str]]
    rows: dict[str, list[tuple[Any, ...]]] = field(
        default_factory=lambda: {"customers": [], "customer_mails": [], "animals": [], "marks": []}
    )
    of_sheet: dict[str, int] = field(default_factory=dict)

    def known(self, piece: SheetPiece) -> int | None:
        """The customer of the house whom a row means: the one with its address, or, where one of
        the two has none, the only one of that name."""
        if (found := self.of_sheet.get(piece.customer_key)) is not None:
            return found
        if piece.mail and (found := self.by_mail.get(piece.mail.casefold())) is not None:
            return found
        same = self.by_name.get(fold(piece.customer), [])
        if len(same) == 1 and not (piece.mail and same[0] in self.with_mail):
            return same[0]
        return None


def _people(db: Connection) -> _People:
    rows = store.customers(db)
    by_name: dict[str, list[int]] = {}
    for row in rows:
        by_name.setdefault(row.name_key, []).append(row.id)
    by_mail = store.mails(db)
    return _People(
        by_mail, by_name, {row.id: row.name for row in rows}, set(by_mail.values()),
        store.animals_of(db),
    )  # fmt: skip


def read_sheet(workshop: Workshop, sheet: Sheet, choices: Choices) -> Reading:
    """The pieces of a sheet and all that is wrong with it, by the studio's own day and zone."""
    calendar = workshop.in_force().calendar
    return rules.read(sheet, choices, calendar.day_of(workshop.now()), calendar.zone)


def plan(workshop: Workshop, reading: Reading, *, with_doubles: bool = False) -> Plan:
    """What would be brought in of a sheet, as the house is now."""
    with workshop.database.reading() as db:
        return _plan(db, workshop, reading, _people(db), with_doubles=with_doubles)


def _plan(
    db: Connection, workshop: Workshop, reading: Reading, people: _People, *, with_doubles: bool
) -> Plan:
    doubles = list(_doubles(db, workshop, reading))
    out = set() if with_doubles else {double.line for double in doubles}
    kept = [piece for piece in reading.pieces if piece.line not in out]
    keys = {piece.customer_key: people.known(piece) for piece in kept}
    known = sum(id_ is not None for id_ in keys.values())
    open_ = together([piece for piece in kept if piece.open])
    ended = [piece for piece in kept if not piece.open]
    return Plan(ended, list(open_.values()), doubles, len(keys) - known, known)


def _doubles(db: Connection, workshop: Workshop, reading: Reading) -> Iterator[Double]:
    """Rows that say word for word what an earlier one says, and those whose customer, animal and
    day the house has already."""
    calendar = workshop.in_force().calendar
    here = {(r.customer, r.animal, calendar.day_of(r.at)) for r in store.known_orders(db)}
    for piece in reading.pieces:
        who = f"{piece.customer}, {piece.animal}, ordered {piece.ordered.day.isoformat()}"
        if (earlier := reading.repeats.get(piece.line)) is not None:
            yield Double(piece.line, who, f"the same as line {earlier}")
        elif here and piece.double_key in here:
            yield Double(piece.line, who, "here already")


def bring_in(
    workshop: Workshop, reading: Reading, choices: Choices, file: str, who: Person, *,
    without_bad: bool = False, with_doubles: bool = False, with_pages: bool = False,
    say: Progress | None = None,
) -> BroughtIn:  # fmt: skip
    """Bring a sheet in: all of its rows or none, but for bad ones with `without_bad`, and for
    doubles unless `with_doubles`. No letter is written. Open orders get a status page only
    `with_pages`. `say` hears how many of how many steps are done.

    Raises Refused where there are bad rows that were not to be left out, or nothing to bring in.
    """
    bad = len(reading.bad_lines)
    if bad and not without_bad:
        raise Refused(f"{bad} rows have something wrong in them. Nothing was brought in.")
    now = workshop.now()
    with workshop.database.writing() as db:
        people = _people(db)
        what = _plan(db, workshop, reading, people, with_doubles=with_doubles)
        if not what.ended and not what.open:
            raise Refused("There is nothing in this sheet to bring in.")
        left_out = bad + (0 if with_doubles else len({double.line for double in what.doubles}))
        made = db.execute(
            insert(imports).values(
                at=now, account_id=who.account_id, file=file, choices=json.dumps(choices.as_json()),
                pieces=what.pieces, orders=len(what.open), left_out=left_out,
            )
        ).inserted_primary_key  # fmt: skip
        assert made is not None
        id_ = int(made[0])
        _add_people(db, people, what, id_, now)
        _add_ended(db, workshop, people, what, id_)
        _add_open(db, workshop, people, what, id_, who, now, with_pages=with_pages, say=say)
        note(db, who.account_id, now, "imports", "brought_in", None, file, of_id=id_)
        mark_forecasts_stale(db)
    workshop.changed.set()
    return BroughtIn(id_, what.pieces, len(what.open), left_out)


def _add_people(db: Connection, people: _People, what: Plan, id_: int, now: int) -> None:
    """The customers and animals that the sheet brings, with addresses and marks."""
    next_customer = store.next_id(db, "customers")
    next_animal = store.next_id(db, "animals")
    for piece in (*what.ended, *(piece for order in what.open for piece in order)):
        customer = people.known(piece)
        if customer is None:
            customer, next_customer = next_customer, next_customer + 1
            digits = "".join(sign for sign in piece.phone if sign.isdecimal())
            people.names[customer] = piece.customer
            people.rows["customers"].append(
                (customer, piece.customer, fold(piece.customer), piece.phone, digits, now, id_)
            )
            if piece.mail:
                mail = (customer, piece.mail, piece.mail.casefold(), 1)
                people.rows["customer_mails"].append(mail)
        people.of_sheet[piece.customer_key] = customer
        key = (customer, fold(piece.animal))
        if key not in people.animals:
            people.animals[key] = (next_animal, piece.animal)
            facts = piece.facts
            people.rows["animals"].append(
                (next_animal, customer, piece.animal, key[1], facts["kind"], facts["breed"],
                 facts["colours"], piece.life, id_)
            )  # fmt: skip
            people.rows["marks"].extend(
                (next_animal, said, side) for said, side in dict(marks_said(facts["marks"])).items()
            )
            next_animal += 1
    rows = people.rows
    store.add_rows(db, customers, _CUSTOMER, rows["customers"])
    store.add_rows(db, customer_mails, "customer_id mail mail_key receives", rows["customer_mails"])
    store.add_rows(db, animals, _ANIMAL, rows["animals"])
    store.add_rows(db, marks, "animal_id what side", rows["marks"])


def _add_ended(db: Connection, workshop: Workshop, people: _People, what: Plan, id_: int) -> None:
    """The pieces that had ended, a row each; of their steps only what the sheet knows."""
    noon = cache(lambda day: _noon(workshop, day))

    def at(moment: Moment) -> int:
        return moment.at if moment.at is not None else noon(moment.day)

    rows: list[tuple[Any, ...]] = []
    first = store.next_id(db, "past_pieces")
    order_key: dict[tuple[str, str], int] = {}
    for piece in what.ended:
        assert piece.ended is not None
        customer = people.of_sheet[piece.customer_key]
        animal, _ = people.animals[customer, fold(piece.animal)]
        order = (piece.customer_key, piece.reference or piece.ordered.day.isoformat())
        key = order_key.setdefault(order, first + len(rows))
        started = latest = at(piece.ordered)
        steps: dict[str, int] = {}
        for step, moment in piece.moments.items():
            # Noon of a day may lie before a moment of that day.
            steps[str(step)] = latest = max(latest, at(moment))
        row = (
            id_, piece.line, customer, animal, key, piece.reference, piece.size,
            _said(piece), started, max(latest, at(piece.ended)), int(piece.cancelled),
            int(piece.ordered.at is None or piece.ended.at is None), json.dumps(steps),
        )  # fmt: skip
        rows.extend([row] * piece.many)
    store.add_rows(db, past_pieces, _PIECE, rows)


def _noon(workshop: Workshop, day: date) -> int:
    return workshop.in_force().calendar.moment(day, NOON)


def _said(piece: SheetPiece) -> str:
    """What else the sheet says of a piece, in one line."""
    named = ((name, piece.facts[name]) for name in ("pose", "base", "finish", "inscription"))
    said = [f"{name}: {value}" for name, value in named if value]
    return "; ".join([*said, *([piece.facts["note"]] if piece.facts["note"] else [])])


def _add_open(
    db: Connection, workshop: Workshop, people: _People, what: Plan, id_: int, who: Person,
    now: int, *, with_pages: bool, say: Progress | None,
) -> None:  # fmt: skip
    """The open orders, each as if it had been typed in as one that is under way."""
    made = []
    for done, pieces in enumerate(what.open):
        if say is not None:
            say(done, len(what.open))
        draft = _draft(people, pieces)
        made.append(enter_order(db, workshop, draft, who, now, None, link=with_pages).id)
    store.mark_orders(db, id_, made)


def _draft(people: _People, pieces: Sequence[SheetPiece]) -> Draft:
    """An open order. Raises Refused where it is larger than an order can be."""
    first = pieces[0]
    customer = people.of_sheet[first.customer_key]
    animals: dict[tuple[int, str], list[SheetPiece]] = {}
    for piece in pieces:
        animals.setdefault(people.animals[customer, fold(piece.animal)], []).append(piece)
    many = max(sum(piece.many for piece in own) for own in animals.values())
    if len(animals) > MOST_ANIMALS or many > MOST_COPIES:
        raise Refused(
            f"Line {first.line}: the order of {first.customer} has {len(animals)} animals, and up "
            f"to {many} copies of one. {MOST_ANIMALS} and {MOST_COPIES} are the most."
        )
    needed = next((piece.needed_by for piece in pieces if piece.needed_by), None)
    notes = dict.fromkeys(piece.facts["note"] for piece in pieces if piece.facts["note"])
    order = OrderFields.model_validate({
        "under_way": True, "taken_on": min(piece.ordered.day for piece in pieces),
        "shop_reference": first.reference, "channel": "other", "needed_by": needed,
        "note": "\n".join(notes)[:2000],
    })  # fmt: skip
    named = CustomerFields.model_validate(
        {"customer_id": customer, "name": people.names[customer], "mail": ""}
    )
    return Draft(named, order, [_animal(*known, own) for known, own in animals.items()])


def _animal(animal: int, name: str, pieces: Sequence[SheetPiece]) -> AnimalDraft:
    """An animal of an open order: its model stands where its slowest row does, unless that is a
    step of copies, before which the model was ready."""
    steps = [piece.step for piece in pieces if piece.step in STARTS[Of.MODEL]]
    order = list(Step)
    model = min((s for s in steps if s is not None), key=order.index, default=Step.READY)
    at_model = [p for p in pieces if p.step is model] or pieces
    since = min(_day(piece.since) for piece in at_model)
    fields = AnimalFields.model_validate(
        {"animal_id": animal, "name": name, "step": model, "since": since}
    )
    copies, begun = [], model is Step.READY
    for piece in pieces:
        # A copy of a ready model for which the sheet says no step is at its first one.
        at = piece.step if piece.step in STARTS[Of.COPY] and piece.step != Step.NOT_BEGUN else None
        line = {
            **{key: piece.facts[key] for key in ("pose", "base", "finish", "inscription")},
            "size": piece.size, "step": at if begun else Step.NOT_BEGUN,
            "since": _day(piece.since) if begun else None,
        }  # fmt: skip
        copies += [CopyFields.model_validate(line)] * piece.many
    return AnimalDraft(fields, copies)


def _day(moment: Moment | None) -> date:
    assert moment is not None
    return moment.day


def take_back(workshop: Workshop, import_id: int, who: Person) -> None:
    """Take out everything that an import brought, as if it had never come.

    Raises NotFound, and Refused once it was taken back, or where something was built on it.
    """
    now = workshop.now()
    with workshop.database.writing() as db:
        row = store.import_of(db, import_id)
        if row is None:
            raise NotFound("There is no such import.")
        if row.taken_back_at is not None:
            raise Refused("This was taken back already.")
        if why := store.touched(db, import_id):
            raise Refused(f"It cannot be taken back any more: {why}.")
        try:
            store.remove(db, import_id)
        except IntegrityError as why_not:
            raise Refused(
                "It cannot be taken back any more: something was added to a customer, an animal or "
                "an order that came with it."
            ) from why_not
        done: Mapping[str, Any] = {"taken_back_at": now, "taken_back_by_id": who.account_id}
        db.execute(update(imports).where(imports.c.id == import_id).values(**done))
        note(db, who.account_id, now, "imports", "taken_back", None, row.file, of_id=import_id)
        mark_forecasts_stale(db)
    workshop.changed.set()
