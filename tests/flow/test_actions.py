"""Recording a transition: one act, one transaction, on a real file."""

import threading

import pytest

from app.flow import store
from app.flow.actions import Wish, record
from app.flow.amendments import undo
from app.flow.rules import Kind, fold
from app.flow.steps import Of, Step
from app.flow.store import Ref
from app.shared.errors import AlreadyMoved, NotAllowed, NotFound, Refused
from app.shared.people import THE_HOUSE
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
def order(house):
    """One animal, two copies, photos wanted."""
    return make_order(house, CAST.desk, NOW, [Wanted(copies=2)])


@pytest.fixture
def in_painting(house):
    """One copy in painting, its model ready."""
    wanted = Wanted(step=Step.READY, copy_step=Step.PAINTING)
    return make_order(house, CAST.desk, NOW, [wanted]).copy("A1")


def say(house, ref, kind, who=CAST.painter, now=NOW, **more):
    return record(house, [Wish(ref, kind, **more)], who, now)


# ---------------------------------------------------------------- what a move writes


def test_a_move_is_written_whole(house, order):
    done = move(house, order.model(), CAST.desk, NOW + 60, "photos_counted", "k1", amount=14)
    ref = order.model()
    found = piece(house, ref)
    assert (found.state.step, found.state.entered_at) == (Step.PHOTOS_IN, NOW + 60)
    assert (found.version, found.state.counted_at) == (2, NOW + 60)
    with house.reading() as db:
        entry = store.log_of(db, ref)[-1]
    assert (entry.id, entry.act, entry.seq) == (done.act, done.act, 2)
    assert (entry.move, entry.by, entry.amount, entry.once) == ("photos_counted", 2, 14, "k1")
    assert rows(house, "SELECT from_step FROM transitions WHERE id = ?", entry.id) == [
        ("photos_wanted",)
    ]
    assert [state for _, state in done.pieces] == [found.state]


def test_a_move_makes_page_and_forecast_stale_and_counts_as_a_write(house, order):
    with house.writing() as db:
        db.exec_driver_sql(
            "INSERT INTO forecasts (order_id, computed_at, points, basis, inputs, stale)"
            " VALUES (1, 0, '{}', '', '', 0)"
        )
    before = rows(house, "SELECT wanted, version FROM status_pages, house")[0]
    move(house, order.model(), CAST.desk, NOW, "photos_counted")
    after = rows(house, "SELECT wanted, version FROM status_pages, house")[0]
    assert after == (before[0] + 1, before[1] + 1)
    assert rows(house, "SELECT stale FROM forecasts") == [(1,)]


def test_an_order_closes_with_its_last_piece_and_opens_again_when_that_is_undone(house):
    wanted = Wanted(step=Step.READY, copy_step=Step.HANDED_OVER)
    order = make_order(house, CAST.desk, NOW, [wanted])
    done = move(house, order.copy(), THE_HOUSE, NOW, "received")
    assert rows(house, "SELECT open FROM orders") == [(0,)]
    undo(house, done.act, CAST.desk, NOW)
    assert rows(house, "SELECT open FROM orders") == [(1,)]


def test_several_pieces_are_moved_in_one_act_or_none_of_them(house):
    wanted = Wanted(step=Step.READY, copies=3, copy_step=Step.PAINTING)
    order = make_order(house, CAST.desk, NOW, [wanted])
    refs = [order.copy(f"A{n}") for n in (1, 2, 3)]
    wishes = [Wish(ref, Kind.MOVE, "painted", version=1) for ref in refs]
    before = fingerprint(house.path)
    with pytest.raises(AlreadyMoved):
        record(house, [*wishes[:2], Wish(refs[2], Kind.MOVE, "painted", version=7)],
               CAST.painter, NOW)  # fmt: skip
    assert fingerprint(house.path) == before
    done = record(house, wishes, CAST.painter, NOW, "tap")
    assert {step_of(house, ref) for ref in refs} == {Step.INSPECTION}
    assert rows(house, "SELECT count(*) FROM transitions WHERE act = ?", done.act) == [(3,)]


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
def test_a_refused_act_writes_nothing(house, in_painting, wish, who, error):
    before = fingerprint(house.path)
    with pytest.raises(error):
        record(house, [Wish(in_painting, **wish)], who, NOW + 60)
    assert fingerprint(house.path) == before


