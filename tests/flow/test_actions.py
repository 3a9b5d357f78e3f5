"""Recording a transition: one act, one transaction, on a real file."""

import threading

import pytest

from app.flow import store
from app.flow.actions import Wish, entering, record
from app.flow.amendments import undo
from app.flow.rules import Kind, fold
from app.flow.steps import Of, Step
from app.flow.store import Ref
from app.shared.errors import AlreadyMoved, NotAllowed, NotFound, Refused
from app.shared.people import AUTOMATIC
from tests.making import (
    CAST,
    HOUR,
    NOW,
    Wanted,
    fingerprint,
    make_order,
    move,
    piece,
    pieces_made_from,
    rows,
    step_of,
    versions_after,
    walk,
)

TO_FINISHING = ("photos_counted", "build_started", "build_finished", "good")


@pytest.fixture
def order(database):
    """One animal, two copies, photos wanted."""
    return make_order(database, CAST.desk, NOW, [Wanted(copies=2)])


@pytest.fixture
def in_painting(database):
    """One copy in painting, its model ready."""
    wanted = Wanted(step=Step.READY, copy_step=Step.PAINTING)
    return make_order(database, CAST.desk, NOW, [wanted]).copy("A1")


def say(database, ref, kind, who=CAST.painter, now=NOW, **more):
    return record(database, [Wish(ref, kind, **more)], who, now)


# ---------------------------------------------------------------- what a move writes


def test_a_move_is_written_whole(database, order):
    done = move(database, order.model(), CAST.desk, NOW + 60, "photos_counted", "k1", amount=14)
    ref = order.model()
    found = piece(database, ref)
    assert (found.state.step, found.state.entered_at) == (Step.PHOTOS_IN, NOW + 60)
    assert (found.version, found.state.counted_at) == (2, NOW + 60)
    with database.reading() as db:
        entry = store.log_of(db, ref)[-1]
    assert (entry.id, entry.act, entry.seq) == (done.act, done.act, 2)
    assert (entry.move, entry.by, entry.amount, entry.once) == ("photos_counted", 2, 14, "k1")
    assert rows(database, "SELECT from_step FROM transitions WHERE id = ?", entry.id) == [
        ("photos_wanted",)
    ]
    assert [state for _, state in done.pieces] == [found.state]


def test_a_move_makes_page_and_forecast_stale_and_counts_as_a_write(database, order):
    with database.writing() as db:
        db.exec_driver_sql(
            "INSERT INTO forecasts (order_id, computed_at, points, basis, inputs, stale)"
            " VALUES (1, 0, '{}', '', '', 0)"
        )
    before = rows(database, "SELECT wanted, version FROM status_pages, house")[0]
    move(database, order.model(), CAST.desk, NOW, "photos_counted")
    after = rows(database, "SELECT wanted, version FROM status_pages, house")[0]
    assert after == (before[0] + 1, before[1] + 1)
    assert rows(database, "SELECT stale FROM forecasts") == [(1,)]


def test_an_order_closes_with_its_last_piece_and_opens_again_when_that_is_undone(database):
    wanted = Wanted(step=Step.READY, copy_step=Step.HANDED_OVER)
    order = make_order(database, CAST.desk, NOW, [wanted])
    done = move(database, order.copy(), AUTOMATIC, NOW, "received")
    assert rows(database, "SELECT open FROM orders") == [(0,)]
    undo(database, done.act, CAST.desk, NOW)
    assert rows(database, "SELECT open FROM orders") == [(1,)]


