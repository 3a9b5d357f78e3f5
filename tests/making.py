"""Orders for tests, made by the action that real orders are made by.

    order = make_order(house, CAST.desk, NOW, [Wanted("Juniper", copies=2)])
    order.model("A"), order.copy("A2")      # → Ref
    walk(house, order.model("A"), CAST.painter, NOW, "photos_counted", "build_started")

Moments are UTC seconds. NOW is Wednesday 4 March 2026, 10:00 in London; MADE_AT is a day before.
"""

import hashlib
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy import Connection, func, insert, select, update

from app.flow import groups, store
from app.flow.actions import Done, Wish, entering, record
from app.flow.rules import Kind
from app.flow.steps import Of, Step
from app.flow.store import Piece, Ref
from app.shared.database import Database
from app.shared.people import Person, Role
from app.tables import animals, copies, customers, models, order_animals, orders, parcels

NOW = 1_772_618_400
HOUR = 3_600
DAY = 86_400
MADE_AT = NOW - DAY


@dataclass(frozen=True)
class Cast:
    """The people of the test studio, by what they do."""

    owner: Person
    desk: Person
    finisher: Person
    shaper: Person
    painter: Person

    @property
    def everybody(self) -> tuple[Person, ...]:
        return (self.owner, self.desk, self.finisher, self.shaper, self.painter)


CAST = Cast(
    owner=Person(1, Role.OWNER, "Odile Marchbanks"),
    desk=Person(2, Role.DESK, "Dara Quill"),
    finisher=Person(3, Role.BENCH, "Fenn Arbuthnot"),
    shaper=Person(4, Role.BENCH, "Sunniva Holt"),
    painter=Person(5, Role.BENCH, "Pilar Ostrow"),
)


@dataclass(frozen=True)
class Wanted:
    """An animal of an order to make: where its model and its copies stand when it comes in."""

    name: str = "Juniper"
    copies: int = 1
    life: str = "living"
    sex: str = "female"
    kind: str = "horse"
    step: Step = Step.PHOTOS_WANTED
    copy_step: Step = Step.NOT_BEGUN
    beside: str = ""  # the code of the copy on whose base it stands: A1


@dataclass
class MadeOrder:
    """What make_order made: ids, and pieces by the last part of their codes (A, A1, B2)."""

    id: int
    number: int
    customer_id: int
    act: int
    pieces: dict[str, Ref] = field(default_factory=dict)
    animal_ids: dict[str, int] = field(default_factory=dict)

    def model(self, letter: str = "A") -> Ref:
        return self.pieces[letter]

    def copy(self, code: str = "A1") -> Ref:
        return self.pieces[code]


def make_order(
    database: Database,
    who: Person,
    now: int,
    wanted: Sequence[Wanted] = (Wanted(),),
    *,
    at: int | None = None,
    imported: bool = False,
    customer: str = "Imre Castellan",
    **fields: object,
) -> MadeOrder:
    """An order with its animals and pieces, entered at `at` (or now) in one transaction.

    `fields` are columns of orders: gift=1, needed_by="2026-05-01", paid="all".
    """
    at = now if at is None else at
    with database.writing() as db:
        customer_id = _add(db, customers, name=customer, name_key=customer.casefold(), made_at=now)
        number = db.execute(select(func.coalesce(func.max(orders.c.number), 1000))).scalar_one() + 1
        values: dict[str, object] = {
            "number": number, "customer_id": customer_id, "taken_at": at, "recorded_at": now,
            "imported": int(imported), **fields,
        }  # fmt: skip
        order_id = _add(db, orders, **values)
        act = entering(db, who, now, imported=imported)
        made = MadeOrder(order_id, number, customer_id, act.act.done.act)
        for letter, animal in zip("ABCDEFGH", wanted, strict=False):
            _add_animal(db, act, made, letter, animal, at)
        act.close()
    return made


def _add_animal(db: Connection, act, made: MadeOrder, letter: str, want: Wanted, at: int) -> None:
    animal_id = _add(
        db, animals, customer_id=made.customer_id, name=want.name, name_key=want.name.casefold(),
        kind=want.kind, life=want.life, sex=want.sex,
    )  # fmt: skip
    model = act.piece(
        Of.MODEL, {"animal_id": animal_id, "order_id": made.id, "letter": letter}, want.step, at
    )
    in_order = _add(
        db, order_animals, order_id=made.id, letter=letter, animal_id=animal_id, model_id=model.id
    )
    made.pieces[letter], made.animal_ids[letter] = model, animal_id
    for number in range(1, want.copies + 1):
        values = {
            "order_id": made.id, "order_animal_id": in_order, "model_id": model.id,
            "letter": letter, "number": number,
        }  # fmt: skip
        made.pieces[f"{letter}{number}"] = act.piece(Of.COPY, values, want.copy_step, at)
    if want.beside:
        groups.put(db, made.copy(want.beside).id, {in_order: model.id})


def _add(db: Connection, table, **values: object) -> int:
    key = db.execute(insert(table).values(values)).inserted_primary_key
    assert key is not None
    return int(key[0])


def move(
    database: Database, ref: Ref, who: Person, now: int, key: str, once: str | None = None, **said
) -> Done:
    """Record one move; `said` are further fields of the wish (reason=…, happened_at=…).

    What is handed over leaves in a parcel of its own.
    """
    if key == "handed_over" and "amount" not in said:
        with database.writing() as db:
            said["amount"] = _add(db, parcels, way="collected", sent_at=now)
            own = update(copies).where(copies.c.id == ref.id)
            db.execute(own.values(parcel_id=said["amount"]))
    return record(database, [Wish(ref, Kind.MOVE, key, **said)], who, now, once)


def walk(database: Database, ref: Ref, who: Person, now: int, *keys: str, each: int = 60) -> int:
    """Record moves one after another, `each` seconds apart; gives the moment of the last."""
    for key in keys:
        now += each
        move(database, ref, who, now, key, reason="as usual")
    return now


def piece(database: Database, ref: Ref) -> Piece:
    """A piece as it stands in the database."""
    with database.reading() as db:
        return store.load(db, ref)


def step_of(database: Database, ref: Ref) -> Step:
    """The step that a piece is in."""
    return piece(database, ref).state.step


def pieces_made_from(database: Database, ref: Ref) -> list[Piece]:
    """The copies of a model, withdrawn ones left out."""
    with database.reading() as db:
        return store.copies_of_model(db, ref.id)


def versions_after(database: Database, ref: Ref) -> list[Ref]:
    """The model's next versions."""
    with database.reading() as db:
        found = db.execute(select(models.c.id).where(models.c.follows_id == ref.id))
        return [Ref(Of.MODEL, number) for number in found.scalars()]


def rows(database: Database, query: str, *values: object) -> list[tuple[object, ...]]:
    """Rows of a plain SQL query, read beside the house."""
    with sqlite3.connect(database.path) as raw:
        found = raw.execute(query, values).fetchall()
    raw.close()
    return found


def fingerprint(path: Path) -> str:
    """A hash of everything in a database file: equal before and after an act that did nothing."""
    with closing(sqlite3.connect(path)) as raw:
        return fingerprint_by(raw)


def fingerprint_by(raw: sqlite3.Connection) -> str:
    """The same hash, over a connection that is open."""
    return hashlib.sha256("\n".join(raw.iterdump()).encode()).hexdigest()
