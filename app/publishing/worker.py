"""The worker that keeps the pages file in step with the house.

What marks a page stale stands in the staff's database, in the transaction of the change itself.
From there each rewrite goes three ways in order, and may stop between any two of them: what is
told is kept, the pages are written, the order is marked as written. Done again it does the same.
"""

import logging
import sqlite3
import threading
import zlib
from collections.abc import Iterable, Mapping, Sequence
from contextlib import AbstractContextManager, closing, nullcontext
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, bindparam, text
from sqlalchemy.exc import SQLAlchemyError

from app import status
from app.flow.store import mark_pages_stale
from app.letters.forming import teller_of
from app.orders.facts import ranges
from app.orders.facts import told as tellings
from app.orders.facts.gather import facts_of_many
from app.orders.facts.order import OrderFacts
from app.orders.facts.standing import decision
from app.publishing.beside import Beside, beside_pages
from app.publishing.pages_file import PagePicture, PageRow, PagesFile
from app.shared.calendar import DAY
from app.status.rendering import page_html, template_files
from app.status.wording import document
from app.studio.workshop import InForce, Workshop

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
    " UNION ALL SELECT last_at FROM models WHERE order_id = o.id"
    " UNION ALL SELECT off_at FROM waiting_list WHERE order_id = o.id)) END AS ended_at"
    " FROM status_links l JOIN orders o ON o.id = l.order_id"
    " WHERE l.order_id IN :ids AND l.revoked_at IS NULL"
).bindparams(bindparam("ids", expanding=True))
_WRITTEN = text(
    "UPDATE status_pages SET written = max(written, :wanted), written_at = :now"
    " WHERE order_id = :order_id"
)
# What changes a page's words with no change of the order: a build that ran past its end, and a
# computed range that was waited for in vain.
_CHANGED_BY_ITSELF = text(
    "SELECT oa.order_id FROM models m JOIN order_animals oa ON oa.model_id = m.id"
    " JOIN status_pages s ON s.order_id = oa.order_id"
    " WHERE m.open = 1 AND m.step = 'building' AND m.build_ends_at <= :now"
    " AND m.build_ends_at > s.written_at"
    " UNION SELECT f.order_id FROM forecasts f JOIN orders o ON o.id = f.order_id"
    " JOIN status_pages s ON s.order_id = f.order_id"
    " WHERE o.open = 1 AND f.stale = 1 AND f.points <> '{}' AND s.written_at <= :waited"
)


@dataclass(frozen=True, slots=True)
class LiveLink:
    """A link that opens a page, until `lapses_at` where it is set."""

    token_hash: str
    lapses_at: int | None


def rewrite_stale(workshop: Workshop, pages: PagesFile | None = None) -> int:
    """Write every page that lags behind; gives how many orders were brought up to date.

    Opens the studio's pages file for itself where none is given.
    """
    written, after = 0, 0
    with _opened(workshop, pages) as file:
        while True:
            with workshop.database.reading() as db:
                rows = db.execute(_STALE, {"after": after, "most": AT_ONCE}).all()
            if not rows:
                return written
            written += _rewrite(workshop, file, {row.order_id: row.wanted for row in rows})
            after = rows[-1].order_id


def rewrite_due(workshop: Workshop, now: int, pages: PagesFile | None = None) -> int:
    """Write the pages whose words have changed with the day, and let lapsed ones go.

    Every page is written once a day: ranges, weekdays and "as of" move on with it.
    """
    calendar = workshop.in_force().calendar
    written = 0
    with _opened(workshop, pages) as file:
        file.remove_lapsed(now)
        due = file.written_before(calendar.start_of(calendar.day_of(now)))
        with workshop.database.reading() as db:
            moments = {"now": now, "waited": now - ranges.RECOMPUTED_WITHIN}
            due |= set(db.execute(_CHANGED_BY_ITSELF, moments).scalars())
        ids = sorted(due)
        for start in range(0, len(ids), AT_ONCE):
            with workshop.database.reading() as db:
                found = db.execute(_WANTED, {"ids": ids[start : start + AT_ONCE]}).all()
            written += _rewrite(workshop, file, {row.order_id: row.wanted for row in found})
    return written


def want_all(workshop: Workshop) -> None:
    """Mark every page stale: after a restore, new settings, or where the pages file is new."""
    with workshop.database.writing() as db:
        mark_pages_stale(db)


def run(workshop: Workshop, stop: threading.Event) -> None:
    """Keep the pages in step until `stop` is set. Meant for a thread of the staff server.

    It writes at once when the house has changed, and looks every two seconds in any case.
    """
    said = workshop.in_force().settings
    with closing(PagesFile(workshop.folder.pages)) as pages:
        if pages.words != (words := words_number()):
            want_all(workshop)
            pages.words = words
        due_at = 0
        while not stop.is_set():
            workshop.changed.clear()
            try:
                if (says := workshop.in_force().settings) != said:
                    want_all(workshop)
                    said = says
                rewrite_stale(workshop, pages)
                if (now := workshop.now()) >= due_at:
                    rewrite_due(workshop, now, pages)
                    due_at = now + DUE_EVERY
            except Exception:
                # Nothing is lost: what was not marked as written is written the next time.
                _log.exception("The customers' pages could not be written; trying again.")
                stop.wait(LOOK_EVERY)
            workshop.changed.wait(LOOK_EVERY)


