"""Parcels that should be there by now: past the last of their carrier's usual days, nobody having
said that they arrived."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Connection, text

from app.shared.carriers import named
from app.studio.workshop import InForce

_OUT = text(
    "SELECT p.id, p.carrier, p.number, p.sent_at, p.usual_first, p.usual_last,"
    " count(*) AS pieces, min(o.number) AS number_of,"
    " min(o.ship_country) AS country, min(c.name) AS customer, min(c.phone) AS phone,"
    " max(o.gift) AS gift"
    " FROM parcels p JOIN copies k ON k.parcel_id = p.id JOIN orders o ON o.id = k.order_id"
    " JOIN customers c ON c.id = o.customer_id"
    " WHERE p.way = 'carrier' AND p.taken_back_at IS NULL AND k.step = 'handed_over' AND k.open = 1"
    " GROUP BY p.id ORDER BY p.sent_at, p.id"
)


@dataclass(frozen=True, slots=True)
class OnTheWay:
    """A parcel with a carrier of the list: the first and the last day on which it usually is there
    (None where not known), where it is followed, and the last day for a claim."""

    usual: tuple[date, date] | None
    link: str
    claim_by: date | None
    texts: bool

    def is_overdue(self, today: date) -> bool:
        """Whether the last of its usual days has passed."""
        return self.usual is not None and self.usual[1] < today


Usual = tuple[date, date]


def kept(first: str | None, last: str | None) -> Usual | None:
    """The usual days of a parcel as they were when it left (ISO); None where none were known."""
    return (date.fromisoformat(first), date.fromisoformat(last)) if first and last else None


def on_the_way(
    carrier: str, number: str, sent: int, country: str, in_force: InForce, told: Usual | None
) -> OnTheWay:
    """What the list of carriers says of a parcel that left at a moment (UTC seconds). The days
    `told` when it left stand, whatever the list says since."""
    known = named(in_force.carriers, carrier)
    if known is None:
        return OnTheWay(told, "", None, texts=False)
    left = in_force.calendar.day_of(sent)
    return OnTheWay(
        told or known.arrives(left, country, in_force.settings.country),
        known.link(number),
        known.claim_by(left),
        known.texts,
    )


@dataclass(frozen=True, slots=True)
class OverdueParcel:
    """A parcel that should be there: its row, and what is known of its way."""

    row: Mapping[Any, Any]
    way: OnTheWay


def overdue(db: Connection, in_force: InForce, now: int) -> list[OverdueParcel]:
    """The parcels that should be there by now, the longest on their way first."""
    today = in_force.calendar.day_of(now)
    found = []
    for row in db.execute(_OUT).mappings():
        told = kept(row["usual_first"], row["usual_last"])
        way = on_the_way(
            row["carrier"], row["number"], row["sent_at"], row["country"], in_force, told
        )
        if way.is_overdue(today):
            found.append(OverdueParcel(row, way))
    return found