def test_several_pieces_are_moved_in_one_act_or_none_of_them(database):
    wanted = Wanted(step=Step.READY, copies=3, copy_step=Step.PAINTING)
    order = make_order(database, CAST.desk, NOW, [wanted])
    refs = [order.copy(f"A{n}") for n in (1, 2, 3)]
    wishes = [Wish(ref, Kind.MOVE, "painted", version=1) for ref in refs]
    before = fingerprint(database.path)
    with pytest.raises(AlreadyMoved):
        record(database, [*wishes[:2], Wish(refs[2], Kind.MOVE, "painted", version=7)],
               CAST.painter, NOW)  # fmt: skip
    assert fingerprint(database.path) == before
    done = record(database, wishes, CAST.painter, NOW, "tap")
    assert {step_of(database, ref) for ref in refs} == {Step.INSPECTION}
    assert rows(database, "SELECT count(*) FROM transitions WHERE act = ?", done.act) == [(3,)]


# ---------------------------------------------------------------- what is refused writes nothing


@pytest.mark.parametrize(
    ("wish", "who", "error"),
    [
        ({"kind": Kind.MOVE, "move": "packed_off"}, CAST.painter, Refused),
        ({"kind": Kind.MOVE, "move": "shaped"}, CAST.painter, Refused),
        ({"kind": Kind.MOVE, "move": "remake"}, CAST.painter, Refused),
        ({"kind": Kind.MOVE, "move": "cancel", "reason": "so", "whose": "studio"},
         CAST.painter, NotAllowed),
        ({"kind": Kind.MOVE, "move": "cancel", "reason": "so", "whose": "mine"},
         CAST.desk, Refused),
        ({"kind": Kind.MOVE, "move": "painted", "version": 0}, CAST.painter, AlreadyMoved),
        ({"kind": Kind.MOVE, "move": "painted", "happened_at": NOW + 61}, CAST.painter, Refused),
        ({"kind": Kind.MOVE, "move": "painted", "happened_at": NOW - 1}, CAST.painter, Refused),
        ({"kind": Kind.ASIDE, "until": NOW}, CAST.painter, Refused),
        ({"kind": Kind.HOLD, "whose": "studio"}, CAST.painter, Refused),
        ({"kind": Kind.LIFT}, CAST.painter, Refused),
        ({"kind": Kind.TOLD}, CAST.desk, Refused),
        ({"kind": Kind.ANSWER}, CAST.desk, Refused),
        ({"kind": Kind.UNDO}, CAST.owner, Refused),
        ({"kind": Kind.ENTER}, CAST.owner, Refused),
    ],
    ids=str,
)  # fmt: skip
def test_a_refused_act_writes_nothing(database, in_painting, wish, who, error):
    before = fingerprint(database.path)
    with pytest.raises(error):
        record(database, [Wish(in_painting, **wish)], who, NOW + 60)
    assert fingerprint(database.path) == before


def test_a_piece_that_is_not_there_is_not_found(database, order):
    for ref in (Ref(Of.COPY, 99), Ref(Of.MODEL, 99)):
        with pytest.raises(NotFound):
            move(database, ref, CAST.desk, NOW, "painted")


@pytest.mark.parametrize("text", ["", "copy", "copy:", "copy:-1", "copy:1x", "copy:٣", "pair:1",
                                  "copy:" + "9" * 30, "copy:1:2"])  # fmt: skip
def test_a_piece_named_wrongly_is_not_found(text):
    with pytest.raises(NotFound):
        Ref.read(text)


def test_a_piece_is_named_as_it_is_read():
    assert Ref.read(str(Ref(Of.COPY, 12))) == Ref(Of.COPY, 12)


# ---------------------------------------------------------------- taps and times


def test_a_double_tap_does_nothing_twice(database, in_painting):
    move(database, in_painting, CAST.painter, NOW, "painted", once="wet")
    before = fingerprint(database.path)
    with pytest.raises(AlreadyMoved, match="A1 is in Inspection now"):
        move(database, in_painting, CAST.painter, NOW, "painted", once="wet")
    assert fingerprint(database.path) == before


def test_one_key_serves_each_piece_of_a_page_once(database):
    wanted = Wanted(step=Step.READY, copies=2, copy_step=Step.PAINTING)
    order = make_order(database, CAST.desk, NOW, [wanted])
    for code in ("A1", "A2"):
        move(database, order.copy(code), CAST.painter, NOW, "painted", once="page")
        with pytest.raises(AlreadyMoved):
            move(database, order.copy(code), CAST.painter, NOW, "passed", once="page")


