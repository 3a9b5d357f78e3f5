"""Carriers' numbers on parcels: asked about where one is doubtful, put right, and exchanged where
two parcels were given each other's. Each public function that writes is one transaction."""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from sqlalchemy import Connection, insert, select, update
from sqlalchemy.engine import RowMapping

from app.flow.store import mark_stale
from app.moving.parcels import keep_usual_days
from app.moving.rules import clean_number, number_key
from app.orders.facts.overdue import kept, on_the_way
from app.parcels import rules, store
from app.shared.calendar import DAY
from app.shared.carriers import named
from app.shared.errors import AlreadyMoved, BadFields
from app.shared.people import Person
from app.shared.text import fold, whole_number
from app.shared.web import words
from app.shared.web.fields import Fields, Line, Tick
from app.studio.workshop import Workshop
from app.tables import changes, copies, news, parcels

KEEP = "Tick “Keep it like this” to leave it so."


class NumberFields(Fields):
    """A parcel's carrier and number as typed; `sure` answers what is asked about them."""

    carrier: Line
    number: Line
    sure: Tick


class SwapFields(Fields):
    """Two parcels that are to exchange carrier and number: what this page showed of the one, and
    the id and the number of the other."""

    seen: Line
    other: Line


class Typed(Protocol):
    """Carrier and number as some form has them, and whether they are to be kept as they are."""

    @property
    def carrier(self) -> str:
        """The carrier's name."""

    @property
    def number(self) -> str:
        """The number, as typed."""

    @property
    def sure(self) -> bool:
        """Whether somebody has said yes to what is asked."""


def ask_first(workshop: Workshop, db: Connection, typed: Typed, but: Collection[int]) -> None:
    """Ask once about a number that is missing, or stands on another parcel (`but` are those that it
    may stand on). Raises BadFields, at `number`."""
    if not typed.sure and (why := doubt(workshop, db, typed, but)):
        raise BadFields({"number": why})


def doubt(workshop: Workshop, db: Connection, typed: Typed, but: Collection[int]) -> str:
    """What has to be asked about a number before it is kept: it is missing, or stands on another
    parcel of the same carrier (`but` are those that it may stand on); empty where nothing has."""
    number, now = clean_number(typed.number), workshop.now()
    if not number:
        return f"Without a number nobody can follow the parcel. Type it. {KEEP}"
    query = select(parcels.c.id, parcels.c.carrier, parcels.c.number, parcels.c.sent_at).where(
        parcels.c.number_key == number_key(number),
        parcels.c.taken_back_at.is_(None),
        parcels.c.id.not_in(list(but)),
    )
    for row in db.execute(query.order_by(parcels.c.id.desc())):
        sent = now if row.sent_at is None else row.sent_at
        same = fold(row.carrier) == fold(typed.carrier)
        if same and rules.counts_as_used(number, now, sent):
            in_force = workshop.in_force()
            when = words.when(sent, now, in_force.settings.zone_info())
            return f"Parcel {row.id} ({when}) has this number already. Check both. {KEEP}"
    return ""


def change(workshop: Workshop, parcel_id: int, typed: NumberFields, who: Person) -> None:
    """Put a parcel's carrier and number right; the pages follow.

    Raises BadFields where the carrier of a parcel that went with one is not named, or something
    has to be asked first; NotFound.
    """
    with workshop.database.writing() as db:
        row, inside = store.parcel(db, parcel_id)
        if row["way"] == "carrier" and not typed.carrier:
            raise BadFields({"carrier": "Which carrier?"})
        if row["way"] == "carrier":
            ask_first(workshop, db, typed, [parcel_id])
        _put_right(db, workshop, row, inside, typed.carrier, typed.number, who)
    workshop.changed.set()


def swap(workshop: Workshop, parcel_id: int, typed: SwapFields, who: Person) -> int:
    """Two parcels exchange carrier and number, in one act; gives the other's id.

    Raises BadFields where there is nothing to exchange, AlreadyMoved where one has another number
    than the page showed; NotFound.
    """
    id_, _, shown = typed.other.partition(":")
    other_id = whole_number(id_)
    if other_id is None:
        raise BadFields({"other": "Which parcel has this one’s number?"})
    with workshop.database.writing() as db:
        row, inside = store.parcel(db, parcel_id)
        other, others = store.parcel(db, other_id)
        if (row["number"], other["number"]) != (typed.seen, shown):
            raise AlreadyMoved("The numbers have been changed since. Look at both parcels again.")
        if not (_went(row) and _went(other)) or row["id"] == other["id"]:
            raise BadFields({"other": "Choose another parcel that went with a carrier."})
        if (fold(row["carrier"]), row["number"]) == (fold(other["carrier"]), other["number"]):
            raise BadFields({"other": "Both have the same number. Change one of them."})
        _put_right(db, workshop, row, inside, other["carrier"], other["number"], who)
        _put_right(db, workshop, other, others, row["carrier"], row["number"], who)
    workshop.changed.set()
    return other_id