def test_a_piece_that_is_not_there_is_not_found(house, order):
    for ref in (Ref(Of.COPY, 99), Ref(Of.MODEL, 99)):
        with pytest.raises(NotFound):
            move(house, ref, CAST.desk, NOW, "painted")


@pytest.mark.parametrize("text", ["", "copy", "copy:", "copy:-1", "copy:1x", "copy:٣", "pair:1",
                                  "copy:" + "9" * 30, "copy:1:2"])  # fmt: skip
def test_a_piece_named_wrongly_is_not_found(text):
    with pytest.raises(NotFound):
        Ref.read(text)


def test_a_piece_is_named_as_it_is_read():
    assert Ref.read(str(Ref(Of.COPY, 12))) == Ref(Of.COPY, 12)


# ---------------------------------------------------------------- taps and times


def test_a_double_tap_does_nothing_twice(house, in_painting):
    move(house, in_painting, CAST.painter, NOW, "painted", once="wet")
    before = fingerprint(house.path)
    with pytest.raises(AlreadyMoved, match="A1 is in Inspection now"):
        move(house, in_painting, CAST.painter, NOW, "painted", once="wet")
    assert fingerprint(house.path) == before


def test_one_key_serves_each_piece_of_a_page_once(house):
    wanted = Wanted(step=Step.READY, copies=2, copy_step=Step.PAINTING)
    order = make_order(house, CAST.desk, NOW, [wanted])
    for code in ("A1", "A2"):
        move(house, order.copy(code), CAST.painter, NOW, "painted", once="page")
        with pytest.raises(AlreadyMoved):
            move(house, order.copy(code), CAST.painter, NOW, "passed", once="page")


def test_of_two_hands_on_one_piece_exactly_one_wins(house, in_painting):
    outcomes: list[str] = []
    ready = threading.Barrier(2)

    def tap(who, key):
        ready.wait()
        try:
            move(house, in_painting, who, NOW, key, reason="a chip", version=1)
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
    assert piece(house, in_painting).version == 2


def test_a_typed_time_is_kept_beside_the_time_of_recording(house, in_painting):
    move(house, in_painting, CAST.painter, NOW + 5 * HOUR, "painted", happened_at=NOW + HOUR)
    assert rows(
        house, "SELECT happened_at, recorded_at, time_is FROM transitions ORDER BY id DESC LIMIT 1"
    ) == [(NOW + HOUR, NOW + 5 * HOUR, "typed")]


def test_the_moment_of_the_last_thing_and_this_very_moment_may_be_typed(house, in_painting):
    move(house, in_painting, CAST.painter, NOW + 60, "painted", happened_at=NOW)
    move(house, in_painting, CAST.desk, NOW + 60, "passed", happened_at=NOW + 60)


def test_work_goes_on_when_the_clock_was_put_back_an_hour(house, in_painting):
    move(house, in_painting, CAST.painter, NOW + 60, "painted")
    move(house, in_painting, CAST.desk, NOW + 60 - HOUR, "passed")
    found = piece(house, in_painting).state
    assert (found.step, found.entered_at) == (Step.PACKING, NOW + 60)


# ---------------------------------------------------------------- a model and its copies


@pytest.fixture
def finishing(house, order):
    walk(house, order.model(), CAST.finisher, NOW, *TO_FINISHING)
    return order


def test_finishing_a_model_begins_its_copies_in_the_same_act(house, finishing):
    done = move(house, finishing.model(), CAST.finisher, NOW + HOUR, "model_finished")
    assert step_of(house, finishing.model()) is Step.READY
    for code in ("A1", "A2"):
        state = piece(house, finishing.copy(code)).state
        assert (state.step, state.entered_at) == (Step.BLANK, NOW + HOUR)
    assert rows(house, "SELECT count(*) FROM transitions WHERE act = ?", done.act) == [(3,)]
    assert len(done.pieces) == 3


