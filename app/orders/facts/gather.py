"""An order's facts, built once for page, letter and ready text.

The dataclasses stand in orders.order_facts, so that the customers' site can know them without
the database; here they are filled from it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from sqlalchemy import Connection
from sqlalchemy.engine import Row

from app.flow.changes import US
from app.flow.gates import Gate, read
from app.flow.money import Paid
from app.flow.rules import DRYING, Entry, Kind, TimeIs, effective, is_rework
from app.flow.steps import ASKED_AGAIN, PASSED, MoveKey, Step, piece_code
from app.orders.book.drafts import animals_of
from app.orders.facts import ranges, sizes, store
from app.orders.facts.cases import CaseFacts
from app.orders.facts.changed import ChangeFacts
from app.orders.facts.lent import LentFacts
from app.orders.facts.order import (
    ASKED,
    NOT_SHOWN,
    AnimalFacts,
    CopyFacts,
    MarkFacts,
    OrderFacts,
    ParcelFacts,
    QuestionFacts,
    Standing,
    ViewFacts,
    WaitFacts,
    has_range,
)
from app.orders.facts.overdue import kept, on_the_way
from app.orders.facts.ranges import ToldRange
from app.orders.facts.standing import decision, positions
from app.orders.facts.store import Rows
from app.shared.errors import NotFound
from app.studio.workshop import InForce

AT_ONCE = 250
_CHANGES = frozenset({Kind.ENTER, Kind.MOVE, Kind.UNDO, Kind.CORRECTION})
_STEP_CHANGES = _CHANGES - {Kind.ENTER}


def facts_of(db: Connection, order_id: int, in_force: InForce, now: int) -> OrderFacts:
    """The facts of one order. Raises NotFound."""
    found = facts_of_many(db, [order_id], in_force, now)
    if order_id not in found:
        raise NotFound("There is no such order.")
    return found[order_id]


def facts_of_many(
    db: Connection, order_ids: Sequence[int], in_force: InForce, now: int
) -> dict[int, OrderFacts]:
    """The facts of many orders by their ids, in a fixed number of queries for each 250."""
    found: dict[int, OrderFacts] = {}
    for start in range(0, len(order_ids), AT_ONCE):
        rows = store.load(db, order_ids[start : start + AT_ONCE])
        for order in rows.orders.values():
            facts = _on_the_way(_order(order, rows), order, in_force)
            found[order.id] = _with_range(facts, order, rows, in_force, now)
    return found


def bare_facts(db: Connection, order_id: int) -> OrderFacts:
    """The facts of an order that is there, without a word on when it is ready."""
    rows = store.load(db, [order_id])
    return _order(rows.orders[order_id], rows)


# ---------------------------------------------------------------- from rows


def _order(order: Row[Any], rows: Rows) -> OrderFacts:
    by_letter: dict[str, list[CopyFacts]] = {}
    for row in rows.copies.get(order.id, ()):
        by_letter.setdefault(row.letter, []).append(_copy(row, order.number, rows))
    animals = tuple(
        _animal(row, tuple(by_letter.get(row.in_order, ())), rows)
        for row in rows.animals.get(order.id, ())
    )
    waits = _waits(order)
    if waits is not None:
        typed_on = date.fromisoformat(order.typed_on)
        animals = animals_of(order.typed, typed_on, order.number, waits.since)
    copies = [copy for copies in by_letter.values() for copy in copies]
    asked = rows.questions.get(order.id, ())
    changes = [entry for log in _logs_of(order.id, rows) for entry in log if entry.kind in _CHANGES]
    told = rows.tellings.get(order.id)
    forecast = rows.forecasts.get(order.id)
    return OrderFacts(
        id=order.id,
        number=order.number,
        address_as=order.address_as or order.customer_name,
        taken_at=order.taken_at,
        open=bool(order.open),
        imported=bool(order.imported),
        gift=bool(order.gift),
        gift_day=_day(order.gift_day),
        needed_by=_day(order.needed_by),
        ship_part=bool(order.ship_part),
        copy_deadline=_day(order.copy_deadline),
        animals=animals,
        parcels=_parcels(copies, rows),
        questions=tuple(
            _question(row, rows)
            for row in asked
            # What nobody has asked yet is no question, and what the owner has begun without payment
            # is between the workshop and the customer.
            if (row.asked or row.round is None) and not (row.until_paid and row.overridden_at)
        ),
        to_approve=frozenset(
            row.topic for row in asked if row.round is not None and row.overridden_at is None
        ),
        to_redo=tuple(_question(row, rows) for row in asked if row.after_no and not row.asked),
        last_news_at=max(rows.news.get(order.id, 0), order.taken_at),
        last_change_at=max((entry.recorded_at for entry in changes), default=order.recorded_at),
        steps_seen=_step_changes(changes),
        weeks=ranges.from_passing(blank_on=True),
        told=_told(told, changes) if told is not None else None,
        cause=(told.why_longer or "") if told is not None else "",
        changes=tuple(_changes(order, rows)),
        lent=tuple(
            LentFacts(
                row.kind,
                row.what if row.kind == "other" else "",
                row.animal or "",
                row.way,
                row.returned_at,
                row.parcel_id,
            )
            for row in rows.lent.get(order.id, ())
        ),
        cases=tuple(map(_case, rows.cases.get(order.id, ()))),
        later_since=_day(forecast.later_since) if forecast is not None else None,
        waits=waits,
        waited_since=order.put_at if order.began_at is not None else None,
        # The steps of the copy before a remake are not counted any more.
        caused_at=max(*(copy.remade_at for copy in copies), (told and told.calendar_at) or 0, 0),
    )


def _waits(order: Row[Any]) -> WaitFacts | None:
    if order.put_at is None or order.began_at is not None:
        return None
    begins = date.fromisoformat(order.begins_on)
    return WaitFacts(order.put_at, begins, order.begins_round, off=order.off_at is not None)


def _logs_of(order_id: int, rows: Rows) -> Iterable[list[Entry]]:
    for row in rows.animals.get(order_id, ()):
        yield rows.model_logs.get(row.id, [])
    for row in rows.copies.get(order_id, ()):
        yield rows.copy_logs.get(row.id, [])


def _animal(row: Row[Any], copies: tuple[CopyFacts, ...], rows: Rows) -> AnimalFacts:
    line = effective(rows.model_logs.get(row.id, []))
    moves = [entry for entry in line if entry.kind is Kind.MOVE]
    counted = [
        entry.amount for entry in moves if entry.move == MoveKey.PHOTOS_COUNTED and entry.amount
    ]
    said = [
        delivery.files_said
        for delivery in rows.deliveries.get(row.for_order, ())
        if delivery.model_id in (None, row.id)
    ]
    views = rows.views.get(row.id, [])
    newest = max((view.attempt for view in views), default=0)
    asks = row.step == Step.PHOTOS_WANTED and row.attempts > 0
    return AnimalFacts(
        letter=row.in_order,
        name=row.name,
        kind=row.kind,
        sex=row.sex,
        life=row.life,
        model=_standing(row, line, rows),
        came_by=moves[-1].move if moves else "",
        told_at=row.told_at,
        told_files=said[-1] if said else None,
        counted_at=row.counted_at,
        pictures=row.pictures or (counted[-1] if counted else None),
        attempts=row.attempts,
        views=tuple(ViewFacts(v.number, v.wish) for v in views if asks and v.attempt == newest),
        marks=tuple(
            MarkFacts(mark.what, mark.side, mark.place)
            for mark in rows.marks.get(row.animal_id, ())
        ),
        build_ends_at=row.build_ends_at if row.step == Step.BUILDING else None,
        passed_at=row.passed_at,
        outcome=_outcome(moves),
        limits=row.limits,
        limits_agreed=bool(row.limits_agreed),
        copies=tuple(_scaled(copy, row.height) for copy in copies),
    )


def _outcome(moves: Sequence[Entry]) -> str:
    for entry in reversed(moves):
        if entry.move in PASSED:
            return entry.move
        if entry.move in ASKED_AGAIN:
            return ""
    return ""


def _changes(order: Row[Any], rows: Rows) -> Iterable[ChangeFacts]:
    """What was changed of an order and of the copies that are made of it still."""
    own = rows.copies.get(order.id, ())
    codes = {copy.id: piece_code(order.number, copy.letter, copy.number) for copy in own}
    for row in rows.changes.get(order.id, ()):
        code = codes.get(row.of_id) if row.of == "copies" else ""
        if code is not None:
            before, after = row.before or "", row.after or ""
            yield ChangeFacts(row.id, code, row.field, before, after, row.asked_by != US)


def _standing(row: Row[Any], line: Sequence[Entry], rows: Rows) -> Standing:
    starts = [entry.happened_at for entry in line if entry.kind is Kind.START]
    holds = [entry for entry in line if entry.kind is Kind.HOLD]
    ended = [e for e in line if e.move == MoveKey.CANCEL] if row.step == Step.CANCELLED else []
    held = holds[-1:] if row.hold_whose else []
    taken = row.hand_id is not None
    stopping = _stopping(row)
    unpaid, part = _unpaid(stopping, rows), _part(stopping, rows)
    return Standing(
        step=Step(row.step),
        since=row.entered_at,
        by=rows.first_names.get(row.hand_id, "") if taken else "",
        in_hand=bool(row.in_hand),
        hand_since=max(starts[-1], row.entered_at) if starts and row.in_hand else None,
        drying=row.aside_reason == DRYING,
        aside_until=row.aside_until,
        hold_whose=row.hold_whose,
        hold_look_on=_day(row.hold_look_on),
        held_at=held[0].recorded_at if held else None,
        act=next((entry.act for entry in (*held, *ended[-1:]) if entry.act), None),
        unpaid=unpaid,
        answer="" if unpaid else _waits_for_answer(stopping),
        part=part.kind if part else "",
        part_due=_day(part.due_on) if part else None,
    )


def _version(model_id: int, rows: Rows) -> Standing | None:
    """Where a model stands that is not the one its animal is known by."""
    row = rows.versions.get(model_id)
    if row is None:
        return None
    return _standing(row, effective(rows.model_logs.get(model_id, [])), rows)


def _stopping(row: Row[Any]) -> list[Gate]:
    """The gates that stop a piece where it stands."""
    if not (row.open and row.gates):
        return []
    return [gate for gate in read(row.gates) if gate.stops_at(Step(row.step))]


def _unpaid(stopping: Sequence[Gate], rows: Rows) -> Paid | None:
    """How much has to be paid before a piece goes on, if that is what stops it where it stands."""
    here = {gate.question for gate in stopping}
    asked = (one for of_order in rows.questions.values() for one in of_order if here)
    return next((Paid(one.until_paid) for one in asked if one.until_paid and one.id in here), None)


def _part(stopping: Sequence[Gate], rows: Rows) -> Row[Any] | None:
    """The part that a piece waits for where it stands: of several, the one that comes last."""
    here = [rows.parts[gate.part] for gate in stopping if gate.part is not None]
    return max(here, key=lambda part: part.due_on or "9999", default=None)


def _waits_for_answer(stopping: Sequence[Gate]) -> str:
    """Whether a piece waits for an answer where it stands, and whether it was asked for."""
    here = [gate for gate in stopping if gate.part is None]
    if not here:
        return ""
    return NOT_SHOWN if all(gate.unasked for gate in here) else ASKED


def _scaled(copy: CopyFacts, height: str) -> CopyFacts:
    factor = sizes.scale(copy.size_mm, copy.measured, height)
    return replace(copy, scale=sizes.scale_said(factor))


def _copy(row: Row[Any], order_number: int, rows: Rows) -> CopyFacts:
    log = rows.copy_logs.get(row.id, [])
    line = effective(log)
    remade = log[:1] if row.making > 1 else []
    rework, inspected = False, None
    for entry in line:
        if entry.kind is Kind.MOVE and entry.move == MoveKey.PASSED:
            rework, inspected = False, entry.happened_at
        elif is_rework(entry):
            rework = True
    assumed = any(e.move == MoveKey.RECEIVED and e.time_is is TimeIs.ASSUMED for e in line)
    return CopyFacts(
        code=piece_code(order_number, row.letter, row.number),
        letter=row.letter,
        number=row.number,
        standing=_standing(row, line, rows),
        model=_version(row.model_id, rows),
        size_mm=row.size_mm,
        measured=row.measured or "",
        pose=row.pose,
        base=row.base,
        finish=row.finish,
        inscription=row.inscription,
        spelling_confirmed=not row.inscription or row.spelling_confirmed_at is not None,
        rework=rework,
        remade_by=remade[0].act if remade else None,
        remade_at=remade[0].recorded_at if remade else 0,
        inspected_at=inspected,
        rests_until=row.rests_until,
        parcel_id=row.parcel_id if row.parcel_id in rows.parcels else None,
        received_assumed=assumed,
        extras=row.extras,
        letters_beside="".join(sorted(row.beside or "")),
        case=row.of_case or "",
    )


def _case(row: Row[Any]) -> CaseFacts:
    sent = row.way == "carrier"
    codes = tuple(row.codes.split(","))
    return CaseFacts(
        id=row.id,
        kind=row.kind,
        said_by=row.said_by,
        letters=tuple(sorted({code[0] for code in codes})),
        opened_at=row.opened_at,
        decided=row.decided or "",
        here=bool(row.here) and row.decided == "repair",
        came=bool(row.came),
        carrier=row.carrier or "" if sent else "",
        number=row.number or "" if sent else "",
        sent_at=row.sent_at,
        parcel_id=row.parcel_id,
        codes=codes,
    )


def _parcels(copies: Sequence[CopyFacts], rows: Rows) -> tuple[ParcelFacts, ...]:
    found: list[ParcelFacts] = []
    for row in rows.parcels.values():
        inside = [copy for copy in copies if copy.parcel_id == row.id]
        if not inside:
            continue
        arrived = all(copy.step is Step.RECEIVED for copy in inside)
        received = max(copy.standing.since for copy in inside) if arrived else None
        found.append(
            ParcelFacts(
                row.id,
                row.way,
                row.carrier,
                row.number,
                row.sent_at,
                received,
                row.corrected_at,
                usual=kept(row.usual_first, row.usual_last),
            )
        )
    return tuple(sorted(found, key=lambda parcel: (parcel.sent_at, parcel.id)))


def _on_the_way(facts: OrderFacts, order: Row[Any], in_force: InForce) -> OrderFacts:
    """Add what the list of carriers says of the way to this order's customer."""
    country = order.ship_country

    def known(parcel: ParcelFacts) -> ParcelFacts:
        if parcel.way != "carrier":
            return parcel
        way = on_the_way(
            parcel.carrier, parcel.number, parcel.sent_at, country, in_force, parcel.usual
        )
        return replace(parcel, link=way.link, usual=way.usual, claim_by=way.claim_by)

    return replace(
        facts, parcels=tuple(map(known, facts.parcels)), journey=in_force.journey(country)
    )


