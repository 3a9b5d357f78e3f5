"""What has to hold of a studio after any cut: compared with what its clients were told.

I1  what was acknowledged is there, exactly once, by its one-time key
I2  what is there was asked for, and no piece's log has a gap
I3  every cached step is what its log gives; pages are what their order gives
I4  every entry that is news has its row of news, once; no news without its entry
I8  the file is whole: integrity_check, foreign_key_check
(I2, I3 and I8 by the audit; I9, how soon it starts again, and I10, the backup, by the caller.)
"""

from collections import Counter
from dataclasses import dataclass, field

from sqlalchemy import Connection, text

from app.flow import store
from app.flow.actions import orders_touched
from app.flow.news import news_of
from app.flow.rules import fold
from app.flow.steps import Of
from app.flow.store import Ref
from app.publishing.checking import check_pages
from app.shared import clock
from app.shared.database import Database
from app.shared.places import DataFolder
from app.upkeep.audit import audit

_ACTS = """
SELECT once, count(DISTINCT act) AS acts FROM (
  SELECT once, act FROM transitions WHERE once IS NOT NULL
  UNION ALL SELECT once, -id FROM orders WHERE once IS NOT NULL
) GROUP BY once
"""


@dataclass
class Told:
    """What clients asked for and what they were told, by one-time key."""

    asked: dict[str, str] = field(default_factory=dict)
    acknowledged: dict[str, str] = field(default_factory=dict)


def acts_of(folder: DataFolder) -> Counter[str]:
    """How many acts are there for each one-time key."""
    database = Database(folder.database_file)
    with database.reading() as db:
        found = Counter({row.once: row.acts for row in db.execute(text(_ACTS))})
    database.close()
    return found


def broken(folder: DataFolder, told: Told, *, pages: bool = True) -> list[str]:
    """Every way in which the studio is not what it has to be. No server runs on it meanwhile."""
    found: list[str] = []
    acts = acts_of(folder)
    for once, what in told.acknowledged.items():
        if acts[once] != 1:
            found.append(f"I1: acknowledged {what} {once} is there {acts[once]} times")
    for once, count in acts.items():
        if once not in told.asked:
            found.append(f"I2: nobody asked for {once}")
        elif count != 1:
            found.append(f"I1: {told.asked[once]} {once} is there {count} times")
    result = audit(folder, clock.now(), check_pages if pages else None)
    found += [f"audit: {difference}" for difference in result.differences]
    database = Database(folder.database_file)
    with database.reading() as db:
        found += _news(db)
    database.close()
    return found


def _news(db: Connection) -> list[str]:
    expected = set()
    kinds = set()
    for of, table in ((Of.MODEL, "models"), (Of.COPY, "copies")):
        for id_ in list(db.execute(text(f"SELECT id FROM {table}")).scalars()):
            ref = Ref(of, id_)
            log = store.log_of(db, ref)
            for place, entry in enumerate(log, 1):
                item = news_of(entry, fold(of, log[:place]))
                if item is None:
                    continue
                kinds.add(item.kind)
                for order_id, letter in orders_touched(db, store.load(db, ref)):
                    own = letter if item.per_animal else ""
                    expected.add((order_id, own, item.kind, item.round))
    rows = [
        tuple(row) for row in db.execute(text("SELECT order_id, letter, kind, round FROM news"))
    ]
    there = {row for row in rows if row[2] in kinds}
    orders = set(db.execute(text("SELECT id FROM orders WHERE once IS NOT NULL")).scalars())
    told_in = {row[0] for row in rows if row[2] == "order_in"}
    return [
        *(f"I4: twice the same news {row}" for row, n in Counter(rows).items() if n > 1),
        *(f"I4: no news of {row}" for row in expected - there),
        *(f"I4: news of nothing {row}" for row in there - expected),
        *(f"I4: order {order_id} without its news" for order_id in orders - told_in),
        *(f"I4: news of no order {order_id}" for order_id in told_in - orders),
    ]