def test_without_a_blank_step_copies_begin_at_shaping(house, finishing):
    with house.writing() as db:
        db.exec_driver_sql("INSERT INTO settings VALUES ('blank_on', 'false', 0, NULL)")
    move(house, finishing.model(), CAST.finisher, NOW + HOUR, "model_finished")
    assert step_of(house, finishing.copy("A1")) is Step.SHAPING


def test_a_held_copy_begins_with_its_model_and_stays_on_hold(house, finishing):
    copy = finishing.copy("A1")
    say(house, copy, Kind.HOLD, CAST.desk, reason="abroad", whose="customer")
    move(house, finishing.model(), CAST.finisher, NOW + HOUR, "model_finished")
    state = piece(house, copy).state
    assert (state.step, state.held) == (Step.BLANK, True)


def test_a_copy_that_was_asked_about_later_than_the_typed_finish_begins_then(house, finishing):
    copy, late = finishing.copy("A1"), NOW + 5 * HOUR
    say(house, copy, Kind.ASK, CAST.desk, late)
    move(house, finishing.model(), CAST.finisher, late + 60, "model_finished",
         happened_at=NOW + HOUR)  # fmt: skip
    assert piece(house, copy).state.entered_at == late
    assert piece(house, finishing.copy("A2")).state.entered_at == NOW + HOUR


def test_a_copy_of_another_order_begins_with_the_model_too(house, finishing):
    other = make_order(house, CAST.desk, NOW, [Wanted(name="Bramble")])
    with house.writing() as db:
        db.exec_driver_sql("UPDATE copies SET model_id = 1 WHERE id = 3")
    move(house, finishing.model(), CAST.finisher, NOW + HOUR, "model_finished")
    assert step_of(house, other.copy("A1")) is Step.BLANK
    assert rows(house, "SELECT wanted > 1 FROM status_pages WHERE order_id = ?", other.id) == [(1,)]


# ---------------------------------------------------------------- remakes

BROKEN = {"reason": "an ear broke off"}


def test_a_remake_is_a_new_row_that_replaces_the_piece(house):
    wanted = Wanted(step=Step.READY, copies=2, copy_step=Step.INSPECTION)
    order = make_order(house, CAST.desk, NOW, [wanted])
    with house.writing() as db:
        db.exec_driver_sql("UPDATE copies SET size_mm = 80, inscription = 'Juniper'")
    done = move(house, order.copy("A2"), CAST.painter, NOW + 60, "remake", **BROKEN)
    assert step_of(house, order.copy("A2")) is Step.REPLACED
    (new,) = done.made
    found = piece(house, new)
    assert (found.letter, found.number, found.making) == ("A", 2, 2)
    assert (found.state.step, found.state.entered_at) == (Step.BLANK, NOW + 60)
    assert rows(
        house, "SELECT replaces_id, size_mm, inscription FROM copies WHERE id = ?", new.id
    ) == [(order.copy("A2").id, 80, "Juniper")]


def test_a_remake_of_a_remake_counts_on(house):
    wanted = Wanted(step=Step.READY, copy_step=Step.INSPECTION)
    order = make_order(house, CAST.desk, NOW, [wanted])
    first = move(house, order.copy(), CAST.painter, NOW, "remake", **BROKEN).made[0]
    second = move(house, first, CAST.shaper, NOW, "remake", **BROKEN).made[0]
    assert piece(house, second).making == 3


def test_a_fault_of_the_model_makes_a_next_version_that_sisters_share(house):
    wanted = Wanted(step=Step.READY, copies=3, copy_step=Step.INSPECTION)
    order = make_order(house, CAST.desk, NOW, [wanted])
    first = move(house, order.copy("A1"), CAST.painter, NOW, "remake", cause="model", **BROKEN)
    second = move(house, order.copy("A2"), CAST.painter, NOW, "remake", cause="model", **BROKEN)
    (version,) = versions_after(house, order.model())
    assert first.made == [version, first.made[1]]
    assert len(second.made) == 1
    assert step_of(house, version) is Step.FINISHING
    assert {p.ref for p in pieces_made_from(house, version)} == {first.made[1], second.made[0]}
    assert {p.state.step for p in pieces_made_from(house, version)} == {Step.NOT_BEGUN}
    assert step_of(house, order.copy("A3")) is Step.INSPECTION
    move(house, version, CAST.finisher, NOW + HOUR, "model_finished")
    assert {p.state.step for p in pieces_made_from(house, version)} == {Step.BLANK}


