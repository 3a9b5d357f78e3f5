"""Copies that leave the house in a parcel: what stands against it, and the parcel itself."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, func, insert, literal_column, select, update
from sqlalchemy.engine import RowMapping

from app.flow import gates, groups
from app.flow.after import belongings
from app.flow.steps import Step
from app.moving.rules import Leaving, Stop, may_leave, number_key, refused
from app.shared.errors import AlreadyMoved, BadFields, NotFound
from app.shared.people import OWNER_ONLY, Person
from app.tables import (
    animals,
    copies,
    copy_companions,
    customers,
    models,
    orders,
    parcels,
    questions,
)

_DONE = [str(s) for s in (Step.HANDED_OVER, Step.RECEIVED, Step.REPLACED, Step.CANCELLED)]
COPY = (
    select(
        copies, orders.c.number.label("order_number"), orders.c.customer_id, orders.c.paid,
        orders.c.gift, orders.c.ship_name, orders.c.ship_lines, orders.c.ship_postcode,
        orders.c.ship_country, orders.c.address_confirmed_at, orders.c.ship_part,
        orders.c.parcel_note, models.c.follows_id, animals.c.kind,
        literal_column(groups.names("copies", "animals")).label("animal"),
        customers.c.name.label("customer"),
    )
    .join(orders, orders.c.id == copies.c.order_id)
    .join(customers, customers.c.id == orders.c.customer_id)
    .join(models, models.c.id == copies.c.model_id)
    .join(animals, animals.c.id == models.c.animal_id)
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Around:
    """What stands against a copy in the rest of its order: copies still being made, by order, and
    questions neither answered nor overridden, by order and the model or the copy that they are
    about (None for all of it). `beside` are the models beside a copy's own on its base, and `lent`
    by order what its customer lent that goes back in a parcel and lies in none."""

    making: Mapping[int, int]
    beside: Mapping[int, Sequence[int]]
    asked: Mapping[tuple[int, int | None, int | None], Sequence[int]]
    lent: Mapping[int, Sequence[str]]


def around(db: Connection, order_ids: Collection[int], inside: Collection[int] = ()) -> Around:
    """What stands against the copies of some orders. The belongings `inside` go with them."""
    making = db.execute(
        select(copies.c.order_id, func.count().label("number"))
        .where(
            copies.c.order_id.in_(order_ids),
            copies.c.withdrawn == 0,
            copies.c.step.not_in([*_DONE, str(Step.PACKING)]),
        )
        .group_by(copies.c.order_id)
    )
    asked = db.execute(
        select(
            questions.c.order_id, questions.c.model_id, questions.c.copy_id, questions.c.id
        ).where(
            questions.c.order_id.in_(order_ids),
            questions.c.answered_at.is_(None),
            questions.c.overridden_at.is_(None),
        )
    )  # fmt: skip
    about: dict[tuple[int, int | None, int | None], list[int]] = {}
    for *what, question in asked:
        about.setdefault((what[0], what[1], what[2]), []).append(question)
    shared = db.execute(
        select(copy_companions.c.copy_id, copy_companions.c.model_id)
        .join(copies, copies.c.id == copy_companions.c.copy_id)
        .where(copies.c.order_id.in_(order_ids))
    )
    beside: dict[int, list[int]] = {}
    for copy_id, model_id in shared:
        beside.setdefault(copy_id, []).append(model_id)
    lent = {
        order: [belongings.named(row) for row in rows if _to_put_in(row, inside)]
        for order, rows in belongings.here(db, order_ids).items()
    }
    return Around({row.order_id: row.number for row in making}, beside, about, lent)


def _to_put_in(row: RowMapping, inside: Collection[int]) -> bool:
    return row["way"] == "parcel" and row["parcel_id"] is None and row["id"] not in inside


def stops(row: RowMapping, beside: Around, now: int) -> list[Stop]:
    """Every reason why a copy may not leave."""
    order, waits = row["order_id"], gates.read(row["gates"] or "")
    asked = {
        question
        for model, copy in (
            (None, None),
            (row["model_id"], None),
            (row["follows_id"], None),
            (None, row["id"]),
            *((model, None) for model in beside.beside.get(row["id"], ())),
        )
        for question in beside.asked.get((order, model, copy), ())
    }
    return may_leave(
        Leaving(
            now=now,
            rests_until=row["rests_until"],
            waits=gates.refusal_at(waits, Step.PACKING) or "",
            questions_open=len(asked - {gate.question for gate in waits}),
            paid=row["paid"],
            address_known=bool(row["ship_lines"].strip()),
            address_confirmed=row["address_confirmed_at"] is not None,
            inscription=row["inscription"],
            spelling_confirmed=row["spelling_confirmed_at"] is not None,
            others_not_ready=beside.making.get(order, 0),
            ship_part=bool(row["ship_part"]),
            held=bool(row["hold_whose"]),
            # Where the rest of the order is to follow, it goes back with that.
            lent=() if beside.making.get(order) else tuple(beside.lent.get(order, ())),
        )
    )


def copy_row(db: Connection, copy_id: int) -> RowMapping:
    """A copy with its order. Raises NotFound."""
    row = db.execute(COPY.where(copies.c.id == copy_id)).mappings().first()
    if row is None:
        raise NotFound("There is no such piece.")
    return row


# ---------------------------------------------------------------- a parcel leaves


@dataclass(frozen=True, slots=True)
class ParcelDetails:
    """What goes into which hands: the way, the carrier and its number.

    `belongings` are those of the customer's that go back in it.
    """

    way: str
    carrier: str = ""
    number: str = ""
    note: str = ""
    belongings: Sequence[int] = ()


def pack(
    db: Connection,
    ids: Sequence[int],
    parcel: ParcelDetails,
    reason: str,
    sent: int,
    who: Person,
    now: int,
) -> int:
    """Make the parcel that copies leave in; gives its id. `sent` is a UTC moment.

    Raises AlreadyMoved for a copy that is not at packing, and BadFields where a reason against
    leaving still stands, or copies go to several addresses.
    """
    rows = [copy_row(db, id_) for id_ in ids]
    for row in rows:
        if row["step"] != Step.PACKING:
            raise AlreadyMoved(f"{code(row)} is not at packing any more.")
    order_ids = {row["order_id"] for row in rows}
    beside = around(db, order_ids, parcel.belongings)
    for row in rows:
        if left := refused(stops(row, beside, now), who.role, reason):
            raise BadFields({"reason": _why_not(row, left, reason)})
    _check_together(rows)
    made = db.execute(
        insert(parcels).values(
            way=parcel.way, carrier=parcel.carrier if parcel.way == "carrier" else "",
            number=parcel.number, number_key=number_key(parcel.number), ship_to=_address(rows[0]),
            note=parcel.note, sent_at=sent, account_id=who.account_id,
        )
    ).inserted_primary_key  # fmt: skip
    assert made is not None
    parcel_id = int(made[0])
    db.execute(update(copies).where(copies.c.id.in_(ids)).values(parcel_id=parcel_id))
    lent = {row["id"] for of in belongings.here(db, order_ids).values() for row in of}
    going = [id_ for id_ in parcel.belongings if id_ in lent]
    belongings.left_with(db, parcel_id, going, sent, who.account_id)
    return parcel_id


def parcel_of(db: Connection, copy_id: int) -> int | None:
    """The parcel that a copy is in, or None."""
    found: int | None = db.execute(
        select(copies.c.parcel_id).where(copies.c.id == copy_id)
    ).scalar()
    return found


_ONE_ADDRESS = ("customer_id", "ship_name", "ship_lines", "ship_postcode", "ship_country")


def _check_together(rows: Sequence[RowMapping]) -> None:
    """A parcel goes to one address. Raises BadFields."""
    first = rows[0]
    for row in rows[1:]:
        if any(row[name] != first[name] for name in _ONE_ADDRESS):
            why = f"{code(row)} goes to a different address from {code(first)}. Make two parcels."
            raise BadFields({"copy": why})


def _address(row: RowMapping) -> str:
    last = f"{row['ship_postcode']} {row['ship_country']}".strip()
    return "\n".join(filter(None, (row["ship_name"] or row["customer"], row["ship_lines"], last)))


def code(row: RowMapping) -> str:
    """A copy's code on its ticket."""
    return f"{row['order_number']}-{row['letter']}{row['number']}"


def _why_not(row: RowMapping, left: Sequence[Stop], reason: str) -> str:
    said = " ".join(stop.words for stop in left)
    if not reason.strip():
        return f"{code(row)} may not leave yet: {said} See to it, or give a reason for overriding."
    risk = all(stop.override <= OWNER_ONLY for stop in left)
    who = "the owner" if risk else "the office or the owner"
    return f"{code(row)} may not leave: {said} Only {who} can override that."