def _question(row: Row[Any], rows: Rows) -> QuestionFacts:
    letter = ""
    for animal in rows.animals.get(row.order_id, ()):
        if row.model_id is not None and animal.id == row.model_id:
            letter = animal.in_order
    for copy in rows.copies.get(row.order_id, ()):
        if copy.id == row.copy_id or (row.model_id is not None and copy.model_id == row.model_id):
            letter = copy.letter
    by_letter = row.channel == "letter"
    return QuestionFacts(
        row.topic, _stops(row, rows), row.sent_at if by_letter else row.asked_at, row.channel,
        letter, row.id, row.asked, stopped=by_letter and not (row.sent_at or row.on_its_way),
        unpaid=Paid(row.until_paid) if row.until_paid else None,
    )  # fmt: skip


def _stops(question: Row[Any], rows: Rows) -> bool:
    """Whether a question stops a piece of its order where it stands."""
    order = question.order_id
    here = [*rows.animals.get(order, ()), *rows.copies.get(order, ())]
    return any(gate.question == question.id for piece in here for gate in _stopping(piece))


def _step_changes(changes: Iterable[Entry], until: int | None = None) -> int:
    return sum(
        entry.kind in _STEP_CHANGES and (until is None or entry.recorded_at <= until)
        for entry in changes
    )


