"""Cases of what had left the house: opened, decided, mended or made again, closed."""

from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path
from typing import Annotated, Any, Literal

from sqlalchemy import Connection, insert, select, update

from app.flow import news_rows
from app.flow.actions import begin_act, go_on, settle
from app.flow.after import cases as work
from app.flow.amendments import withdraw
from app.flow.changes import note
from app.flow.steps import CARRIER, MAKING_STEPS, PLACE, STEPS, MoveKey, Of, Step
from app.flow.store import Ref, mark_stale
from app.moving.effects import MoveDetails
from app.moving.perform import Seen, perform_in
from app.orders.facts.cases import AFTERCARE
from app.parcels import aftercare_store as rows
from app.photos.release.actions import kept_anew
from app.shared.carriers import named
from app.shared.errors import AlreadyMoved, BadFields, NotFound
from app.shared.people import Person
from app.shared.web.fields import Fields, Reason, Tick, Words, among
from app.studio.workshop import Workshop
from app.tables import (
    aftercare_cases,
    aftercare_copies,
    aftercare_pictures,
    animals,
    copies,
    models,
    parcels,
)

# Where a carrier says nothing of its own: common practice, no source. Early is never too early.
CLAIM_DAYS = 14
PICTURES = "aftercare"
_AT_MOST = 400_000
MOST_PICTURES = 20
READ_FIRST = "The animal has died: somebody should read it first."
KINDS = {
    "lost": "lost on the way",
    "damaged": "arrived damaged",
    "fault": "something about it is not right",
    "returned": "came back to us",
}
SAID_BY = {"customer": "the customer", "carrier": "the carrier", "us": "ourselves"}
DECIDED = {
    "repair": "repair it, or send it again",
    "remake": "make it again",
    "nothing": "nothing to be made",
}
# A blank that is made anew is no repair.
MEND_AT = {
    str(step): STEPS[step].name for step in MAKING_STEPS if PLACE[step] > PLACE[Step.BLANK]
} | {str(Step.PACKING): "Packing: only to be sent again"}
_MAY = {
    "lost": (Step.HANDED_OVER,),
    "damaged": (Step.HANDED_OVER, Step.RECEIVED),
    "fault": (Step.HANDED_OVER, Step.RECEIVED),
    "returned": (Step.HANDED_OVER, Step.RECEIVED),
}


class CaseFields(Fields):
    """What happened, by whose word."""

    kind: Literal["lost", "damaged", "fault", "returned"]
    said_by: Literal["customer", "carrier", "us"] = "customer"
    words: Reason


class DecisionFields(Fields):
    """What is done about it. A refund is only noted, never with an amount."""

    decided: Literal["repair", "remake", "nothing"]
    refund: Tick
    decision: Words


class MendFields(Fields):
    """At which step a piece that is back goes on."""

    step: Annotated[str, among(MEND_AT)]


def open_case(
    workshop: Workshop, copy_ids: Sequence[int], typed: CaseFields, who: Person, once: str
) -> list[int]:
    """Open a case about some copies, one for each of their orders; gives their ids.

    What is lost is on its way; what is damaged or not right has arrived, and is noted so; what came
    back undelivered is at packing again.
    Raises BadFields where a copy cannot be lost or come back where it is, AlreadyMoved where a case
    about one is open.
    """
    if not copy_ids:
        raise BadFields({"copy": "Tick what it is about."})
    now = workshop.now()
    with workshop.database.writing() as db:
        found = rows.copies_of(db, copy_ids)
        if len(found) < len(set(copy_ids)):
            raise NotFound("There is no such piece.")
        for row in found:
            _check_open(row, typed.kind)
        by_order: dict[int, list[Any]] = {}
        for row in found:
            by_order.setdefault(row.order_id, []).append(row)
        made = [
            _open(db, workshop, of_order, typed, who, now, once) for of_order in by_order.values()
        ]
        _move(db, workshop, found, typed, who)
        mark_stale(db, by_order)
    workshop.changed.set()
    return made


def _check_open(row: Any, kind: str) -> None:
    if row.open_case is not None:
        raise AlreadyMoved(f"There is an open case about {row.code} already.")
    if Step(row.step) not in _MAY[kind]:
        said = {"lost": f"{row.code} is not on its way, so it cannot be lost on it."}.get(
            kind, f"{row.code} has not left the house."
        )
        raise BadFields({"copy": said})


def _open(
    db: Connection, workshop: Workshop, found: Sequence[Any], typed: CaseFields, who: Person,
    now: int, once: str,
) -> int:  # fmt: skip
    parcel = found[0].parcel_id
    values = {
        "order_id": found[0].order_id, "parcel_id": parcel, "kind": typed.kind,
        "said_by": typed.said_by, "words": typed.words, "opened_at": now,
        "opened_by_id": who.account_id, "claim_by": _claim_by(db, workshop, parcel),
        "once": once or None,
    }  # fmt: skip
    made = db.execute(insert(aftercare_cases).values(values)).inserted_primary_key
    assert made is not None
    case_id = int(made[0])
    db.execute(insert(aftercare_copies), [{"case_id": case_id, "copy_id": row.id} for row in found])
    _tell(db, found[0].order_id, case_id, 1, now)
    return case_id


