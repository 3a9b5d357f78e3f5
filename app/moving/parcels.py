"""Copies that leave the house in a parcel: what stands against it, and the parcel itself."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import ColumnElement, Connection, func, insert, literal_column, select, update
from sqlalchemy.engine import RowMapping

from app.flow import gates, groups
from app.flow.after import belongings
from app.flow.steps import Step
from app.moving.rules import Leaving, Stop, clean_number, may_leave, number_key, refused
from app.shared.carriers import named
from app.shared.errors import AlreadyMoved, BadFields, NotFound
from app.shared.people import OWNER_ONLY, Person
from app.shared.text import fold
from app.studio.workshop import InForce
from app.tables import (
    animals,
    copies,
    copy_companions,
    customers,
    models,
    orders,
    packed_pieces,
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
    """Every reason why a copy may not leave; `now` is the moment at which it would, or did."""
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


# ---------------------------------------------------------------- what lies in a parcel


def lying(db: Connection, only: ColumnElement[bool]) -> Mapping[int, int]:
    """The parcels that copies lie in which have not left, by copy; `only` some copies or parcels.

    A copy that went back to a bench since it was put in lies in none; one whose way back was
    undone lies where it lay.
    """
    query = (
        select(packed_pieces.c.copy_id, packed_pieces.c.parcel_id)
        .join(parcels, parcels.c.id == packed_pieces.c.parcel_id)
        .join(copies, copies.c.id == packed_pieces.c.copy_id)
        .where(*LIES, only)
        .order_by(packed_pieces.c.id)
    )
    return {row.copy_id: row.parcel_id for row in db.execute(query)}


LIES = (
    parcels.c.sent_at.is_(None),
    parcels.c.taken_back_at.is_(None),
    packed_pieces.c.out_at.is_(None),
    copies.c.step == str(Step.PACKING),
    copies.c.open == 1,
    packed_pieces.c.put_at >= copies.c.entered_at,
)


def rows_of(db: Connection, ids: Collection[int]) -> list[RowMapping]:
    """Copies with their orders, in the order of the ids. Raises NotFound."""
    return [copy_row(db, id_) for id_ in ids]


# ---------------------------------------------------------------- a parcel leaves


@dataclass(frozen=True, slots=True)
class ParcelDetails:
    """What goes into which hands: the way, the carrier and its number.

    `sealed` is the parcel that was packed before; without one it is made as it leaves.
    `belongings` are those of the customer's that go back in it.
    """

    way: str
    carrier: str = ""
    number: str = ""
    note: str = ""
    belongings: Sequence[int] = ()
    sealed: int | None = None


def pack(
    db: Connection, ids: Sequence[int], parcel: ParcelDetails, reason: str, sent: int, who: Person
) -> int:
    """Send the parcel that copies leave in; gives its id. `sent` is a UTC moment: what cured then
    may not have left.

    Raises AlreadyMoved for a copy that is not at packing, and BadFields where a reason against
    leaving still stands, or copies go to several addresses or lie in another parcel.
    """
    rows = rows_of(db, ids)
    for row in rows:
        if row["step"] != Step.PACKING:
            raise AlreadyMoved(f"{code(row)} is not at packing any more.")
    _check_where_they_lie(db, rows, parcel.sealed)
    order_ids = {row["order_id"] for row in rows}
    beside = around(db, order_ids, parcel.belongings)
    for row in rows:
        if left := refused(stops(row, beside, sent), who.role, reason):
            raise BadFields({"reason": _why_not(row, left, reason)})
    check_together(rows)
    values = {
        "way": parcel.way, "carrier": parcel.carrier if parcel.way == "carrier" else "",
        "number": clean_number(parcel.number), "number_key": number_key(parcel.number),
        "sent_at": sent, "account_id": who.account_id,
    }  # fmt: skip
    if parcel.sealed is None:
        values |= {"ship_to": address(rows[0]), "note": parcel.note}
        made = db.execute(insert(parcels).values(**values)).inserted_primary_key
        assert made is not None
        parcel_id = int(made[0])
    else:
        parcel_id = parcel.sealed
        _check_sealed(db, parcel_id, rows)
        db.execute(update(parcels).where(parcels.c.id == parcel_id).values(**values))
    db.execute(update(copies).where(copies.c.id.in_(ids)).values(parcel_id=parcel_id))
    lent = {row["id"] for of in belongings.here(db, order_ids).values() for row in of}
    going = [id_ for id_ in parcel.belongings if id_ in lent]
    belongings.left_with(db, parcel_id, going, sent, who.account_id)
    return parcel_id


def keep_usual_days(db: Connection, parcel_id: int, in_force: InForce) -> None:
    """Keep the days on which a parcel that has left is usually there, as the list of carriers has
    them now: what its customer is told does not change with the list."""
    country = (
        select(func.min(orders.c.ship_country))
        .join(copies, copies.c.order_id == orders.c.id)
        .where(copies.c.parcel_id == parcels.c.id)
        .scalar_subquery()
    )
    its = select(parcels.c.way, parcels.c.carrier, parcels.c.sent_at, country.label("country"))
    row = db.execute(its.where(parcels.c.id == parcel_id)).one()
    carrier = named(in_force.carriers, row.carrier) if row.way == "carrier" else None
    left, home = in_force.calendar.day_of(row.sent_at), in_force.settings.country
    usual = carrier.arrives(left, row.country or "", home) if carrier is not None else None
    first, last = (day.isoformat() for day in usual) if usual is not None else (None, None)
    own = update(parcels).where(parcels.c.id == parcel_id)
    db.execute(own.values(usual_first=first, usual_last=last))


def _check_where_they_lie(
    db: Connection, rows: Sequence[RowMapping], parcel_id: int | None
) -> None:
    """What lies in a parcel leaves with it, whole. Raises BadFields and AlreadyMoved."""
    lies = lying(db, copies.c.id.in_([row["id"] for row in rows]))
    for row in rows:
        other = lies.get(row["id"])
        if other is not None and other != parcel_id:
            why = f"{code(row)} lies in parcel {other}. Hand that over, or take it out there first."
            raise BadFields({"copy": why})
    if parcel_id is not None:
        inside = set(lying(db, parcels.c.id == parcel_id))
        if inside != {row["id"] for row in rows}:
            raise AlreadyMoved(f"What lies in parcel {parcel_id} has changed. Look again.")


def _check_sealed(db: Connection, parcel_id: int, rows: Sequence[RowMapping]) -> None:
    """It was closed, and says where it goes. Raises AlreadyMoved and BadFields."""
    row = db.execute(select(parcels).where(parcels.c.id == parcel_id)).mappings().one()
    if row["sealed_at"] is None:
        raise BadFields({"parcel": f"Parcel {parcel_id} is not sealed yet. Seal it first."})
    c = packed_pieces.c
    put = select(c.copy_id).where(c.parcel_id == parcel_id, c.out_at.is_(None))
    if set(db.execute(put).scalars()) - {copy["id"] for copy in rows}:
        why = f"Something of parcel {parcel_id} went back to a bench. Open it again and look."
        raise BadFields({"parcel": why})
    if row["ship_to"] != address(rows[0]):
        why = (
            f"The address changed after parcel {parcel_id} was sealed. Open it again, check its "
            "label, then seal it."
        )
        raise BadFields({"parcel": why})


def parcel_of(db: Connection, copy_id: int) -> int | None:
    """The parcel that a copy is in, or None."""
    found: int | None = db.execute(
        select(copies.c.parcel_id).where(copies.c.id == copy_id)
    ).scalar()
    return found


def goes_to(row: RowMapping) -> tuple[int, str]:
    """What two copies that may share a parcel have in common: the customer and the address.

    Line breaks, capitals and spaces make no other address.
    """
    return row["customer_id"], " ".join(fold(address(row)).split())


def check_together(rows: Sequence[RowMapping]) -> None:
    """A parcel goes to one address. Raises BadFields."""
    first = rows[0]
    for row in rows[1:]:
        if goes_to(row) != goes_to(first):
            why = f"{code(row)} goes to a different address from {code(first)}. Make two parcels."
            raise BadFields({"copy": why})


def address(row: RowMapping) -> str:
    """Where a copy goes, as it is written on a parcel."""
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