def _told(row: Row[Any], changes: Sequence[Entry]) -> ToldRange:
    """The last telling. What a person told held for the steps as they were at that moment."""
    by_a_page = row.account_id is None
    seen_then = _step_changes(changes, row.at)
    return ToldRange(
        at=row.at,
        from_day=_day(row.from_day),
        to_day=_day(row.to_day),
        write_by=_day(row.write_by),
        basis=row.basis,
        steps_seen=row.steps_seen if by_a_page else max(row.steps_seen, seen_then),
        end_before=_day(row.end_before),
    )


def _day(value: str | None) -> date | None:
    return date.fromisoformat(value) if value else None


# ---------------------------------------------------------------- the range


def _with_range(
    facts: OrderFacts, order: Row[Any], rows: Rows, in_force: InForce, now: int
) -> OrderFacts:
    """Add what is computed now: days from the photos' passing, or what is left of the way."""
    blank_on, ours = in_force.settings.blank_on, in_force.settings.usual_weeks()
    weeks = ranges.from_passing(blank_on=blank_on, our_weeks=ours)
    forecast = rows.forecasts.get(order.id)
    points: ranges.Span | ranges.Soon | None = None
    if forecast is not None:
        points = ranges.read_points(
            forecast.points, forecast.basis, forecast.computed_at, stale=bool(forecast.stale),
            now=now, last_change_at=facts.last_change_at,
        )  # fmt: skip
    if not facts.passed:
        own = ranges.full_points(forecast.points, forecast.basis) if forecast is not None else None
        return replace(facts, weeks=own or weeks)
    if not has_range(facts):
        return replace(facts, weeks=weeks)
    if points is None:
        where = positions(facts, now)
        points = ranges.default_range(where, blank_on=blank_on, our_weeks=ours)
    computed = points if isinstance(points, ranges.Span) else None
    facts = replace(facts, weeks=weeks, computed=computed)
    made = decision(facts, in_force.calendar, now)
    return replace(facts, shown=made.shown, runs_over=made.later_since is not None)