def _claim_by(db: Connection, workshop: Workshop, parcel_id: int | None) -> str | None:
    """The last day for a claim with the carrier of a parcel, as ISO text; None without one."""
    its = select(parcels.c.way, parcels.c.carrier, parcels.c.sent_at).where(
        parcels.c.id == parcel_id
    )
    row = db.execute(its).first()
    if row is None or row.way != "carrier" or row.sent_at is None:
        return None
    in_force = workshop.in_force()
    left = in_force.calendar.day_of(row.sent_at)
    carrier = named(in_force.carriers, row.carrier)
    last = carrier.claim_by(left) if carrier is not None else None
    return (last or left + timedelta(days=CLAIM_DAYS)).isoformat()


def _move(
    db: Connection, workshop: Workshop, found: Sequence[Any], typed: CaseFields, who: Person
) -> None:
    """What was on its way has arrived, or has come back; that it arrived is no news of its own."""
    gone = [Seen(Ref(Of.COPY, row.id)) for row in found if row.step == Step.HANDED_OVER]
    if not gone or typed.kind == "lost":
        return
    key = MoveKey.CAME_BACK if typed.kind == "returned" else MoveKey.RECEIVED
    done = perform_in(db, workshop, gone, key, MoveDetails(reason=typed.words), who)
    if key is MoveKey.RECEIVED:
        news_rows.take_back(db, list(done.entries.values()), workshop.now())


def _tell(db: Connection, order_id: int, case_id: int, stage: int, now: int) -> None:
    """News of a case: of a remembered animal somebody reads it first."""
    died = (
        select(animals.c.id)
        .join(models, models.c.animal_id == animals.c.id)
        .join(copies, copies.c.model_id == models.c.id)
        .join(aftercare_copies, aftercare_copies.c.copy_id == copies.c.id)
        .where(aftercare_copies.c.case_id == case_id, animals.c.life == "remembered")
    )
    why = READ_FIRST if db.execute(died).first() is not None else None
    round_ = case_id * 10 + stage
    news_rows.write(db, order_id, AFTERCARE, now, round_=round_, held_why=why)


def decide(workshop: Workshop, case_id: int, typed: DecisionFields, who: Person, once: str) -> None:
    """Say what is done; what is made again begins at once, at the head of the queue.

    Raises AlreadyMoved for a case that is closed or under way.
    """
    now = workshop.now()
    with workshop.database.writing() as db:
        case = _open_one(db, case_id)
        about = rows.copies_of_case(db, case_id)
        if any(row.made_id is not None for row in about):
            raise AlreadyMoved("That is under way already. Take it back first.")
        if typed.decided == "repair" and case.kind == "lost":
            raise BadFields({"decided": "What is lost cannot be repaired: make it again."})
        _note(db, case, "decided", DECIDED[typed.decided], who, now)
        values = {
            "decided": typed.decided, "refund": int(typed.refund), "decision": typed.decision,
            "decided_at": now, "decided_by_id": who.account_id,
        }  # fmt: skip
        db.execute(update(aftercare_cases).where(aftercare_cases.c.id == case_id).values(values))
        under_way = [row for row in about if row.step == Step.HANDED_OVER]
        reason = typed.decision or case.words
        if typed.decided == "remake":
            _make_again(db, workshop, case, about, reason, who, once)
        elif typed.decided == "nothing" and case.kind == "lost" and under_way:
            seen = [Seen(Ref(Of.COPY, row.id)) for row in under_way]
            said = MoveDetails(reason=reason)
            perform_in(db, workshop, seen, MoveKey.LOST, said, who, once)
        _tell(db, case.order_id, case_id, 2, now)
        mark_stale(db, [case.order_id])
    workshop.changed.set()


def _make_again(
    db: Connection, workshop: Workshop, case: Any, about: Sequence[Any], reason: str, who: Person,
    once: str,
) -> None:  # fmt: skip
    """What has not been delivered is replaced; what has keeps its end, and another one begins."""
    now = workshop.now()
    first = Step.BLANK if workshop.in_force().settings.blank_on else Step.SHAPING
    going = [row for row in about if row.step not in (Step.RECEIVED, Step.CANCELLED)]
    if going:
        said = MoveDetails(reason=reason, cause=CARRIER)
        seen = [Seen(Ref(Of.COPY, row.id)) for row in going]
        perform_in(db, workshop, seen, MoveKey.REMAKE, said, who, once)
        for row in going:
            work.put(db, case.id, row.id, rows.replacement_of(db, row.id))
    arrived = [row for row in about if row.step == Step.RECEIVED]
    if arrived:
        act = begin_act(db, who, now, once or None)
        for row in arrived:
            work.put(db, case.id, row.id, go_on(act, row.id, first, now).id)
        settle(act)