def test_of_two_hands_on_one_piece_exactly_one_wins(database, in_painting):
    outcomes: list[str] = []
    ready = threading.Barrier(2)

    def tap(who, key):
        ready.wait()
        try:
            move(database, in_painting, who, NOW, key, reason="a chip", version=1)
            outcomes.append("moved")
        except AlreadyMoved:
            outcomes.append("already moved")

    taps = ((CAST.painter, "painted"), (CAST.shaper, "back_to_shaping"))
    threads = [threading.Thread(target=tap, args=args) for args in taps]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == ["already moved", "moved"]
    assert piece(database, in_painting).version == 2


def test_a_typed_time_is_kept_beside_the_time_of_recording(database, in_painting):
    move(database, in_painting, CAST.painter, NOW + 5 * HOUR, "painted", happened_at=NOW + HOUR)
    assert rows(
        database,
        "SELECT happened_at, recorded_at, time_is FROM transitions ORDER BY id DESC LIMIT 1",
    ) == [(NOW + HOUR, NOW + 5 * HOUR, "typed")]


def test_the_moment_of_the_last_thing_and_this_very_moment_may_be_typed(database, in_painting):
    move(database, in_painting, CAST.painter, NOW + 60, "painted", happened_at=NOW)
    move(database, in_painting, CAST.desk, NOW + 60, "passed", happened_at=NOW + 60)


def test_work_goes_on_when_the_clock_was_put_back_an_hour(database, in_painting):
    move(database, in_painting, CAST.painter, NOW + 60, "painted")
    move(database, in_painting, CAST.desk, NOW + 60 - HOUR, "passed")
    found = piece(database, in_painting).state
    assert (found.step, found.entered_at) == (Step.PACKING, NOW + 60)


# ---------------------------------------------------------------- a model and its copies


@pytest.fixture
def finishing(database, order):
    walk(database, order.model(), CAST.finisher, NOW, *TO_FINISHING)
    return order


def test_finishing_a_model_begins_its_copies_in_the_same_act(database, finishing):
    done = move(database, finishing.model(), CAST.finisher, NOW + HOUR, "model_finished")
    assert step_of(database, finishing.model()) is Step.READY
    for code in ("A1", "A2"):
        state = piece(database, finishing.copy(code)).state
        assert (state.step, state.entered_at) == (Step.BLANK, NOW + HOUR)
    assert rows(database, "SELECT count(*) FROM transitions WHERE act = ?", done.act) == [(3,)]
    assert len(done.pieces) == 3


def test_without_a_blank_step_copies_begin_at_shaping(database, finishing):
    with database.writing() as db:
        db.exec_driver_sql("INSERT INTO settings VALUES ('blank_on', 'false', 0, NULL)")
    move(database, finishing.model(), CAST.finisher, NOW + HOUR, "model_finished")
    assert step_of(database, finishing.copy("A1")) is Step.SHAPING


def test_a_held_copy_begins_with_its_model_and_stays_on_hold(database, finishing):
    copy = finishing.copy("A1")
    say(database, copy, Kind.HOLD, CAST.desk, reason="abroad", whose="customer")
    move(database, finishing.model(), CAST.finisher, NOW + HOUR, "model_finished")
    state = piece(database, copy).state
    assert (state.step, state.held) == (Step.BLANK, True)


def test_a_copy_that_was_asked_about_later_than_the_typed_finish_begins_then(database, finishing):
    copy, late = finishing.copy("A1"), NOW + 5 * HOUR
    say(database, copy, Kind.ASK, CAST.desk, late)
    move(database, finishing.model(), CAST.finisher, late + 60, "model_finished",
         happened_at=NOW + HOUR)  # fmt: skip
    assert piece(database, copy).state.entered_at == late
    assert piece(database, finishing.copy("A2")).state.entered_at == NOW + HOUR