def _went(row: Mapping[Any, Any]) -> bool:
    gone = row["sent_at"] is not None and row["taken_back_at"] is None
    return row["way"] == "carrier" and gone


def _put_right(
    db: Connection, workshop: Workshop, row: RowMapping, inside: Sequence[RowMapping],
    carrier: str, number: str, who: Person,
) -> None:  # fmt: skip
    now = workshop.now()
    clean = clean_number(number)
    if (row["carrier"], row["number"]) == (carrier, clean):
        return
    order_ids = {copy["order_id"] for copy in inside}
    told = select(news.c.id).where(
        news.c.order_id.in_(order_ids), news.c.kind == "handed_over", news.c.round == row["id"],
        news.c.told_at.is_not(None), news.c.taken_back_at.is_(None),
    )  # fmt: skip
    # Where no letter has named the old number, the one that goes yet names the right one.
    named_before = db.execute(told.limit(1)).first() is not None
    db.execute(
        update(parcels)
        .where(parcels.c.id == row["id"])
        .values(
            carrier=carrier, number=clean, number_key=number_key(clean),
            corrected_at=now if named_before else row["corrected_at"],
        )
    )  # fmt: skip
    if fold(carrier) != fold(row["carrier"]):
        keep_usual_days(db, row["id"], workshop.in_force())
    for order_id in order_ids:
        db.execute(
            insert(changes).values(
                at=now, account_id=who.account_id, of="parcels", of_id=row["id"],
                order_id=order_id, field="number", before=f"{row['carrier']} {row['number']}",
                after=f"{carrier} {clean}",
            )
        )  # fmt: skip
    mark_stale(db, order_ids)


@dataclass(frozen=True, slots=True)
class Other:
    """A parcel with which another may have exchanged its number."""

    id: int
    number: str
    to: str


MOST_OTHERS = 60


def others(db: Connection, row: RowMapping, since: int) -> list[Other]:
    """The parcels that left with a carrier since a moment, the newest first, but for one."""
    query = (
        select(parcels.c.id, parcels.c.number, parcels.c.ship_to)
        .where(
            parcels.c.way == "carrier", parcels.c.sent_at >= since,
            parcels.c.taken_back_at.is_(None), parcels.c.id != row["id"],
            select(copies.c.id).where(copies.c.parcel_id == parcels.c.id).exists(),
        )
        .order_by(parcels.c.sent_at.desc(), parcels.c.id.desc())
        .limit(MOST_OTHERS)
    )  # fmt: skip
    return [Other(one.id, one.number, one.ship_to.partition("\n")[0]) for one in db.execute(query)]


def warning(workshop: Workshop, carrier: str, number: str) -> str:
    """A word where a number looks mistyped for a carrier of the list, or for any."""
    known = named(workshop.in_force().carriers, carrier)
    return rules.number_warning(number, known.number_form if known is not None else "none")


# Labels that were mixed up are noticed while the parcels are on their way, or soon after.
OTHERS_FOR = 30 * DAY
ToWrite = Callable[[Connection, int, int], Iterable[Any]]


def on_its_page(
    workshop: Workshop, db: Connection, row: RowMapping, inside: Sequence[RowMapping],
    to_write: ToWrite,
) -> dict[str, Any]:  # fmt: skip
    """What the page of a parcel that has left says of its way: usual days, others with which it may
    have been mixed up, and whom a corrected number has to be told. `to_write` gives, of an order,
    what its customer has had no letter about."""
    in_force, now = workshop.in_force(), workshop.now()
    today = in_force.calendar.day_of(now)
    by_carrier = row["way"] == "carrier" and row["sent_at"] is not None and inside
    if not by_carrier or row["taken_back_at"] is not None:
        return {"way": None, "today": today}
    country = inside[0]["ship_country"]
    way = on_the_way(
        row["carrier"], row["number"], row["sent_at"], country, in_force,
        kept(row["usual_first"], row["usual_last"]),
    )  # fmt: skip
    here = {copy["order_id"]: copy["order_number"] for copy in inside}
    write = [
        (number, one)
        for order, number in sorted(here.items())
        if row["corrected_at"] is not None
        for one in to_write(db, order, now)
        if (one.kind, one.act) == ("number_corrected", row["corrected_at"])
    ]
    return {
        "way": way,
        "overdue": way.is_overdue(today),
        "others": others(db, row, now - OTHERS_FOR),
        "write": write,
        "today": today,
    }
