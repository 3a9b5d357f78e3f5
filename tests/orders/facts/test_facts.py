"""An order's facts, as they come from the log."""

import pytest
from sqlalchemy import event, insert, update

from app.flow.actions import Wish, record
from app.flow.amendments import undo
from app.flow.rules import Kind, TimeIs
from app.flow.steps import Step
from app.orders.facts.gather import facts_of, facts_of_many
from app.orders.facts.order import OrderFacts
from app.orders.facts.ranges import FROM_THE_TRADE
from app.orders.facts.standing import is_quiet
from app.shared.calendar import Calendar
from app.shared.database import Database
from app.shared.errors import NotFound
from app.studio.rules import StudioSettings
from app.studio.workshop import InForce
from app.tables import (
    copies,
    marks,
    models,
    news,
    order_animals,
    parcels,
    photo_deliveries,
    questions,
    tellings,
    transitions,
    views_asked,
)
from tests.making import CAST, DAY, HOUR, NOW, MadeOrder, Wanted, make_order, move, walk

STUDIO = InForce(StudioSettings(), Calendar(StudioSettings().zone_info()))
GOOD = ("photos_counted", "build_started", "build_finished", "good")


def facts(database: Database, order: MadeOrder, now: int = NOW) -> OrderFacts:
    with database.reading() as db:
        return facts_of(db, order.id, STUDIO, now)


def put(database: Database, table, **values: object) -> None:
    with database.writing() as db:
        db.execute(insert(table).values(**values))


def start(database: Database, ref, who, now: int, **more: object) -> None:
    record(database, [Wish(ref, Kind.START, **more)], who, now)


def test_an_order_that_is_not_there_is_not_found(database: Database) -> None:
    with database.reading() as db, pytest.raises(NotFound):
        facts_of(db, 99, STUDIO, NOW)


def test_an_order_just_typed(database: Database) -> None:
    order = make_order(database, CAST.desk, NOW, [Wanted("Juniper", 2), Wanted("Otis")], gift=1)
    put(database, marks, animal_id=order.animal_ids["A"], what="white stocking", side="left")
    put(database, marks, animal_id=order.animal_ids["A"], what="gone", gone_at=NOW)
    found = facts(database, order)
    assert [(a.letter, a.name, len(a.copies)) for a in found.animals] == [
        ("A", "Juniper", 2),
        ("B", "Otis", 1),
    ]
    assert [c.code for c in found.copies] == ["1001-A1", "1001-A2", "1001-B1"]
    assert [m.what for m in found.animals[0].marks] == ["white stocking"]
    assert (found.gift, found.open, found.passed, found.steps_seen) == (True, True, False, 0)
    assert found.computed is None
    assert found.weeks.basis == FROM_THE_TRADE


def test_photos_told_of_and_counted(database: Database) -> None:
    order = make_order(database, CAST.desk, NOW)
    record(database, [Wish(order.model(), Kind.TOLD)], CAST.desk, NOW + HOUR)
    put(database, photo_deliveries, order_id=order.id, told_at=NOW + HOUR, files_said=90)
    animal = facts(database, order).animals[0]
    assert (animal.told_at, animal.told_files, animal.counted_at) == (NOW + HOUR, 90, None)
    move(database, order.model(), CAST.desk, NOW + 2 * HOUR, "photos_counted", amount=82)
    animal = facts(database, order).animals[0]
    assert (animal.counted_at, animal.pictures) == (NOW + 2 * HOUR, 82)


def test_only_the_views_asked_for_now_are_told(database: Database) -> None:
    order = make_order(database, CAST.desk, NOW)
    last = walk(database, order.model(), CAST.desk, NOW, *GOOD[:3], "more_views")
    for attempt, wish in ((1, "from behind"), (2, "left ear"), (2, "tail")):
        number = 1 if wish != "tail" else 2
        put(
            database,
            views_asked,
            model_id=order.model().id,
            attempt=attempt,
            number=number,
            wish=wish,
            asked_at=last,
        )
    animal = facts(database, order).animals[0]
    assert [(view.number, view.wish) for view in animal.views] == [(1, "left ear"), (2, "tail")]
    assert (animal.attempts, animal.passed, animal.outcome) == (1, False, "")
    move(database, order.model(), CAST.desk, last + HOUR, "photos_counted", amount=90)
    assert facts(database, order).animals[0].views == ()