def words_number() -> int:
    """A number that changes whenever the pages would read or look otherwise: with their words,
    or their templates."""
    folder = Path(status.__file__).parent
    files = [*sorted(folder.glob("*.py")), *template_files()]
    return zlib.crc32(b"".join(file.read_bytes() for file in files)) & 0x7FFFFFFF


def _opened(workshop: Workshop, pages: PagesFile | None) -> AbstractContextManager[PagesFile]:
    return closing(PagesFile(workshop.folder.pages)) if pages is None else nullcontext(pages)


# ---------------------------------------------------------------- one batch


def _rewrite(workshop: Workshop, pages: PagesFile, wanted: dict[int, int]) -> int:
    """Bring some orders up to date; one that cannot be put into words holds up no other."""
    try:
        return _write(workshop, pages, wanted)
    except (SQLAlchemyError, sqlite3.Error, OSError):
        raise
    except Exception:
        if len(wanted) > 1:
            return sum(_rewrite(workshop, pages, {key: number}) for key, number in wanted.items())
        _complain(*next(iter(wanted.items())))
        return 0


@lru_cache(256)
def _complain(order_id: int, wanted: int) -> None:
    """Say it once for each change of an order, not every two seconds."""
    _log.exception("The page of the order with id %d could not be written.", order_id)


def _write(workshop: Workshop, pages: PagesFile, wanted: dict[int, int]) -> int:
    """Keep what is told, write the pages, mark the orders, each in its own transaction.

    `wanted` holds what was asked for when the orders were read, so that a change in between
    leaves the order stale.
    """
    now, in_force = workshop.now(), workshop.in_force()
    with workshop.database.reading() as db:
        links = live_links(db, list(wanted), in_force, now)
        found = list(facts_of_many(db, sorted(links), in_force, now).values())
        pictures = beside_pages(db, found, in_force)
    _keep_told(workshop, found, now)
    folder = workshop.folder.pictures
    there = {id_: some.there(folder) for id_, some in pictures.items()}
    pages.replace(
        wanted,
        _rows(found, links, in_force, now, there),
        {
            # A file's name is made of its hash.
            id_: [
                PagePicture(name, Path(path).name, folder / path)
                for name, path in some.files.items()
            ]
            for id_, some in there.items()
        },
    )
    done = [{"order_id": id_, "wanted": number, "now": now} for id_, number in wanted.items()]
    with workshop.database.writing(quietly=True) as db:
        db.execute(_WRITTEN, done)
    return len(done)


def live_links(
    db: Connection, order_ids: Sequence[int], in_force: InForce, now: int
) -> dict[int, list[LiveLink]]:
    """The links that open a page now, by order. An order without one is not in it."""
    found: dict[int, list[LiveLink]] = {}
    for row in db.execute(_LINKS, {"ids": list(order_ids)}):
        lapses = _lapses_at(row, in_force)
        if lapses is None or lapses > now:
            found.setdefault(row.order_id, []).append(LiveLink(row.token_hash, lapses))
    return found


def _lapses_at(row: Any, in_force: InForce) -> int | None:
    """A link's own end where it has one; else a set time after the order's."""
    if row.lapses_at is not None:
        return int(row.lapses_at)
    if row.ended_at is None:
        return None
    return int(row.ended_at) + in_force.settings.link_lapses_days * DAY


def _keep_told(workshop: Workshop, found: Iterable[OrderFacts], now: int) -> None:
    """Keep as told what the pages are about to show and did not show before."""
    calendar = workshop.in_force().calendar
    decided = [(facts, decision(facts, calendar, now)) for facts in found]
    changed = [
        (facts, its)
        for facts, its in decided
        if its.new or its.seen or its.later_since != facts.later_since
    ]
    if not changed:
        return
    with workshop.database.writing() as db:
        for facts, its in changed:
            if its.new and its.shown is not None:
                tellings.tell(
                    db, facts.id, its.shown, channel=tellings.PAGE, account_id=None, now=now,
                    steps_seen=facts.steps_seen,
                )  # fmt: skip
            elif its.seen:
                tellings.still_true(db, facts)
            tellings.runs_over_since(db, facts.id, its.later_since)


def _rows(
    found: Iterable[OrderFacts],
    links: dict[int, list[LiveLink]],
    in_force: InForce,
    now: int,
    pictures: Mapping[int, Beside],
) -> list[PageRow]:
    teller = teller_of(in_force)
    rows: list[PageRow] = []
    for facts in found:
        beside = pictures.get(facts.id, Beside())
        page = page_html(document(facts, teller, now, beside.shown, beside.own))
        rows.extend(
            PageRow(link.token_hash, facts.id, page, now, link.lapses_at)
            for link in links[facts.id]
        )
    return rows
