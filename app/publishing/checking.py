"""Comparing the pages file with the log, for the audit. Nothing is written and nothing is held."""

import time
from dataclasses import replace
from pathlib import Path

from sqlalchemy import select

from app.letters.forming import teller_of
from app.orders.facts import ranges
from app.orders.facts.gather import facts_of_many
from app.orders.facts.order import OrderFacts, has_range
from app.publishing.beside import Beside, beside_pages
from app.publishing.pages_file import PageRow, read_all
from app.publishing.worker import AT_ONCE, LiveLink, live_links
from app.shared.differences import Difference, Reading
from app.status.rendering import page_html
from app.status.wording import Teller, document
from app.studio.workshop import InForce
from app.tables import status_pages

_A_MOMENT = 0.5
_IN_STEP = select(status_pages.c.order_id).where(status_pages.c.wanted <= status_pages.c.written)


def check_pages(
    reading: Reading, pages_path: Path, in_force: InForce, now: int
) -> tuple[int, list[Difference]]:
    """Recompute each page that is not stale; gives how many were compared, and what differs, by
    order: a link or a text.

    A page is recomputed for the moment at which it was written. What differs is looked at again
    after half a second: a server beside us may have been writing it.
    """
    count, found = _compare(reading, pages_path, in_force, now, None)
    if found:
        time.sleep(_A_MOMENT)
        suspects = {difference.id for difference in found}
        _, found = _compare(reading, pages_path, in_force, now, suspects)
    return count, found


def _compare(
    reading: Reading, pages_path: Path, in_force: InForce, now: int, only: set[int] | None
) -> tuple[int, list[Difference]]:
    in_file: dict[int, dict[str, PageRow]] = {}
    for row in read_all(pages_path):
        if row.lapses_at is None or row.lapses_at > now:
            in_file.setdefault(row.order_id, {})[row.token_hash] = row
    count, found = 0, list[Difference]()
    teller = teller_of(in_force)
    with reading() as db:
        ids = [id_ for id_ in db.execute(_IN_STEP).scalars() if only is None or id_ in only]
        for start in range(0, len(ids), AT_ONCE):
            part = ids[start : start + AT_ONCE]
            links = live_links(db, part, in_force, now)
            known = [id_ for id_ in part if id_ in links and id_ in in_file]
            facts = facts_of_many(db, known, in_force, now)
            pictures = beside_pages(db, facts.values(), in_force)
            for id_ in part:
                rows = in_file.get(id_, {})
                count += len(rows)
                found.extend(_links(id_, links.get(id_, []), rows))
                if id_ in facts and rows:
                    found.extend(_texts(facts[id_], rows, teller, pictures.get(id_, Beside())))
    return count, found


def _links(order_id: int, links: list[LiveLink], rows: dict[str, PageRow]) -> list[Difference]:
    wanted = {link.token_hash for link in links}
    missing = Difference("page", order_id, "link", "no page", "a link that opens one")
    extra = Difference("page", order_id, "link", "a page", "no link that opens one")
    return [missing] * len(wanted - rows.keys()) + [extra] * len(rows.keys() - wanted)


def _texts(
    facts: OrderFacts, rows: dict[str, PageRow], teller: Teller, beside: Beside
) -> list[Difference]:
    """The pages of an order against its facts. The range is the one that was told."""
    if has_range(facts):
        facts = replace(facts, shown=ranges.as_told(facts.told))
    found: list[Difference] = []
    for row in rows.values():
        expected = page_html(document(facts, teller, row.written_at, beside.shown, beside.own))
        if row.html != expected:
            here, there = row.html.decode().splitlines(), expected.decode().splitlines()
            one = next((line for line in here if line not in there), "(another order of lines)")
            other = next((line for line in there if line not in here), "(another order of lines)")
            found.append(Difference("page", facts.id, "text", one, other))
    return found
