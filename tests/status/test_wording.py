"""What a customer reads at each row, for a plain order, a gift and a remembered animal."""

import re
from dataclasses import replace
from datetime import date, timedelta

import pytest

from app.flow.steps import MOVES, STARTS, Of, Step
from app.orders.facts.order import OrderFacts
from app.orders.facts.ranges import Shown
from app.status import piece_words
from app.status.wording import document
from tests.making import DAY, NOW
from tests.status.rows import (
    HAND,
    KINDS,
    LONDON,
    MARKS,
    NOT_BEGUN,
    PASSED,
    RANGE,
    ROWS,
    TELLER,
    animal,
    copy,
    facts_at,
    order,
    page_at,
    sentences,
)

NEVER = re.compile(
    r"\b(per ?cent|late|delay\w*|overdue|behind schedule|fail\w*|reject\w*|retake\w*|fault|blame|"
    r"mistake|sorry|price|cost of|paid|other customers?|other orders?|queue|closure|rainbow|"
    r"just|exciting|amazing|hurrah|cute)\b|%|!|[€$£]|\d+ of \d+",
    re.IGNORECASE,
)
MOURNING = re.compile(
    r"\b(new pet|looking forward|enjoy|how did|turn out|comfort|again soon)\b", re.I
)


def text_of(row: str, kind: str = "plain", now: int = NOW) -> str:
    return "\n".join(sentences(page_at(row, kind, now)))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("row", ROWS)
def test_no_row_says_a_word_that_is_never_said(row: str, kind: str) -> None:
    assert NEVER.search(text_of(row, kind)) is None


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("row", ROWS)
def test_every_row_is_whole_sentences(row: str, kind: str) -> None:
    page = page_at(row, kind)
    for section in page.sections:
        assert section.heading
        assert section.blocks
        for block in section.blocks:
            assert block.lines
            for line in block.lines if block.kind in ("text", "quiet") else ():
                assert line[0].isupper(), line
                assert line[-1] in ".:", line
                assert "  " not in line
                assert "None" not in line


def can_stand_at(of: Of) -> set[Step]:
    """The steps at which the page tells of a piece: a replaced copy lives on in the next one."""
    found = {*STARTS[of], *(move.end for move in MOVES if move.of is of)}
    return found - {Step.REPLACED, Step.CANCELLED}


@pytest.mark.parametrize("step", Step)
def test_every_step_has_words_of_its_own(step: Step) -> None:
    told = []
    if step in can_stand_at(Of.COPY):
        told.append(order(animal(Step.READY, **PASSED, copies=(copy(step),)), shown=RANGE))
    if step in can_stand_at(Of.MODEL):
        told.append(order(animal(step, copies=NOT_BEGUN, **PASSED), shown=RANGE))
    for facts in told:
        where = document(facts, TELLER, NOW).sections[0]
        assert where.heading == "How the work stands"
        assert where.blocks[0].lines[0]
    assert told or step in (Step.REPLACED, Step.CANCELLED)


