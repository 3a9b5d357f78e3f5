"""Parcels of which nobody says that they arrived are taken to have arrived, after some days.

Once only: where somebody has said of a piece that it did not arrive, nothing assumes it again.
"""

import logging
import threading

from sqlalchemy import Connection, text

from app.flow import news_rows
from app.flow.actions import begin_act
from app.flow.rules import TimeIs
from app.flow.steps import MoveKey, Of
from app.flow.store import Ref
from app.moving.effects import MoveDetails
from app.moving.perform import Seen, perform_in
from app.orders.facts.overdue import kept, on_the_way
from app.parcels import rules
from app.shared.calendar import DAY
from app.shared.errors import Refused
from app.shared.people import AUTOMATIC
from app.studio.workshop import Workshop

LOOK_EVERY = 600.0
# What should long have been assumed is not news any more.
NEWS_FOR = 30 * DAY
_log = logging.getLogger("likewright.parcels")
_OUT = text(
    "SELECT p.id, p.way, p.carrier, p.number, p.sent_at, p.usual_first, p.usual_last,"
    " k.id AS copy_id, o.ship_country"
    " FROM copies k JOIN parcels p ON p.id = k.parcel_id JOIN orders o ON o.id = k.order_id"
    " WHERE k.step = 'handed_over' AND k.open = 1 AND k.hold_whose = '' AND p.sent_at < :before"
    " AND p.taken_back_at IS NULL AND NOT EXISTS"
    " (SELECT 1 FROM transitions t WHERE t.copy_id = k.id AND t.move = 'received')"
    " ORDER BY p.id, k.id"
)


def assume(workshop: Workshop) -> int:
    """Take to have arrived whatever should have by now; gives how many parcels those were."""
    found = 0
    for parcel_id, (copies, when) in _due(workshop).items():
        try:
            with workshop.database.writing() as db:
                _assume(db, workshop, copies, when)
            found += 1
        except Refused as why:
            # Somebody was faster, or something stands against it: a person will see to it.
            _log.info("parcel %d is not assumed to have arrived: %s", parcel_id, why)
    if found:
        workshop.changed.set()
    return found


def _due(workshop: Workshop) -> dict[int, tuple[list[int], int]]:
    """By parcel its copies, and the moment from which on it is taken to have arrived."""
    in_force, now = workshop.in_force(), workshop.now()
    after, calendar = in_force.settings.assumed_received_days, in_force.calendar
    found: dict[int, tuple[list[int], int]] = {}
    with workshop.database.reading() as db:
        rows = db.execute(_OUT, {"before": now - (after - 1) * DAY}).all()
    for row in rows:
        told = kept(row.usual_first, row.usual_last)
        way = on_the_way(row.carrier, row.number, row.sent_at, row.ship_country, in_force, told)
        day = rules.assumed_on(calendar.day_of(row.sent_at), way.usual, after)
        when = max(calendar.start_of(day), row.sent_at)
        if when <= now:
            found.setdefault(row.id, ([], when))[0].append(row.copy_id)
    return found


def _assume(db: Connection, workshop: Workshop, copies: list[int], when: int) -> None:
    seen = [Seen(Ref(Of.COPY, id_)) for id_ in copies]
    said, now = MoveDetails(happened_at=when), workshop.now()
    act = begin_act(db, AUTOMATIC, now, time_is=TimeIs.ASSUMED)
    done = perform_in(db, workshop, seen, MoveKey.RECEIVED, said, AUTOMATIC, act=act)
    if now - when > NEWS_FOR:
        news_rows.take_back(db, list(done.entries.values()), now)


def run(workshop: Workshop, stop: threading.Event) -> None:
    """Look every ten minutes until `stop` is set. Meant for a thread."""
    while not stop.is_set():
        assume(workshop)
        stop.wait(LOOK_EVERY)