def test_photos_that_passed_with_limits(database: Database) -> None:
    order = make_order(database, CAST.desk, NOW)
    last = walk(database, order.model(), CAST.desk, NOW, *GOOD[:3], "limits")
    with database.writing() as db:
        db.execute(update(models).values(limits="the far side of the mane"))
    found = facts(database, order, last)
    animal = found.animals[0]
    assert (animal.passed_at, animal.outcome, animal.limits) == (
        last,
        "limits",
        "the far side of the mane",
    )
    assert found.passed
    assert found.computed is not None
    assert found.computed.basis == FROM_THE_TRADE


def test_who_has_it_in_hand_is_told_by_first_name_alone(database: Database) -> None:
    order = make_order(database, CAST.desk, NOW, [Wanted(step=Step.READY, copy_step=Step.PAINTING)])
    start(database, order.copy(), CAST.painter, NOW + HOUR)
    standing = facts(database, order).copies[0].standing
    assert (standing.by, standing.in_hand, standing.hand_since) == ("Pilar", True, NOW + HOUR)
    aside = Wish(order.copy(), Kind.ASIDE, reason="drying", until=NOW + DAY)
    record(database, [aside], CAST.painter, NOW + 2 * HOUR)
    standing = facts(database, order).copies[0].standing
    assert (standing.by, standing.in_hand, standing.drying) == ("Pilar", False, True)


def test_rework_is_told_until_the_piece_passes_again(database: Database) -> None:
    order = make_order(
        database, CAST.desk, NOW, [Wanted(step=Step.READY, copy_step=Step.INSPECTION)]
    )
    last = walk(database, order.copy(), CAST.painter, NOW, "back_to_painting")
    assert facts(database, order).copies[0].made_again
    last = walk(database, order.copy(), CAST.painter, last, "painted", "passed")
    copy = facts(database, order).copies[0]
    assert (copy.rework, copy.made_again, copy.inspected_at) == (False, False, last)


def test_a_remake_stands_in_the_place_of_the_piece(database: Database) -> None:
    order = make_order(
        database, CAST.desk, NOW, [Wanted(step=Step.READY, copy_step=Step.INSPECTION)]
    )
    walk(database, order.copy(), CAST.painter, NOW, "remake")
    copy = facts(database, order).copies
    assert [(c.code, c.step, c.remake, c.made_again) for c in copy] == [
        ("1001-A1", Step.BLANK, True, True)
    ]


def test_a_parcel_holds_its_copies_and_is_received_with_the_last(database: Database) -> None:
    order = make_order(
        database, CAST.desk, NOW, [Wanted(copies=2, step=Step.READY, copy_step=Step.PACKING)]
    )
    put(database, parcels, id=5, carrier="Post", number="JA1", sent_at=NOW + HOUR)
    with database.writing() as db:
        db.execute(update(copies).values(parcel_id=5))
    for code in ("A1", "A2"):
        move(database, order.copy(code), CAST.desk, NOW + HOUR, "handed_over", amount=5)
    found = facts(database, order)
    assert (found.left, found.received, found.computed) == (True, False, None)
    assert [(p.carrier, p.number, p.received_at) for p in found.parcels] == [("Post", "JA1", None)]
    for code, hours in (("A1", 30), ("A2", 40)):
        move(database, order.copy(code), CAST.desk, NOW + hours * HOUR, "received")
    found = facts(database, order, NOW + 50 * HOUR)
    assert found.received
    assert not found.open
    assert found.parcels[0].received_at == NOW + 40 * HOUR
    assert not found.copies[0].received_assumed
    with database.writing() as db:
        db.execute(
            update(transitions)
            .where(transitions.c.move == "received")
            .values(time_is=TimeIs.ASSUMED)
        )
    assert facts(database, order).copies[0].received_assumed


def test_questions_that_are_open_are_named_by_topic_and_animal(database: Database) -> None:
    order = make_order(database, CAST.desk, NOW, [Wanted("Juniper"), Wanted("Otis")])
    asked = {"order_id": order.id, "asked": "?", "asked_at": NOW}
    put(database, questions, topic="colour", copy_id=order.copy("B1").id, **asked)
    put(database, questions, topic="address", answered_at=NOW, **asked)
    put(database, questions, topic="pose", dropped=1, **asked)
    assert [(q.topic, q.letter, q.blocking) for q in facts(database, order).questions] == [
        ("colour", "B", False)
    ]


