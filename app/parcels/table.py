"""Today's table: what is packed today, by address and order, not by piece."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from sqlalchemy import Connection
from sqlalchemy.engine import RowMapping

from app.flow.questions import IN_PARTS
from app.flow.steps import STEPS, Step
from app.moving.parcels import address, goes_to
from app.parcels import store
from app.parcels.rules import REST, may_ask_in_parts, ready
from app.parcels.store import Packed
from app.shared.calendar import DAY


@dataclass(slots=True)
class OnTable:
    """An order at an address: its pieces at packing, and the rest that it waits for.

    `waits` are days since the first of it was ready, None where nothing waits; `asked_at` is when
    the customer was asked whether it may go in parts, `may_ask` that it is time to.
    """

    row: RowMapping
    pieces: list[Packed] = field(default_factory=list)
    making: Sequence[tuple[str, str]] = ()
    waits: int | None = None
    asked_at: int | None = None
    may_ask: bool = False


@dataclass(slots=True)
class Address:
    """One address of one customer: its orders, and the parcels for it that are here."""

    row: RowMapping
    orders: list[OnTable] = field(default_factory=list)
    parcels: list[RowMapping] = field(default_factory=list)

    @property
    def lines(self) -> list[str]:
        """The address as it is written on a parcel."""
        return address(self.row).split("\n")

    @property
    def loose(self) -> list[Packed]:
        """What lies in no parcel yet."""
        return [p for order in self.orders for p in order.pieces if p.parcel_id is None]

    @property
    def ready(self) -> list[Packed]:
        """What can be packed now, to leave with the next courier."""
        return [piece for piece in self.loose if ready(piece.stops)]


@dataclass(frozen=True, slots=True)
class PackingTable:
    """The whole table: by address, what can be packed now first, and parcels with nothing in."""

    addresses: Sequence[Address]
    empty: Sequence[RowMapping]
    pieces: int
    sealed: int


def today(db: Connection, now: int, ask_after_days: int) -> PackingTable:
    """Everything at packing and every parcel that has not left."""
    packed = store.packed(db, now)
    rest = store.rest(db, {piece.row["order_id"] for piece in packed}, IN_PARTS)
    found: dict[tuple[int, str], Address] = {}
    by_order: dict[int, OnTable] = {}
    for piece in packed:
        order_id = piece.row["order_id"]
        if order_id not in by_order:
            at = found.setdefault(goes_to(piece.row), Address(piece.row))
            by_order[order_id] = OnTable(piece.row)
            at.orders.append(by_order[order_id])
        by_order[order_id].pieces.append(piece)
    for order_id, order in by_order.items():
        _add_rest(order, rest[order_id], now, ask_after_days)
    empty = _put_parcels(store.here(db), found)
    sealed = sum(row["sealed_at"] is not None for at in found.values() for row in at.parcels)
    shown = sorted(found.values(), key=lambda at: not (at.ready or at.parcels))
    return PackingTable(shown, empty, len(packed), sealed)


def _add_rest(order: OnTable, rest: store.Rest, now: int, ask_after_days: int) -> None:
    waiting = [p for p in order.pieces if any(stop.code == REST for stop in p.stops)]
    order.making = [(code, STEPS[Step(step)].name) for code, step in rest.making]
    if not waiting:
        return
    order.waits = (now - min(piece.row["entered_at"] for piece in waiting)) // DAY
    order.asked_at = rest.asked_at
    order.may_ask = may_ask_in_parts(order.waits, ask_after_days, rest.asked_at)


def _put_parcels(
    here: Sequence[RowMapping], found: Mapping[tuple[int, str], Address]
) -> list[RowMapping]:
    """Each parcel to the address of what lies in it; gives those that nothing lies in."""
    where = {piece.parcel_id: at for at in found.values() for o in at.orders for piece in o.pieces}
    for row in here:
        if row["id"] in where:
            where[row["id"]].parcels.append(row)
    return [row for row in here if row["id"] not in where]
