"""What a parcel's papers say: address label, packing slip, customs notes. Never a price."""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, select
from sqlalchemy.engine import RowMapping

from app.flow.after import belongings as lent
from app.moving.parcels import address, code
from app.orders.order.view import copy_facts
from app.parcels import store
from app.shared.countries import COUNTRIES, code_of, on_label
from app.shared.text import fold
from app.studio.rules import StudioSettings
from app.tables import belongings, orders


@dataclass(frozen=True, slots=True)
class Papers:
    """A parcel on paper.

    `to` and `back` are lines of an address, the country last and in capitals where it is another.
    `phone` is for the carrier. `orders` are what lies in it by order, in words, `customs` a line
    for each piece; `made_in` is empty where the studio has not said.
    """

    parcel: RowMapping
    gift: bool
    abroad: bool
    to: tuple[str, ...]
    back: tuple[str, ...]
    phone: str
    orders: tuple[tuple[int, tuple[str, ...]], ...]
    customs: tuple[str, ...]
    made_in: str


def papers(db: Connection, parcel_id: int, settings: StudioSettings) -> Papers:
    """A parcel's papers. Raises NotFound."""
    parcel, inside = store.parcel(db, parcel_id)
    gift = any(copy["gift"] for copy in inside)
    country = inside[0]["ship_country"] if inside else ""
    home = code_of(settings.country)
    abroad = bool(country.strip()) and (home is None or code_of(country) != home)
    phones = select(orders.c.ship_phone).where(orders.c.id.in_({c["order_id"] for c in inside}))
    phone = next((p for p in db.execute(phones.order_by(orders.c.id)).scalars() if p), "")
    returned = tuple(db.execute(lent.NAMED.where(belongings.c.parcel_id == parcel_id)).mappings())
    return Papers(
        parcel=parcel,
        gift=gift,
        abroad=abroad,
        to=_to(parcel, inside, abroad=abroad),
        back=_back(settings, gift=gift, abroad=abroad),
        # Who is given a present is not to hear of it from a carrier.
        phone="" if gift else phone,
        orders=tuple(_by_order(inside, returned)),
        customs=tuple(customs_line(copy, settings.customs_words) for copy in inside),
        made_in=f"{COUNTRIES[home]} ({home})" if home else "",
    )


def _to(parcel: RowMapping, inside: Sequence[RowMapping], *, abroad: bool) -> tuple[str, ...]:
    """The customer's own lines in their order, the postcode where they do not have it already.

    What has left keeps the address it left under, whatever the order says now.
    """
    first = inside[0] if inside else None
    if first is None or address(first) != parcel["ship_to"]:
        return tuple(filter(None, parcel["ship_to"].split("\n")))
    lines = [first["ship_name"] or first["customer"], *first["ship_lines"].split("\n")]
    postcode = first["ship_postcode"]
    if postcode and fold(postcode) not in fold(first["ship_lines"]):
        lines.append(postcode)
    if abroad:
        lines.append(on_label(first["ship_country"]))
    return tuple(filter(None, map(str.strip, lines)))


def _back(settings: StudioSettings, *, gift: bool, abroad: bool) -> tuple[str, ...]:
    """Where it comes back to. On a present the workshop's name would tell what is inside."""
    lines = [] if gift else [settings.name]
    lines += settings.return_address.split("\n")
    if abroad and settings.country:
        lines.append(on_label(settings.country))
    return tuple(filter(None, map(str.strip, lines)))


def _by_order(
    inside: Sequence[RowMapping], returned: Sequence[RowMapping]
) -> list[tuple[int, tuple[str, ...]]]:
    found: dict[int, list[str]] = {}
    for copy in sorted(inside, key=lambda one: (one["order_number"], code(one))):
        line = f"{copy['animal']}: {copy_facts(copy)}"
        found.setdefault(copy["order_number"], []).append(line)
    numbers = {copy["order_id"]: copy["order_number"] for copy in inside}
    for one in returned:
        if one["order_id"] in numbers:
            found[numbers[one["order_id"]]].append(f"Yours, with thanks: {lent.named(one)}")
    return [(number, tuple(lines)) for number, lines in found.items()]


def customs_line(copy: RowMapping, made: str) -> str:
    """What a piece is, for customs: "hand-painted resin figure of a horse, 80 mm, base: oak"."""
    kind = copy["kind"]
    of = f" of {'an' if kind[:1].lower() in 'aeiou' else 'a'} {kind}" if kind else ""
    size = f", {copy['size_mm']} mm" if copy["size_mm"] else ""
    base = f", base: {copy['base']}" if copy["base"] and copy["base"] != "none" else ""
    return f"{made}{of}{size}{base}"
