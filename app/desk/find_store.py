"""The finding index, kept in memory and topped up from what was written since."""

import threading
from collections.abc import Iterable
from dataclasses import dataclass, field

from sqlalchemy import Connection, bindparam, text

from app.desk.finding import Index, IndexedOrder, key_of
from app.flow.steps import piece_code
from app.shared.database import Database
from app.shared.text import fold

_ORDERS = """
SELECT o.id, o.number, o.open, o.shop_reference, o.ship_name, c.name, c.also_known_as, c.phone,
  c.phone_digits,
  (SELECT group_concat(m.mail_key, ' ') FROM customer_mails m WHERE m.customer_id = c.id) AS mails,
  (SELECT group_concat(oa.letter || ':' || a.name, char(10)) FROM order_animals oa
    JOIN animals a ON a.id = oa.animal_id WHERE oa.order_id = o.id) AS animals,
  (SELECT group_concat(k.letter || k.number, ' ') FROM copies k WHERE k.order_id = o.id) AS copies,
  (SELECT group_concat(DISTINCT p.number_key) FROM copies k JOIN parcels p ON p.id = k.parcel_id
    WHERE k.order_id = o.id) AS parcels,
  (SELECT group_concat(b.kind || ' ' || b.what || ' ' || b.shelf, ' ') FROM belongings b
    WHERE b.order_id = o.id AND b.returned_at IS NULL AND b.gone_at IS NULL) AS lent
FROM orders o JOIN customers c ON c.id = o.customer_id
"""
_ALL = text(_ORDERS)
_SOME = text(f"{_ORDERS} WHERE o.id IN :ids").bindparams(bindparam("ids", expanding=True))
_NOW = text(
    "SELECT (SELECT version FROM house), (SELECT coalesce(max(id), 0) FROM orders),"
    " (SELECT coalesce(max(id), 0) FROM changes),"
    " (SELECT coalesce(max(id), 0) FROM customer_mails),"
    " (SELECT coalesce(max(id), 0) FROM parcels), (SELECT coalesce(max(id), 0) FROM copies)"
)
_TOUCHED = text(
    """
SELECT id FROM orders WHERE id > :orders
UNION SELECT order_id FROM belongings WHERE parcel_id > :parcels
UNION SELECT order_id FROM copies WHERE id > :copies OR parcel_id > :parcels
UNION SELECT order_id FROM changes WHERE id > :changes AND order_id IS NOT NULL
UNION SELECT o.id FROM changes c JOIN orders o ON o.customer_id = c.of_id
  WHERE c.id > :changes AND c.of = 'customers'
UNION SELECT oa.order_id FROM changes c JOIN order_animals oa ON oa.animal_id = c.of_id
  WHERE c.id > :changes AND c.of = 'animals'
UNION SELECT o.id FROM customer_mails m JOIN orders o ON o.customer_id = m.customer_id
  WHERE m.id > :mails
"""
)
_CLOSED = text("SELECT id FROM orders WHERE open = 0 AND id IN :ids").bindparams(
    bindparam("ids", expanding=True)
)


@dataclass
class Finder:
    """Keeps an index in step with a database. Safe to be asked by several threads."""

    database: Database
    index: Index = field(default_factory=Index)
    _seen: dict[str, int] = field(default_factory=dict)
    _turn: threading.Lock = field(default_factory=threading.Lock)

    def up_to_date(self) -> Index:
        """The index as of now: whatever was written since the last search is taken in."""
        with self._turn, self.database.reading() as db:
            names = ("version", "orders", "changes", "mails", "parcels", "copies")
            now = dict(zip(names, db.execute(_NOW).one(), strict=True))
            if not self._seen:
                self.index.put(_entries(db.execute(_ALL)))
            elif now["version"] != self._seen["version"]:
                self.index.put(self._since(db))
            self._seen = now
            return self.index

    def _since(self, db: Connection) -> list[IndexedOrder]:
        seen = {name: value for name, value in self._seen.items() if name != "version"}
        touched = set(db.execute(_TOUCHED, seen).scalars())
        # An order that has come to its end goes behind the open ones.
        were_open = [entry.order_id for entry in self.index.entries.values() if entry.open]
        touched |= set(db.execute(_CLOSED, {"ids": were_open}).scalars())
        if not touched:
            return []
        return list(_entries(db.execute(_SOME, {"ids": sorted(touched)})))


def _entries(rows: Iterable[object]) -> Iterable[IndexedOrder]:
    for row in rows:
        yield _entry(row)


def _entry(row: object) -> IndexedOrder:
    value = {name: getattr(row, name) or "" for name in getattr(row, "_fields", ())}
    number = int(value["number"])
    beasts = [line.partition(":") for line in str(value["animals"]).split("\n") if line]
    mails = str(value["mails"]).split()
    codes = [piece_code(number, letter.lower()) for letter, _, _ in beasts]
    codes += [piece_code(number, copy.lower()) for copy in str(value["copies"]).split()]
    tracking = [part.casefold() for part in str(value["parcels"]).split(",") if part]
    digits = str(value["phone_digits"])
    exact = {f"#{number}", *mails, *codes, *tracking}
    if value["shop_reference"]:
        exact.add(key_of(str(value["shop_reference"])))
    if len(digits) > 6:
        exact.add(f"tel{digits[-7:]}")
    people = fold(f"{value['name']} {value['also_known_as']}")
    names = [name for _, _, name in beasts]
    parts = (
        number, people, fold(" ".join(names)), *mails, value["shop_reference"], digits,
        value["phone"], *codes, *tracking, value["ship_name"], value["lent"],
    )  # fmt: skip
    return IndexedOrder(
        order_id=int(value["id"]),
        number=number,
        open=bool(value["open"]),
        text=fold(" ".join(str(part) for part in parts if part)),
        exact=frozenset(exact),
        customer=frozenset(word for word in people.split() if len(word) > 2),
        animals=frozenset(word for word in fold(" ".join(names)).split() if len(word) > 2),
    )
