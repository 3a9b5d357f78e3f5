"""Moving one piece, with everything that its move has to say, in one transaction."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, time
from typing import Literal

from sqlalchemy import Connection, delete, insert, select, update

from app.bench import rules
from app.flow import store
from app.flow.actions import Done, Wish, record_in
from app.flow.rules import Kind, Whose, past_the_third
from app.flow.steps import ASKED_AGAIN, CAUSES, PASSED, REWORKS, MoveKey
from app.flow.store import Piece, Ref
from app.photos.builds.actions import START, note_start
from app.shared.errors import BadFields, NotAllowed
from app.shared.people import Person, Role
from app.shared.web.fields import Day, Fields, Line, Number, Short, Tick, Words
from app.studio.typed import typed_moment
from app.studio.workshop import InForce, Workshop
from app.tables import (
    mark_ticks,
    marks,
    models,
    order_animals,
    orders,
    photo_deliveries,
    views_asked,
)

_KINDS = {str(kind): kind for kind in (Kind.START, Kind.ASIDE, Kind.HOLD, Kind.LIFT, Kind.FINDING)}
MOST_PICTURES = 20_000


class MoveFields(Fields):
    """What a move's form may hold; which of it is needed depends on the move."""

    move: Short
    version: Number
    once: Line
    happened_on: Day
    happened_at: Short
    reason: Words
    cause: Short
    whose: Literal["", "customer", "studio", "supplier"] = ""
    until_on: Day
    until_at: Short
    look_on: Day
    amount: Number
    views: Words
    limits: Words
    agreed: Line
    machine: Number
    sure: Tick


def move_piece(
    workshop: Workshop, ref: Ref, typed: MoveFields, ticked: Sequence[int], who: Person
) -> Done:
    """Do what a piece's form asks: take in hand, set aside, hold, note a finding, or move on.

    Raises BadFields with what is missing, and Refused, AlreadyMoved, NotAllowed, NotFound.
    """
    now = workshop.now()
    wish = _wish(workshop.in_force(), ref, typed, now)
    with workshop.database.writing() as db:
        piece = store.load(db, ref)
        wish = _in_its_place(piece, wish, typed)
        _check_third(piece, wish, who)
        ticked = _before(db, workshop.in_force(), piece, wish, typed, ticked, now)
        done = record_in(db, [wish], who, now, typed.once or None)
        _beside(db, workshop.in_force(), piece, done, wish, typed, ticked, now)
    workshop.changed.set()
    return done


def _wish(in_force: InForce, ref: Ref, typed: MoveFields, now: int) -> Wish:
    today = in_force.calendar.day_of(now)
    happened = typed_moment(
        in_force, typed.happened_on, typed.happened_at, "happened_at", today, time(12)
    )
    if happened is not None and happened > now:
        if typed.happened_at or typed.happened_on != today:
            name = "happened_at" if typed.happened_at else "happened_on"
            raise BadFields({name: "That is in the future. Type a time that has passed."})
        happened = None
    until = typed_moment(in_force, typed.until_on, typed.until_at, "until_at", today, time(9))
    if until is not None and until <= now:
        raise BadFields({"until_at" if typed.until_at else "until_on": "That has passed already."})
    kind = _KINDS.get(typed.move, Kind.MOVE)
    _check_words(kind, typed)
    return Wish(
        ref,
        kind,
        typed.move if kind is Kind.MOVE else "",
        version=typed.version,
        happened_at=happened,
        reason=typed.reason,
        cause=_cause(typed),
        whose=typed.whose,
        until=until,
        look_on=typed.look_on.isoformat() if typed.look_on else None,
        amount=typed.amount if typed.move == MoveKey.PHOTOS_COUNTED else None,
    )


def _in_its_place(piece: Piece, wish: Wish, typed: MoveFields) -> Wish:
    """A typed time has no seconds: within the minute of what came before it is just after that.

    Raises BadFields, at the field, for a time before what happened last.
    """
    last, happened = piece.state.last_at, wish.happened_at
    if happened is None or happened >= last:
        return wish
    if last - happened < 60:
        return replace(wish, happened_at=last)
    if wish.version is not None and wish.version != piece.version:
        return wish
    name = "happened_at" if typed.happened_at else "happened_on"
    raise BadFields({name: "That is before the last thing that happened to this piece."})


def _check_third(piece: Piece, wish: Wish, who: Person) -> None:
    """After three requests for pictures the desk decides how to go on. Raises NotAllowed."""
    if wish.move in ASKED_AGAIN and past_the_third(piece.state) and who.role is Role.BENCH:
        raise NotAllowed(
            "Pictures were asked for three times already. The desk or the owner decides now."
        )


def _cause(typed: MoveFields) -> str:
    """What caused a finding; going back to a step names that step."""
    return typed.move.removeprefix("back_to_") if typed.move in REWORKS else typed.cause


