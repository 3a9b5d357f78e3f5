"""The worker that keeps the pages file in step with the house.

What marks a page stale stands in the staff's database, in the transaction of the change itself.
From there each rewrite goes three ways in order, and may stop between any two of them: what is
told is kept, the pages are written, the order is marked as written. Done again it does the same.
"""

import logging
import sqlite3
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection, bindparam, text
from sqlalchemy.exc import SQLAlchemyError

from app.orders import ranges, tellings
from app.orders.facts import facts_of_many
from app.orders.order_facts import OrderFacts
from app.orders.ranges import Decision
from app.publishing.pages_file import PageRow, PagesFile
from app.status.document import Contact, to_json
from app.status.wording import Teller, document
from app.studio.workshop import Studio, Workshop

AT_ONCE = 250
LOOK_EVERY = 2.0
DUE_EVERY = 60
_log = logging.getLogger(__name__)

_STALE = text(
    "SELECT s.order_id, s.wanted FROM status_pages s"
    " WHERE s.wanted > s.written AND s.order_id > :after ORDER BY s.order_id LIMIT :most"
)
_WANTED = text("SELECT order_id, wanted FROM status_pages WHERE order_id IN :ids").bindparams(
    bindparam("ids", expanding=True)
)
# An order's end is the last thing that happened to a piece of it; links lapse from there.
_LINKS = text(
    "SELECT l.order_id, l.token_hash, l.lapses_at, CASE WHEN o.open = 0 THEN"
    " (SELECT max(last_at) FROM (SELECT last_at FROM copies WHERE order_id = o.id"
    " UNION ALL SELECT last_at FROM models WHERE order_id = o.id)) END AS ended_at"
    " FROM status_links l JOIN orders o ON o.id = l.order_id"
    " WHERE l.order_id IN :ids AND l.revoked_at IS NULL"
).bindparams(bindparam("ids", expanding=True))
_WRITTEN = text(
    "UPDATE status_pages SET written = max(written, :wanted), written_at = :now"
    " WHERE order_id = :order_id"
)
_ALL_AGAIN = text("UPDATE status_pages SET wanted = wanted + 1")
# What changes a page's words with no change of the order: a build that ran past its end, a range
# that was computed again, and one that was waited for in vain.
_CHANGED_BY_ITSELF = text(
    "SELECT oa.order_id FROM models m JOIN order_animals oa ON oa.model_id = m.id"
    " JOIN status_pages s ON s.order_id = oa.order_id"
    " WHERE m.open = 1 AND m.step = 'building' AND m.build_ends_at <= :now"
    " AND m.build_ends_at > s.written_at"
    " UNION SELECT f.order_id FROM forecasts f JOIN orders o ON o.id = f.order_id"
    " JOIN status_pages s ON s.order_id = f.order_id"
    " WHERE o.open = 1 AND (f.stale = 0 AND f.computed_at >= s.written_at"
    " OR f.stale = 1 AND f.points <> '{}' AND s.written_at <= :waited)"
)


@dataclass(frozen=True, slots=True)
class Link:
    """A link that opens a page, until `lapses_at` where it is set."""

    token_hash: str
    lapses_at: int | None


@dataclass(frozen=True, slots=True)
class _Told:
    """An order as its page will show it, and what of it has to be kept."""

    facts: OrderFacts
    decision: Decision


def rewrite_stale(shop: Workshop, pages: PagesFile | None = None) -> int:
    """Write every page that lags behind; gives how many orders were brought up to date.

    Opens the studio's pages file for itself where none is given.
    """
    written, after = 0, 0
    with _opened(shop, pages) as file:
        while True:
            with shop.house.reading() as db:
                rows = db.execute(_STALE, {"after": after, "most": AT_ONCE}).all()
            if not rows:
                return written
            written += _rewrite(shop, file, {row.order_id: row.wanted for row in rows})
            after = rows[-1].order_id


def rewrite_due(shop: Workshop, now: int, pages: PagesFile | None = None) -> int:
    """Write the pages whose words have changed with the day, and let lapsed ones go.

    Every page is written once a day: ranges, weekdays and "as of" move on with it.
    """
    calendar = shop.studio().calendar
    written = 0
    with _opened(shop, pages) as file:
        file.remove_lapsed(now)
        due = file.written_before(calendar.start_of(calendar.day_of(now)))
        with shop.house.reading() as db:
            moments = {"now": now, "waited": now - ranges.RECOMPUTED_WITHIN}
            due |= set(db.execute(_CHANGED_BY_ITSELF, moments).scalars())
        ids = sorted(due)
        for start in range(0, len(ids), AT_ONCE):
            with shop.house.reading() as db:
                found = db.execute(_WANTED, {"ids": ids[start : start + AT_ONCE]}).all()
            written += _rewrite(shop, file, {row.order_id: row.wanted for row in found})
    return written


def want_all(shop: Workshop) -> None:
    """Mark every page stale: after a restore, new settings, or where the pages file is new."""
    with shop.house.writing() as db:
        db.execute(_ALL_AGAIN)


