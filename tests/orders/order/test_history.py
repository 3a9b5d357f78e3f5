"""A log in words: both times, what was undone, what was put right. Pure."""

from dataclasses import replace

from app.flow.legality import UNDO_WITHIN
from app.flow.rules import Kind, TimeIs
from app.flow.steps import MOVES, Of, Step
from app.flow.store import Ref
from app.orders.order.history import HistoryLine, code, lines, say
from tests.flow import lines as logs

PIECE = Ref(Of.COPY, 1)
AT = logs.START
PEOPLE = {2: "Dara Quill", 5: "Pilar Ostrow"}


def told(log: logs.Line, now: int = AT + 9_000) -> list[HistoryLine]:
    """The history of a log, newest first."""
    return lines([(PIECE, e) for e in log.log], lambda ref: f"{ref}", PEOPLE, now)


def painted() -> logs.Line:
    log = logs.Line(Of.COPY)
    log.enter(Step.PAINTING, AT, by=2)
    log.add(Kind.START, AT + 60, by=5)
    log.move("painted", Step.INSPECTION, AT + 120, by=5)
    return log


def test_lines_come_newest_first_with_the_first_name_of_who_did_it() -> None:
    assert [(line.what, line.by) for line in told(painted())] == [
        ("painted", "Pilar"), ("taken up", "Pilar"), ("entered at Painting", "Dara"),
    ]  # fmt: skip
    assert {line.who for line in told(painted())} == {"copy:1"}


def test_only_the_last_line_can_be_undone_and_only_for_ten_minutes() -> None:
    soon = told(painted(), AT + 120 + UNDO_WITHIN)
    assert [line.may_undo for line in soon] == [True, False, False]
    late = told(painted(), AT + 121 + UNDO_WITHIN)
    assert [line.may_undo for line in late] == [False, False, False]
    assert all(line.may_correct for line in late)


def test_what_was_undone_stays_readable_and_the_line_before_it_is_last() -> None:
    log = painted()
    log.add(Kind.UNDO, AT + 120, about_id=3, by=5)
    newest, before, _ = told(log, AT + 200)
    assert (newest.what, newest.undone) == ("painted; undone", True)
    assert not newest.may_undo
    assert not newest.may_correct
    assert before.may_undo


def test_a_corrected_line_shows_what_was_wrong_beside_what_is_right() -> None:
    log = painted()
    log.add(
        Kind.CORRECTION, AT + 100, Step.SHAPING, move="back_to_shaping", about_id=3, by=2,
        reason="misread",
    )  # fmt: skip
    line = told(log)[0]
    assert line.wrong == "painted"
    assert line.what.startswith("back to Shaping")
    assert line.what.endswith("corrected by Dara: misread")
    assert line.recorded_at is not None
    assert line.happened_at == AT + 100


def test_a_corrected_time_alone_strikes_no_words_through() -> None:
    log = painted()
    log.add(
        Kind.CORRECTION, AT + 90, Step.INSPECTION, move="painted", about_id=3, by=2, reason="late"
    )
    line = told(log)[0]
    assert (line.wrong, line.happened_at) == ("", AT + 90)
    assert line.time_is is TimeIs.TYPED


def test_what_never_happened_is_struck_through() -> None:
    log = painted()
    log.add(
        Kind.CORRECTION, AT + 120, None, move="struck", about_id=3, by=2, reason="another horse"
    )
    line = told(log)[0]
    assert line.wrong == "painted"
    assert line.what == "deleted by Dara: another horse"
    assert not line.may_correct


def test_the_second_time_is_shown_only_where_it_differs_by_more_than_an_hour() -> None:
    log = logs.Line(Of.COPY)
    log.enter(Step.PAINTING, AT)
    entry = log.move("painted", Step.INSPECTION, AT + 60)
    for late, shown in ((3_600, None), (3_601, AT + 60 + 3_601)):
        log.log[-1] = replace(entry, recorded_at=entry.happened_at + late)
        assert told(log)[0].recorded_at == shown


def test_every_move_is_said_in_words_of_its_own() -> None:
    for move in MOVES:
        log = logs.Line(move.of)
        said = say(log.move(move.key, move.end, AT, reason="a chip", whose="studio", amount=40))
        assert said
        assert "_" not in said
        assert "late" not in said
        assert "a chip" in said or move.key == "photos_counted"
    for kind in Kind:
        if kind not in (Kind.UNDO, Kind.CORRECTION, Kind.ENTER, Kind.MOVE):
            assert say(logs.Line(Of.COPY).add(kind, AT, reason="drying", whose="customer"))


def test_a_pieces_code_names_order_animal_copy_and_making() -> None:
    assert code(1147, Of.MODEL, "A") == "1147-A"
    assert code(1147, Of.COPY, "A", 2) == "1147-A2"
    assert code(1147, Of.COPY, "B", 1, 3) == "1147-B1, making 3"