def mend(workshop: Workshop, case_id: int, typed: MendFields, who: Person, once: str) -> None:
    """What is to be mended is here: it goes on at a step, outside of lead times.

    Raises AlreadyMoved where it goes on already, BadFields where it has not been decided so.
    """
    now = workshop.now()
    with workshop.database.writing() as db:
        case = _open_one(db, case_id)
        about = rows.copies_of_case(db, case_id)
        if case.decided != "repair":
            raise BadFields({"step": "First say that it is to be repaired or sent again."})
        back = [row for row in about if row.step == Step.RECEIVED and row.made_id is None]
        if not back:
            raise AlreadyMoved("It goes on already.")
        act = begin_act(db, who, now, once or None)
        for row in back:
            work.put(db, case_id, row.id, go_on(act, row.id, Step(typed.step), now).id)
        settle(act)
        db.execute(
            update(aftercare_cases).where(aftercare_cases.c.id == case_id).values(here_at=now)
        )
        _note(db, case, "back with us", MEND_AT[typed.step], who, now)
        _tell(db, case.order_id, case_id, 3, now)
        mark_stale(db, [case.order_id])
    workshop.changed.set()


def take_back(workshop: Workshop, case_id: int, who: Person, once: str) -> None:
    """What went on for a case did not, after all. Raises Refused where it was worked on since."""
    now = workshop.now()
    with workshop.database.writing() as db:
        case = _open_one(db, case_id)
        made = [row.made_id for row in rows.copies_of_case(db, case_id) if row.made_id is not None]
        if not made or any(row.step != Step.RECEIVED for row in rows.copies_of_case(db, case_id)):
            raise AlreadyMoved("Nothing goes on for it that could be taken back here.")
        act = begin_act(db, who, now, once or None)
        for made_id in made:
            withdraw(act, Ref(Of.COPY, made_id))
        settle(act)
        _note(db, case, "taken back", "", who, now)
        mark_stale(db, [case.order_id])
    workshop.changed.set()


def close(workshop: Workshop, case_id: int, who: Person) -> None:
    """Nothing more is to be done. Raises BadFields where nothing was decided."""
    with workshop.database.writing() as db:
        case = _open_one(db, case_id)
        if case.decided is None and case.kind != "returned":
            raise BadFields({"decided": "First say what was decided, be it that nothing is made."})
        _set_closed(db, case, workshop.now(), who, workshop.now())
    workshop.changed.set()


def open_again(workshop: Workshop, case_id: int, who: Person) -> None:
    """It is not closed after all. Raises AlreadyMoved for one that is open."""
    with workshop.database.writing() as db:
        case = rows.one(db, case_id)
        if case.closed_at is None:
            raise AlreadyMoved("It is open already.")
        _set_closed(db, case, None, who, workshop.now())
    workshop.changed.set()


def _set_closed(db: Connection, case: Any, at: int | None, who: Person, now: int) -> None:
    values = {"closed_at": at, "closed_by_id": who.account_id if at else None}
    db.execute(update(aftercare_cases).where(aftercare_cases.c.id == case.id).values(values))
    _note(db, case, "closed" if at else "opened again", "", who, now)
    mark_stale(db, [case.order_id])


def picture(workshop: Workshop, case_id: int, source: Path, who: Person) -> None:
    """Keep a customer's picture of what happened, made anew without what its file says beside.

    Raises BadFields where there are as many as anybody looks through.
    """
    with workshop.database.reading() as db:
        rows.one(db, case_id)
        if len(rows.pictures(db, case_id)) >= MOST_PICTURES:
            why = f"There are {MOST_PICTURES} photos of this case. Remove one first."
            raise BadFields({"file": why})
    kept = kept_anew(workshop.folder.pictures, source, PICTURES, _AT_MOST)
    with workshop.database.writing() as db:
        db.execute(
            insert(aftercare_pictures).values(
                case_id=case_id, file=kept.file, width=kept.width, height=kept.height,
                at=workshop.now(), account_id=who.account_id,
            )
        )  # fmt: skip


def _open_one(db: Connection, case_id: int) -> Any:
    case = rows.one(db, case_id)
    if case.closed_at is not None:
        raise AlreadyMoved("That case is closed.")
    return case


def _note(db: Connection, case: Any, field: str, after: str, who: Person, now: int) -> None:
    note(
        db, who.account_id, now, "aftercare_cases", f"case: {field}", None, after,
        of_id=case.id, order_id=case.order_id,
    )  # fmt: skip