def run(shop: Workshop, stop: threading.Event) -> None:
    """Keep the pages in step until `stop` is set. Meant for a thread of the staff server.

    It writes at once when the house has changed, and looks every two seconds in any case.
    """
    pages = PagesFile(shop.folder.pages)
    said = shop.studio().settings
    try:
        if pages.new:
            want_all(shop)
        due_at = 0
        while not stop.is_set():
            shop.changed.clear()
            try:
                if (says := shop.studio().settings) != said:
                    want_all(shop)
                    said = says
                rewrite_stale(shop, pages)
                if (now := shop.now()) >= due_at:
                    rewrite_due(shop, now, pages)
                    due_at = now + DUE_EVERY
            except Exception:
                # Nothing is lost: what was not marked as written is written the next time.
                _log.exception("The customers' pages could not be written; trying again.")
                stop.wait(LOOK_EVERY)
            shop.changed.wait(LOOK_EVERY)
    finally:
        pages.close()


@contextmanager
def _opened(shop: Workshop, pages: PagesFile | None) -> Iterator[PagesFile]:
    if pages is not None:
        yield pages
        return
    own = PagesFile(shop.folder.pages)
    try:
        yield own
    finally:
        own.close()


# ---------------------------------------------------------------- one batch


def _rewrite(shop: Workshop, pages: PagesFile, wanted: dict[int, int]) -> int:
    """Bring some orders up to date; one that cannot be put into words holds up no other."""
    try:
        return _write(shop, pages, wanted)
    except (SQLAlchemyError, sqlite3.Error, OSError):
        raise
    except Exception:
        if len(wanted) > 1:
            return sum(_rewrite(shop, pages, {key: number}) for key, number in wanted.items())
        _complain(*next(iter(wanted.items())))
        return 0


@lru_cache(256)
def _complain(order_id: int, wanted: int) -> None:
    """Say it once for each change of an order, not every two seconds."""
    _log.exception("The page of the order with id %d could not be written.", order_id)


def _write(shop: Workshop, pages: PagesFile, wanted: dict[int, int]) -> int:
    """Keep what is told, write the pages, mark the orders, each in its own transaction.

    `wanted` holds what was asked for when the orders were read, so that a change in between
    leaves the order stale.
    """
    now, studio = shop.now(), shop.studio()
    with shop.house.reading() as db:
        links = live_links(db, list(wanted), studio, now)
        shown = _facts(db, sorted(links), studio, now)
    _keep_told(shop, shown, now)
    rows = _rows(shown, links, studio, now)
    pages.replace(wanted, rows)
    done = [
        {"order_id": order_id, "wanted": number, "now": now} for order_id, number in wanted.items()
    ]
    with shop.house.writing() as db:
        db.execute(_WRITTEN, done)
    return len(done)


def live_links(
    db: Connection, order_ids: Sequence[int], studio: Studio, now: int
) -> dict[int, list[Link]]:
    """The links that open a page now, by order. An order without one is not in it."""
    found: dict[int, list[Link]] = {}
    for row in db.execute(_LINKS, {"ids": list(order_ids)}):
        lapses = _lapses_at(row, studio)
        if lapses is None or lapses > now:
            found.setdefault(row.order_id, []).append(Link(row.token_hash, lapses))
    return found


def _lapses_at(row: Any, studio: Studio) -> int | None:
    """A link's own end where it has one; else a set time after the order's."""
    if row.lapses_at is not None:
        return int(row.lapses_at)
    if row.ended_at is None:
        return None
    return int(row.ended_at) + studio.settings.link_lapses_days * 86_400


def _facts(db: Connection, ids: Sequence[int], studio: Studio, now: int) -> list[_Told]:
    today = studio.calendar.day_of(now)
    found: list[_Told] = []
    for facts in facts_of_many(db, ids, studio, now).values():
        decision = Decision(None)
        if has_range(facts):
            decision = ranges.decide(
                facts.computed, facts.told, steps_now=facts.steps_seen,
                later_since=facts.later_since, today=today, calendar=studio.calendar,
            )  # fmt: skip
        found.append(_Told(replace(facts, shown=decision.shown), decision))
    return found


def has_range(facts: OrderFacts) -> bool:
    """Whether days are named on an order's page at all: its photos passed, not all has left."""
    return facts.open and bool(facts.alive) and facts.passed and not facts.left


def _keep_told(shop: Workshop, shown: Iterable[_Told], now: int) -> None:
    changed = [
        told
        for told in shown
        if told.decision.new
        or told.decision.seen
        or told.decision.later_since != told.facts.later_since
    ]
    if not changed:
        return
    with shop.house.writing() as db:
        for told in changed:
            facts, decision = told.facts, told.decision
            if decision.new and decision.shown is not None:
                tellings.tell(
                    db, facts, decision.shown, channel=tellings.PAGE, account_id=None, now=now
                )
            elif decision.seen:
                tellings.still_true(db, facts)
            tellings.runs_over_since(db, facts.id, decision.later_since)


def _rows(
    shown: Iterable[_Told], links: dict[int, list[Link]], studio: Studio, now: int
) -> list[PageRow]:
    teller = teller_of(studio)
    rows: list[PageRow] = []
    for told in shown:
        page = to_json(document(told.facts, teller, now))
        rows.extend(
            PageRow(link.token_hash, told.facts.id, page, now, link.lapses_at)
            for link in links[told.facts.id]
        )
    return rows


def teller_of(studio: Studio) -> Teller:
    """The studio as it speaks on its pages."""
    settings = studio.settings
    contact = Contact(settings.contact_mail, settings.contact_phone, settings.contact_hours)
    return Teller(settings.name, contact, studio.calendar, settings.blank_on)