def test_a_question_blocks_from_the_step_on_before_which_it_stands(database: Database) -> None:
    wanted = [Wanted(step=Step.READY, copy_step=Step.SHAPING)]
    order = make_order(database, CAST.desk, NOW, wanted)
    copy = order.copy()
    asked = {"order_id": order.id, "asked": "?", "asked_at": NOW, "before_step": "painting"}
    put(database, questions, topic="colour", copy_id=copy.id, **asked)
    ask = Wish(copy, Kind.ASK, question_id=1, before=Step.PAINTING)
    record(database, [ask], CAST.desk, NOW)
    assert [question.blocking for question in facts(database, order).questions] == [False]
    move(database, copy, CAST.shaper, NOW + HOUR, "shaped")
    assert [question.blocking for question in facts(database, order).questions] == [True]


def test_what_was_undone_or_struck_is_not_told(database: Database) -> None:
    order = make_order(database, CAST.desk, NOW)
    last = walk(database, order.model(), CAST.desk, NOW, *GOOD)
    entry = move(database, order.model(), CAST.finisher, last, "more_views").act
    undo(database, entry, CAST.finisher, last + 60)
    found = facts(database, order)
    assert (found.animals[0].outcome, found.animals[0].attempts) == ("good", 0)
    # Both the move and its undoing are changes: a range is looked at anew after each.
    assert found.steps_seen == 6


def test_the_last_telling_is_what_was_told(database: Database) -> None:
    order = make_order(database, CAST.desk, NOW)
    for hour, day in ((2, "2026-04-02"), (1, "2026-04-01")):
        put(
            database,
            tellings,
            order_id=order.id,
            at=NOW + hour * HOUR,
            from_day="2026-03-20",
            to_day=day,
        )
    told = facts(database, order).told
    assert told is not None
    assert str(told.to_day) == "2026-04-02"


def test_fourteen_days_without_news_count_from_news_and_changes_alike(database: Database) -> None:
    order = make_order(database, CAST.desk, NOW, [Wanted(step=Step.READY, copy_step=Step.SHAPING)])
    assert not is_quiet(facts(database, order), NOW + 14 * DAY - 1)
    assert is_quiet(facts(database, order), NOW + 14 * DAY)
    put(database, news, order_id=order.id, kind="word", at=NOW + 3 * DAY)
    assert not is_quiet(facts(database, order), NOW + 14 * DAY)


def test_an_order_that_waits_for_its_customer_is_not_quiet(database: Database) -> None:
    order = make_order(database, CAST.desk, NOW)
    assert not is_quiet(facts(database, order), NOW + 60 * DAY)


def test_a_follow_on_order_tells_of_the_model_it_is_made_from(database: Database) -> None:
    first = make_order(database, CAST.desk, NOW)
    walk(database, first.model(), CAST.desk, NOW, *GOOD)
    second = make_order(
        database, CAST.desk, NOW + DAY, [Wanted(step=Step.READY, copy_step=Step.SHAPING)]
    )
    with database.writing() as db:
        mine = order_animals.c.order_id == second.id
        db.execute(update(order_animals).where(mine).values(model_id=first.model().id))
    animal = facts(database, second).animals[0]
    assert (animal.model.step, animal.outcome) == (Step.FINISHING, "good")


def test_twenty_orders_cost_no_more_queries_than_one(database: Database) -> None:
    orders = [make_order(database, CAST.desk, NOW, [Wanted(copies=2)]) for _ in range(20)]
    counts = []
    for some in (orders[:1], orders):
        seen: list[str] = []

        def note(_c: object, _u: object, statement: str, *_: object, seen=seen) -> None:
            seen.append(statement)

        event.listen(database._reader, "before_cursor_execute", note)
        with database.reading() as db:
            found = facts_of_many(db, [order.id for order in some], STUDIO, NOW)
        event.remove(database._reader, "before_cursor_execute", note)
        assert len(found) == len(some)
        counts.append(len([sql for sql in seen if sql.startswith("SELECT")]))
    assert counts[0] == counts[1] <= 15