def test_a_step_without_words_is_an_error_and_no_empty_sentence(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delitem(piece_words.COPY_WORDS, Step.PAINTING)
    facts = order(animal(Step.READY, **PASSED, copies=(copy(Step.PAINTING),)), shown=RANGE)
    with pytest.raises(KeyError, match="painting"):
        document(facts, TELLER, NOW)


@pytest.mark.parametrize("row", ROWS)
def test_an_end_never_stands_alone(row: str) -> None:
    for section in page_at(row).sections:
        for block in section.blocks:
            if block.kind == "range" and len(block.lines) > 3:
                assert block.lines[2] == " and "


@pytest.mark.parametrize("row", ROWS)
def test_only_a_page_whose_photos_have_passed_names_days(row: str) -> None:
    facts, page = ROWS[row], page_at(row)
    ranges = [b for s in page.sections for b in s.blocks if b.kind == "range"]
    if not facts.passed:
        assert [block.lines[1] for block in ranges] == ["one to five weeks"]
    elif not facts.open or facts.left or row == "longer":
        assert not ranges
    else:
        assert len(ranges[0].lines) == 5


@pytest.mark.parametrize("row", ROWS)
def test_a_gift_names_no_animal_where_others_may_see_it(row: str) -> None:
    page = page_at(row, "gift")
    assert page.title == "Order 1172"
    assert page.heading == "Your order 1172"
    assert "we write to you alone" in page.private
    assert all(s.folded for s in page.sections if s.heading == "What you ordered")


@pytest.mark.parametrize("row", ROWS)
def test_a_remembered_animal_is_spoken_of_calmly_and_never_asked_for_a_new_set(row: str) -> None:
    said = text_of(row, "remembered")
    assert MOURNING.search(said) is None
    assert "Walk around" not in said
    assert "flash" not in said


def test_an_order_that_came_in_is_spelled_back_and_says_how_to_photograph() -> None:
    said = text_of("order in")
    assert "Please send us photographs of Juniper." in said
    assert "Please read the inscription letter by letter: “JUNIPER”." in said
    assert "Juniper, copy 2: 100 mm, standing, without a base." in said
    for number in ("about 72", "24 to a round", "two thirds", "three pictures or more"):
        assert number in said
    assert "Hind leg: white stocking (left)" in said
    assert "Scar on the shoulder (left, right, or neither? Please tell us)" in said
    assert "Let her come to you" in said
    assert "from the day Juniper’s photographs are settled" in said


def test_the_remembered_are_asked_for_what_there_is() -> None:
    page = page_at("order in", "remembered")
    assert page.todo.tasks[0] == (
        "Please send us the photographs you have of Juniper. There is no hurry."
    )
    assert "There is no number to reach" in text_of("order in", "remembered")


def test_photos_told_of_leave_nothing_to_do() -> None:
    page = page_at("photos told")
    assert page.todo.answer == "You need to do nothing until we write."
    assert (
        "You told us on Tuesday that the photographs of Juniper are on their way: 82 of them. "
        in (text_of("photos told"))
    )
    assert "not been counted here yet" in text_of("photos told")


def test_counted_photos_say_when_and_how_many() -> None:
    assert "are here, counted on Tuesday: 82 of them." in text_of("photos in")


def test_a_build_says_from_when_to_about_when() -> None:
    said = text_of("build")
    assert "Since Tuesday a machine has been building Juniper’s model" in said
    assert "until about Thursday 5 March, in the morning" in said
    assert "When it is built we see whether we can work from them" in said
    assert "goes on past the time" in text_of("build goes on")


def test_more_views_are_numbered_free_of_charge_and_all_else_is_kept() -> None:
    page = page_at("more views")
    assert page.todo.answer == "Please send us more views of Juniper."
    assert page.todo.more == "The list is below. They don’t cost anything extra."
    steps = [b.lines for s in page.sections for b in s.blocks if b.kind == "steps"]
    assert steps == [
        ("From behind, at the height of her back", "The left ear from the front, close")
    ]
    assert "They cost you nothing, and all that you sent is kept" in text_of("more views")


def test_limits_that_nobody_agreed_to_are_not_said_to_be_agreed() -> None:
    facts = ROWS["finishing"]
    [one] = facts.animals
    unasked = replace(facts, animals=(replace(one, limits_agreed=False),))
    said = "\n".join(sentences(document(unasked, TELLER, NOW)))
    assert "is worked by eye: the far side of the mane." in said


def test_a_good_model_brings_the_first_range_and_the_last_day_for_copies() -> None:
    said = text_of("model good")
    assert "between 18 March and 4 May" in said
    assert "from what is usual in the trade, not yet from our own record" in said
    assert "You can add copies of Juniper until 11 March" in said


def test_the_last_day_for_copies_is_not_offered_when_it_is_over() -> None:
    assert "You can add copies" not in text_of("model good", now=NOW + 8 * DAY)


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("finishing", "Since Monday Ines has been at her model on screen"),
        ("finishing", "worked by eye, as agreed with you: the far side of the mane."),
        ("finishing", "You named 10 April, and these days reach beyond it."),
        ("blank", "Both copies are at the blank: their rough form"),
        ("shaping", "Since Monday Ines has had the 80 mm copy in hand at the shaping bench"),
        ("shaping", "The 100 mm copy waits its turn at the same bench."),
        (
            "painting",
            "matching her marks to your photographs one by one, white stocking among them.",
        ),
        ("drying", "Paint is drying on the 80 mm copy."),
        ("drying", "Next somebody looks it over beside your photographs, mark by mark."),
        ("rework", "We are making part of the 80 mm copy again"),
        ("rework", "What is being made again is counted in."),
        ("rework", "so that everything travels together"),
        ("remake", "We are making the 80 mm copy anew from the start"),
        ("remade from the model", "anew, from the model on"),
        ("ready", "The paint hardens for some days"),
        ("part sent", "The parcel was handed to Post on Monday, number JA473124829GB. In it:"),
        ("part sent", "Still to follow: one more copy (Juniper)."),
        ("part sent", "Most likely the last piece is ready to leave us between"),
        ("handed over", "Both copies are finished and have left us."),
        ("received", "Both copies arrived on Tuesday."),
        ("received", "Write to us by 10 March, with the pictures"),
        ("received", "Dust them with a soft dry brush."),
        ("assumed received", "By now the piece should be with you."),
        ("question", "Please answer our question about the spelling of the inscription."),
        ("held", "We look at it again on 18 March."),
        ("longer", "It will take longer than the days we last named."),
        ("longer", "We write to you with new ones by 11 March."),
        ("cancelled", "This order was cancelled, and we have stopped all work on it."),
        ("cancelled", "If that is a surprise to you"),
    ],
)
def test_each_row_says_what_hands_do(row: str, words: str) -> None:
    assert words in text_of(row)