def test_a_next_version_keeps_the_day_on_which_the_photos_passed(house, finishing):
    passed = piece(house, finishing.model()).state.passed_at
    move(house, finishing.model(), CAST.finisher, NOW + HOUR, "model_finished")
    walk(house, finishing.copy("A1"), CAST.shaper, NOW + HOUR, "blank_done")
    move(
        house, finishing.copy("A1"), CAST.shaper, NOW + 2 * HOUR, "remake", cause="model", **BROKEN
    )
    (version,) = versions_after(house, finishing.model())
    assert passed is not None
    assert piece(house, version).state.passed_at == passed
    assert piece(house, version).number == 2


# ---------------------------------------------------------------- news and imports


def news(house) -> list[tuple[object, ...]]:
    return rows(house, "SELECT letter, kind, round, taken_back_at IS NULL FROM news ORDER BY id")


def test_news_is_written_once_and_not_again_on_rework(house, order):
    ref = order.model()
    walk(house, ref, CAST.finisher, NOW, *TO_FINISHING)
    assert news(house) == [("A", "photos_counted", 0, 1), ("A", "photos_passed", 0, 1)]
    move(house, ref, CAST.finisher, NOW + HOUR, "more_views")
    walk(house, ref, CAST.finisher, NOW + HOUR, *TO_FINISHING)
    assert news(house)[2:] == [("A", "more_views", 1, 1), ("A", "photos_counted", 1, 1)]


def test_two_copies_that_begin_together_are_one_piece_of_news(house, finishing):
    move(house, finishing.model(), CAST.finisher, NOW + HOUR, "model_finished")
    assert [n for n in news(house) if n[1] == "making_begun"] == [("A", "making_begun", 0, 1)]


def test_each_animal_has_its_own_news(house):
    order = make_order(house, CAST.desk, NOW, [Wanted("Juniper"), Wanted("Bramble")])
    for letter in "AB":
        move(house, order.model(letter), CAST.desk, NOW, "photos_counted")
    assert news(house) == [("A", "photos_counted", 0, 1), ("B", "photos_counted", 0, 1)]


def test_an_order_that_waits_for_anothers_model_hears_of_it_under_its_own_letter(house, order):
    follow_on = make_order(house, CAST.desk, NOW, [Wanted("Bramble"), Wanted("Juniper again")])
    with house.writing() as db:
        db.exec_driver_sql(
            f"UPDATE order_animals SET model_id = 1 WHERE order_id = {follow_on.id} AND letter = 'B'"
        )
    move(house, order.model(), CAST.desk, NOW, "photos_counted")
    found = rows(house, "SELECT order_id, letter, kind FROM news ORDER BY order_id")
    assert found == [(order.id, "A", "photos_counted"), (follow_on.id, "B", "photos_counted")]


def test_orders_brought_in_under_way_tell_nobody_anything(house):
    wanted = [Wanted(step=Step.FINISHING), Wanted(step=Step.READY, copy_step=Step.HANDED_OVER)]
    order = make_order(house, CAST.desk, NOW, wanted, at=NOW - 9 * HOUR, imported=True)
    assert news(house) == []
    assert rows(house, "SELECT DISTINCT time_is, happened_at, recorded_at FROM transitions") == [
        ("imported", NOW - 9 * HOUR, NOW)
    ]
    with house.reading() as db:
        for ref in order.pieces.values():
            assert fold(ref.of, store.log_of(db, ref)) == store.load(db, ref).state


def test_nothing_enters_in_the_future(house):
    before = fingerprint(house.path)
    with pytest.raises(Refused, match="in the future"):
        make_order(house, CAST.desk, NOW, at=NOW + 1)
    assert fingerprint(house.path) == before