def test_a_copy_of_another_order_begins_with_the_model_too(database, finishing):
    other = make_order(database, CAST.desk, NOW, [Wanted(name="Bramble")])
    with database.writing() as db:
        db.exec_driver_sql("UPDATE copies SET model_id = 1 WHERE id = 3")
    move(database, finishing.model(), CAST.finisher, NOW + HOUR, "model_finished")
    assert step_of(database, other.copy("A1")) is Step.BLANK
    assert rows(database, "SELECT wanted > 1 FROM status_pages WHERE order_id = ?", other.id) == [
        (1,)
    ]


# ---------------------------------------------------------------- remakes

BROKEN = {"reason": "an ear broke off"}


def test_a_remake_is_a_new_row_that_replaces_the_piece(database):
    wanted = Wanted(step=Step.READY, copies=2, copy_step=Step.INSPECTION)
    order = make_order(database, CAST.desk, NOW, [wanted])
    with database.writing() as db:
        db.exec_driver_sql("UPDATE copies SET size_mm = 80, inscription = 'Juniper'")
    done = move(database, order.copy("A2"), CAST.painter, NOW + 60, "remake", **BROKEN)
    assert step_of(database, order.copy("A2")) is Step.REPLACED
    (new,) = done.made
    found = piece(database, new)
    assert (found.letter, found.number, found.making) == ("A", 2, 2)
    assert (found.state.step, found.state.entered_at) == (Step.BLANK, NOW + 60)
    assert rows(
        database, "SELECT replaces_id, size_mm, inscription FROM copies WHERE id = ?", new.id
    ) == [(order.copy("A2").id, 80, "Juniper")]


def test_a_remake_of_a_remake_counts_on(database):
    wanted = Wanted(step=Step.READY, copy_step=Step.INSPECTION)
    order = make_order(database, CAST.desk, NOW, [wanted])
    first = move(database, order.copy(), CAST.painter, NOW, "remake", **BROKEN).made[0]
    second = move(database, first, CAST.shaper, NOW, "remake", **BROKEN).made[0]
    assert piece(database, second).making == 3


def test_a_fault_of_the_model_makes_a_next_version_that_sisters_share(database):
    wanted = Wanted(step=Step.READY, copies=3, copy_step=Step.INSPECTION)
    order = make_order(database, CAST.desk, NOW, [wanted])
    first = move(database, order.copy("A1"), CAST.painter, NOW, "remake", cause="model", **BROKEN)
    second = move(database, order.copy("A2"), CAST.painter, NOW, "remake", cause="model", **BROKEN)
    (version,) = versions_after(database, order.model())
    assert first.made == [version, first.made[1]]
    assert len(second.made) == 1
    assert step_of(database, version) is Step.FINISHING
    assert {p.ref for p in pieces_made_from(database, version)} == {first.made[1], second.made[0]}
    assert {p.state.step for p in pieces_made_from(database, version)} == {Step.NOT_BEGUN}
    assert step_of(database, order.copy("A3")) is Step.INSPECTION
    move(database, version, CAST.finisher, NOW + HOUR, "model_finished")
    assert {p.state.step for p in pieces_made_from(database, version)} == {Step.BLANK}


def test_a_next_version_keeps_the_day_on_which_the_photos_passed(database, finishing):
    passed = piece(database, finishing.model()).state.passed_at
    move(database, finishing.model(), CAST.finisher, NOW + HOUR, "model_finished")
    walk(database, finishing.copy("A1"), CAST.shaper, NOW + HOUR, "blank_done")
    move(
        database,
        finishing.copy("A1"),
        CAST.shaper,
        NOW + 2 * HOUR,
        "remake",
        cause="model",
        **BROKEN,
    )
    (version,) = versions_after(database, finishing.model())
    assert passed is not None
    assert piece(database, version).state.passed_at == passed
    assert piece(database, version).number == 2


