"""The customer says that photos are sent: by which way, how many, until when the link holds."""

from collections.abc import Sequence
from typing import Literal

from sqlalchemy import Connection, func, insert, select
from sqlalchemy.engine import RowMapping

from app.flow import store
from app.flow.rules import Kind
from app.flow.steps import Of, Step
from app.flow.store import mark_stale
from app.moving.effects import MoveDetails
from app.moving.perform import Seen, perform_in
from app.shared.errors import AlreadyMoved, BadFields, Refused
from app.shared.people import Person
from app.shared.web.fields import Day, Fields, Line, Number
from app.studio.workshop import Workshop
from app.tables import photo_deliveries, pictures


class ToldFields(Fields):
    """What the customer said of their photos."""

    way: Literal["link", "mail", "card", "prints", "other"] = "link"
    link: Line
    lapses_on: Day
    files_said: Number


def photos_told(
    workshop: Workshop, order_id: int, typed: ToldFields, who: Person, once: str
) -> None:
    """Note photos that were told of: from here on the wait is ours, not the customer's.

    Raises BadFields for an address that is no web address, or a number that cannot be.
    """
    if typed.link and not typed.link.startswith(("https://", "http://")):
        raise BadFields({"link": "A link begins with https://."})
    if typed.files_said is not None and not 0 < typed.files_said < 100_000:
        raise BadFields({"files_said": "How many? Enter a number."})
    now = workshop.now()
    with workshop.database.writing() as db:
        waiting = [
            piece
            for piece in store.pieces_of_order(db, order_id)
            if piece.ref.of is Of.MODEL and piece.state.step is Step.PHOTOS_WANTED
        ]
        if not waiting:
            raise Refused("This order needs no photos now.")
        if _told_before(db, order_id, typed, now):
            raise AlreadyMoved("That is already noted.")
        db.execute(
            insert(photo_deliveries).values(
                order_id=order_id, told_at=now, way=typed.way, link=typed.link,
                lapses_on=typed.lapses_on.isoformat() if typed.lapses_on else None,
                files_said=typed.files_said, account_id=who.account_id,
            )
        )  # fmt: skip
        untold = [Seen(piece.ref) for piece in waiting if piece.state.told_at is None]
        if untold:
            perform_in(db, workshop, untold, Kind.TOLD, MoveDetails(), who, once)
        mark_stale(db, [order_id])
    workshop.changed.set()


def to_fetch(db: Connection, order_id: int) -> Sequence[RowMapping]:
    """An order's deliveries that were told of and not counted yet, what lapses first on top.

    Each with its `id`, `told_at`, `lapses_on`, `files_said`, and how many of it are `here`.
    """
    told = photo_deliveries.c
    here = select(func.count()).where(pictures.c.delivery_id == told.id).scalar_subquery()
    query = (
        select(told.id, told.told_at, told.lapses_on, told.files_said, here.label("here"))
        .where(told.order_id == order_id, told.fetched_at.is_(None))
        .order_by(told.lapses_on.is_(None), told.lapses_on, told.id)
    )
    return db.execute(query).mappings().all()


def _told_before(db: Connection, order_id: int, typed: ToldFields, now: int) -> bool:
    """Whether the same was told a moment ago: a double tap."""
    told = photo_deliveries.c
    query = select(told.id).where(
        told.order_id == order_id, told.way == typed.way, told.link == typed.link,
        told.told_at > now - 60,
    )  # fmt: skip
    return db.execute(query).first() is not None