def test_fourteen_days_without_news_say_that_it_waits_its_turn() -> None:
    words = "Nothing has changed here since 12 February: both copies wait their turn"
    assert words in text_of("shaping waits")
    assert "Nothing has changed" not in text_of("shaping")


def test_a_model_that_has_waited_for_fourteen_days_says_so_too() -> None:
    facts = order(
        animal(Step.PHOTOS_IN, 20), last_news_at=NOW - 20 * DAY, last_change_at=NOW - 20 * DAY
    )
    said = "\n".join(sentences(document(facts, TELLER, NOW)))
    assert "Nothing has changed here since 12 February: it waits its turn" in said


def test_a_range_whose_first_day_has_passed_begins_now() -> None:
    later = facts_at("shaping")
    day = replace(later, shown=Shown(LONDON.day_of(NOW - DAY), RANGE.to_day, None, RANGE.basis))
    said = "\n".join(sentences(document(day, TELLER, NOW)))
    assert "between now and 20 April." in said
    assert "before the first of these days" not in said


@pytest.mark.parametrize(
    ("basis", "words"),
    [
        ("from what is usual in the trade", "not yet from our own record"),
        ("partly from what is usual in the trade", "our own record is short yet"),
        ("from this studio's own record", "how long pieces like these have taken us"),
        ("told by a person", "These are the days that we told you."),
    ],
)
def test_a_range_says_what_it_rests_on_and_claims_no_more(basis: str, words: str) -> None:
    facts = replace(facts_at("shaping"), shown=replace(RANGE, basis=basis))
    assert words in "\n".join(sentences(document(facts, TELLER, NOW)))


def test_damage_is_to_be_told_as_soon_as_possible_when_the_days_are_over() -> None:
    assert "Write to us as soon as you can" in text_of("received", now=NOW + 20 * DAY)


def test_nobody_in_hand_without_a_name_is_one_of_us() -> None:
    piece = copy(Step.SHAPING, in_hand=True, hand_since=NOW)
    facts = order(animal(Step.READY, copies=(piece,)), shown=RANGE)
    assert "Since Wednesday one of us has had the piece in hand" in "\n".join(
        sentences(document(facts, TELLER, NOW))
    )


@pytest.mark.parametrize(
    ("kind", "cover"), [("parrot", "feathers"), ("Tortoise", "shell"), ("goat", "coat")]
)
def test_the_surface_is_that_of_the_kind(kind: str, cover: str) -> None:
    facts = order(animal(Step.FINISHING, kind=kind, marks=MARKS, **HAND), shown=RANGE)
    assert f"could not see through the {cover}" in "\n".join(
        sentences(document(facts, TELLER, NOW))
    )


def test_where_the_sex_is_not_said_the_name_stands_for_the_pronoun() -> None:
    facts = order(animal(Step.FINISHING, sex="not_said", **HAND), shown=RANGE)
    said = "\n".join(sentences(document(facts, TELLER, NOW)))
    assert "Ines has been at Juniper’s model" in said
    assert not re.search(r"\b(he|she|his|her|him)\b", said)


def test_a_model_from_an_earlier_order_needs_no_new_photographs() -> None:
    facts = order(
        animal(Step.READY, passed_at=NOW - 90 * DAY, copies=(copy(Step.SHAPING),)), shown=RANGE
    )
    assert "so no photographs are needed" in "\n".join(sentences(document(facts, TELLER, NOW)))


def the_day_named(facts: OrderFacts) -> str:
    return next(line for line in sentences(document(facts, TELLER, NOW)) if "You named" in line)


@pytest.mark.parametrize(
    ("after", "said"), [(-1, "reach beyond it"), (0, "reach up to it"), (1, "lie before it")]
)
def test_a_named_day_is_held_against_the_last_of_the_days(after: int, said: str) -> None:
    assert RANGE.to_day is not None
    facts = replace(ROWS["blank"], needed_by=RANGE.to_day + timedelta(days=after))
    assert said in the_day_named(facts)


def test_a_named_day_that_the_weeks_may_not_leave_room_for_is_said_before_the_photos_pass() -> None:
    """The weeks reach 35 days ahead of 4 March: until 8 April."""
    near, far = (
        the_day_named(replace(ROWS["order in"], needed_by=date(2026, 4, day))) for day in (8, 9)
    )
    assert near.endswith("these weeks may reach beyond it, even if they begin now.")
    assert far.endswith("It is noted with your order.")


def test_days_can_move_while_a_model_rests_too() -> None:
    resting = {"hold_whose": "supplier", "hold_look_on": date(2026, 3, 9)}
    facts = order(animal(Step.FINISHING, 9, copies=NOT_BEGUN, **resting, **PASSED), shown=RANGE)
    said = "\n".join(sentences(document(facts, TELLER, NOW)))
    assert "While something rests the days can move." in said