def test_nothing_is_made_from_a_model_that_is_not_ready(database, order):
    walk(database, order.model(), CAST.finisher, NOW, *TO_FINISHING)
    with pytest.raises(Refused, match="It begins when its model is ready"):
        move(database, order.copy(), CAST.shaper, NOW + HOUR, "begun")
    assert step_of(database, order.copy()) is Step.NOT_BEGUN
    assert news(database)[-1] == ("A", "photos_passed", 0, 1)


# ---------------------------------------------------------------- news and imports


def news(database) -> list[tuple[object, ...]]:
    return rows(database, "SELECT letter, kind, round, taken_back_at IS NULL FROM news ORDER BY id")


def test_news_is_written_once_and_not_again_on_rework(database, order):
    ref = order.model()
    walk(database, ref, CAST.finisher, NOW, *TO_FINISHING)
    assert news(database) == [("A", "photos_counted", 0, 1), ("A", "photos_passed", 0, 1)]
    move(database, ref, CAST.finisher, NOW + HOUR, "more_views")
    walk(database, ref, CAST.finisher, NOW + HOUR, *TO_FINISHING)
    assert news(database)[2:] == [("A", "more_views", 1, 1), ("A", "photos_counted", 1, 1)]


def test_two_copies_that_begin_together_are_one_piece_of_news(database, finishing):
    move(database, finishing.model(), CAST.finisher, NOW + HOUR, "model_finished")
    assert [n for n in news(database) if n[1] == "making_begun"] == [("A", "making_begun", 0, 1)]


def test_each_animal_has_its_own_news(database):
    order = make_order(database, CAST.desk, NOW, [Wanted("Juniper"), Wanted("Bramble")])
    for letter in "AB":
        move(database, order.model(letter), CAST.desk, NOW, "photos_counted")
    assert news(database) == [("A", "photos_counted", 0, 1), ("B", "photos_counted", 0, 1)]


def test_an_order_that_waits_for_anothers_model_hears_of_it_under_its_own_letter(database, order):
    follow_on = make_order(database, CAST.desk, NOW, [Wanted("Bramble"), Wanted("Juniper again")])
    with database.writing() as db:
        db.exec_driver_sql(
            f"UPDATE order_animals SET model_id = 1 WHERE order_id = {follow_on.id} AND letter = 'B'"
        )
    move(database, order.model(), CAST.desk, NOW, "photos_counted")
    found = rows(database, "SELECT order_id, letter, kind FROM news ORDER BY order_id")
    assert found == [(order.id, "A", "photos_counted"), (follow_on.id, "B", "photos_counted")]


def test_orders_brought_in_under_way_tell_nobody_anything(database):
    wanted = [Wanted(step=Step.FINISHING), Wanted(step=Step.READY, copy_step=Step.HANDED_OVER)]
    order = make_order(database, CAST.desk, NOW, wanted, at=NOW - 9 * HOUR, imported=True)
    assert news(database) == []
    assert rows(database, "SELECT DISTINCT time_is, happened_at, recorded_at FROM transitions") == [
        ("imported", NOW - 9 * HOUR, NOW)
    ]
    with database.reading() as db:
        for ref in order.pieces.values():
            assert fold(ref.of, store.log_of(db, ref)) == store.load(db, ref).state


def test_nothing_enters_where_a_piece_of_its_kind_does_not_begin(database, order, studio_file):
    before = fingerprint(studio_file)
    values = {"order_id": order.id, "letter": "B"}
    with pytest.raises(Refused, match="A model cannot enter at Blank"), database.writing() as db:
        entering(db, CAST.desk, NOW).piece(Of.MODEL, values, Step.BLANK, NOW)
    assert fingerprint(studio_file) == before


def test_nothing_enters_in_the_future(database):
    before = fingerprint(database.path)
    with pytest.raises(Refused, match="in the future"):
        make_order(database, CAST.desk, NOW, at=NOW + 1)
    assert fingerprint(database.path) == before