def _check_words(kind: Kind, typed: MoveFields) -> None:
    finding = kind is Kind.FINDING or typed.move == MoveKey.REMAKE or typed.move in REWORKS
    if finding and not typed.reason:
        raise BadFields({"reason": "What was found? A few words."})
    if typed.move == MoveKey.REMAKE and not typed.cause:
        raise BadFields({"cause": "What caused it?"})
    if typed.cause and typed.cause not in CAUSES:
        raise BadFields({"cause": "Choose one of the list."})
    if kind is Kind.HOLD or typed.move == MoveKey.CANCEL:
        if typed.whose not in tuple(Whose):
            raise BadFields({"whose": "On whose account?"})
        if not typed.reason:
            raise BadFields({"reason": "Why? A few words."})
    if typed.move == MoveKey.CAME_BACK and not typed.reason:
        raise BadFields({"reason": "Why did it come back?"})
    if typed.move == MoveKey.PHOTOS_COUNTED and not 0 < (typed.amount or 0) <= MOST_PICTURES:
        raise BadFields({"amount": "How many pictures are here?"})
    if typed.move == MoveKey.LIMITS and not typed.limits:
        raise BadFields({"limits": "What will be judged by eye?"})
    if typed.move in ASKED_AGAIN:
        rules.read_views(typed.views)


def _before(
    db: Connection,
    in_force: InForce,
    piece: Piece,
    wish: Wish,
    typed: MoveFields,
    ticked: Sequence[int],
    now: int,
) -> list[int]:
    """What has to hold before a move besides the flow's own rules; gives the animal's own marks
    of those ticked."""
    own: dict[int, int] = {}
    if typed.move == MoveKey.PASSED:
        found = db.execute(
            select(marks.c.id, marks.c.must)
            .join(models, models.c.animal_id == marks.c.animal_id)
            .where(models.c.id == piece.model_id, marks.c.gone_at.is_(None))
        )
        own = {row.id: row.must for row in found}
        rules.check_marks([mark for mark, must in own.items() if must], ticked)
    if typed.move == MoveKey.MODEL_FINISHED and not typed.sure:
        _ask_before_deadline(db, in_force, piece, now)
    return [mark for mark in own if mark in ticked]


def _ask_before_deadline(db: Connection, in_force: InForce, piece: Piece, now: int) -> None:
    """Finishing a model before its copy deadline ends what the customer was promised: ask."""
    day = db.execute(select(orders.c.copy_deadline).where(orders.c.id == piece.order_id)).scalar()
    if day is not None and date.fromisoformat(day) > in_force.calendar.day_of(now):
        raise BadFields(
            {
                "sure": f"The customer may add copies until {day}. "
                "Tick this to finish it all the same."
            }
        )


def _beside(
    db: Connection,
    in_force: InForce,
    piece: Piece,
    done: Done,
    wish: Wish,
    typed: MoveFields,
    ticked: Sequence[int],
    now: int,
) -> None:
    """What a move writes beside the log, in the same transaction."""
    if wish.move == START:
        note_start(db, done, typed.machine, now)
    elif wish.move == MoveKey.PHOTOS_COUNTED:
        _count_pictures(db, piece, typed.amount or 0, now)
    elif wish.move in ASKED_AGAIN:
        _ask_views(db, piece, rules.read_views(typed.views), now)
    elif wish.move in PASSED:
        if wish.move == MoveKey.LIMITS:
            values = {"limits": typed.limits, "limits_agreed": typed.agreed}
            db.execute(update(models).where(models.c.id == piece.ref.id).values(**values))
        _open_deadline(db, in_force, piece.ref.id, now)
    elif wish.move == MoveKey.PASSED:
        rows = [{"copy_id": piece.ref.id, "mark_id": m, "transition_id": done.act} for m in ticked]
        if rows:
            db.execute(insert(mark_ticks), rows)


def _count_pictures(db: Connection, piece: Piece, amount: int, now: int) -> None:
    """More views join the pictures that are here: the earlier ones stay."""
    before = db.execute(select(models.c.pictures).where(models.c.id == piece.ref.id)).scalar()
    total = amount + (before or 0 if piece.state.attempts else 0)
    db.execute(update(models).where(models.c.id == piece.ref.id).values(pictures=total))
    db.execute(
        update(photo_deliveries)
        .where(
            photo_deliveries.c.order_id == piece.order_id, photo_deliveries.c.fetched_at.is_(None)
        )
        .values(fetched_at=now, files_counted=amount)
    )


def _ask_views(db: Connection, piece: Piece, wishes: Sequence[str], now: int) -> None:
    attempt = piece.state.attempts + 1
    own = views_asked.c.model_id == piece.ref.id
    db.execute(delete(views_asked).where(own, views_asked.c.attempt == attempt))
    db.execute(
        insert(views_asked),
        [
            {
                "model_id": piece.ref.id,
                "attempt": attempt,
                "number": n,
                "wish": wish,
                "asked_at": now,
            }
            for n, wish in enumerate(wishes, start=1)
        ],
    )


def _open_deadline(db: Connection, in_force: InForce, model_id: int, now: int) -> None:
    """From the assessment on, copies may join for some working days, unless a day stands."""
    today = in_force.calendar.day_of(now)
    days = in_force.settings.copy_deadline_working_days
    last = in_force.calendar.add_working_days(today, days)
    waiting = select(order_animals.c.order_id).where(order_animals.c.model_id == model_id)
    db.execute(
        update(orders)
        .where(orders.c.id.in_(waiting), orders.c.copy_deadline.is_(None), orders.c.open == 1)
        .values(copy_deadline=last.isoformat())
    )
