"""What a customer reads at each row, for a plain order, a gift and a remembered animal."""

import re
from dataclasses import replace
from datetime import date, timedelta

import pytest

from app.flow.steps import MOVES, STARTS, Of, Step
from app.orders.facts.order import OrderFacts, ViewFacts
from app.orders.facts.ranges import Shown
from app.status import piece_words
from app.status.document import StudioContact
from app.status.voice import Days
from app.status.wording import document
from tests.making import DAY, HOUR, NOW
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


def test_every_step_of_a_copy_stands_in_a_row_so_that_its_words_are_approved() -> None:
    stood = {copy.step for facts in ROWS.values() for one in facts.animals for copy in one.copies}
    assert stood >= set(piece_words.COPY_WORDS)


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
        assert where.heading == "Where things are"
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
    assert "Please send us photos of Juniper." in said
    assert "Please check the inscription letter by letter: “JUNIPER”." in said
    assert "Juniper, copy 2: 100 mm, standing, without a base." in said
    for number in ("about 72", "24 each time round", "two thirds", "three photos or more"):
        assert number in said
    assert "Hind leg: white stocking (left)" in said
    assert "Scar on the shoulder (left, right, or neither? Please tell us)" in said
    assert "Let her come to you" in said
    assert "from the day we can work from Juniper’s photos" in said


def test_the_remembered_are_asked_for_what_there_is() -> None:
    page = page_at("order in", "remembered")
    assert page.todo.tasks[0] == (
        "Please send us the photos you have of Juniper. There’s no hurry."
    )
    assert "however few" in text_of("order in", "remembered")


def test_photos_told_of_leave_nothing_to_do() -> None:
    page = page_at("photos told")
    assert page.todo.answer == "There’s nothing you need to do until we write."
    assert "You told us on Tuesday that 82 photos of Juniper are on the way. " in (
        text_of("photos told")
    )
    assert "We haven’t counted them in yet." in text_of("photos told")


def test_counted_photos_say_when_and_how_many() -> None:
    assert "We have your 82 photos of Juniper, and counted them in on Tuesday." in text_of(
        "photos in"
    )


def test_a_build_says_from_when_to_about_when() -> None:
    said = text_of("build")
    assert "Since Tuesday a machine has been building Juniper’s model" in said
    assert "should finish on the morning of Thursday 5 March" in said
    assert "Once it’s built, we’ll see whether we can work from your photos" in said
    assert "It’s taking longer than usual." in text_of("build goes on")


def test_more_views_are_numbered_free_of_charge_and_all_else_is_kept() -> None:
    page = page_at("more views")
    assert page.todo.answer == "Please send us more views of Juniper."
    assert page.todo.more == "The list is below. They don’t cost anything extra."
    steps = [b.lines for s in page.sections for b in s.blocks if b.kind == "steps"]
    assert steps == [
        ("From behind, at the height of her back", "The left ear from the front, close")
    ]
    assert "They don’t cost anything extra, and we keep everything you’ve already sent." in text_of(
        "more views"
    )


def test_limits_that_nobody_agreed_to_are_not_said_to_be_agreed() -> None:
    facts = ROWS["finishing"]
    [one] = facts.animals
    unasked = replace(facts, animals=(replace(one, limits_agreed=False),))
    said = "\n".join(sentences(document(unasked, TELLER, NOW)))
    assert "shape from what we know of her: the far side of the mane." in said


def test_a_good_model_brings_the_first_range_and_the_last_day_for_copies() -> None:
    said = text_of("model good")
    assert "between 18 March and 4 May" in said
    assert "what’s usual in the trade, as we don’t have enough of a record of our own yet" in said
    assert "You can add copies of Juniper until 11 March" in said


def test_the_last_day_for_copies_is_not_offered_when_it_is_over() -> None:
    assert "You can add copies" not in text_of("model good", now=NOW + 8 * DAY)


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("finishing", "Since Monday Ines has been finishing her model on screen"),
        ("finishing", "we know of her, as agreed with you: the far side of the mane."),
        ("finishing", "You asked for 10 April, and these dates go past it."),
        ("blank", "Both copies are at the first stage: rough shapes are made"),
        ("shaping", "Since Monday Ines has been shaping the 80 mm copy"),
        ("shaping", "The 100 mm copy is waiting for the same bench."),
        ("painting", "matching her markings (the white stocking among them) to your photos."),
        ("drying", "Paint is drying on the 80 mm copy."),
        ("drying", "Next one of us checks every marking against your photos."),
        ("rework", "We’re redoing part of the 80 mm copy"),
        ("rework", "The dates allow for what we’re making again."),
        ("rework", "so that the whole order travels together"),
        ("remake", "We’re making the 80 mm copy again from the start"),
        ("remade from the model", "again, starting with the model"),
        ("ready", "The finish is still hardening, so we’ll pack them"),
        (
            "part sent",
            "We handed the parcel to Post on Monday, and its number is JA473124829GB. Inside:",
        ),
        ("part sent", "Still to follow: one more copy of Juniper."),
        ("part sent", "The last copy is most likely ready to leave us between"),
        ("handed over", "Both copies are finished and have left the workshop."),
        ("received", "Both copies arrived on Tuesday."),
        ("received", "Write to us as soon as you can, by 10 March at the latest, with"),
        ("received", "Dust with a soft dry brush."),
        ("assumed received", "By now Juniper should be with you."),
        ("question", "Please answer our question about the spelling of the inscription."),
        ("held", "We’ll look at this again on 18 March."),
        ("longer", "It’s taking longer than the dates we gave you."),
        ("longer", "We’ll write with new ones by 11 March."),
        ("cancelled", "This order has been cancelled, and we’ve stopped all work on it."),
        ("cancelled", "If that comes as a surprise"),
    ],
)
def test_each_row_says_what_hands_do(row: str, words: str) -> None:
    assert words in text_of(row)


def test_fourteen_days_without_news_say_that_it_waits_its_turn() -> None:
    words = "Nothing has changed here since 12 February: both copies are still waiting"
    assert words in text_of("shaping waits")
    assert "Nothing has changed" not in text_of("shaping")


def test_a_model_that_has_waited_for_fourteen_days_says_so_too() -> None:
    facts = order(
        animal(Step.PHOTOS_IN, 20), last_news_at=NOW - 20 * DAY, last_change_at=NOW - 20 * DAY
    )
    said = "\n".join(sentences(document(facts, TELLER, NOW)))
    assert "Nothing has changed here since 12 February: Juniper’s model is still waiting" in said


def test_a_range_whose_first_day_has_passed_begins_now() -> None:
    later = facts_at("shaping")
    day = replace(later, shown=Shown(LONDON.day_of(NOW - DAY), RANGE.to_day, None, RANGE.basis))
    said = "\n".join(sentences(document(day, TELLER, NOW)))
    assert "between now and 20 April." in said
    assert "ready sooner" not in said


@pytest.mark.parametrize(
    ("basis", "words"),
    [
        ("from what is usual in the trade", "don’t have enough of a record of our own yet"),
        ("partly from what is usual in the trade", "our own record is short"),
        ("from our usual weeks", "from the weeks we usually need"),
        ("partly from our usual weeks", "and partly from the weeks we usually need"),
        ("from this studio's own record", "how long orders like this have taken us"),
        ("told by a person", "These are the dates we gave you."),
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
    assert "Since this morning one of us has been shaping Juniper" in "\n".join(
        sentences(document(facts, TELLER, NOW))
    )


@pytest.mark.parametrize(
    ("kind", "cover"), [("parrot", "feathers"), ("Tortoise", "shell"), ("goat", "coat")]
)
def test_the_surface_is_that_of_the_kind(kind: str, cover: str) -> None:
    facts = order(animal(Step.FINISHING, kind=kind, marks=MARKS, **HAND), shown=RANGE)
    assert f"couldn’t see through the {cover}" in "\n".join(sentences(document(facts, TELLER, NOW)))


def test_where_the_sex_is_not_said_the_name_stands_for_the_pronoun() -> None:
    facts = order(animal(Step.FINISHING, sex="not_said", **HAND), shown=RANGE)
    said = "\n".join(sentences(document(facts, TELLER, NOW)))
    assert "Ines has been finishing Juniper’s model" in said
    assert not re.search(r"\b(he|she|his|her|him)\b", said)


def test_a_model_from_an_earlier_order_needs_no_new_photographs() -> None:
    facts = order(
        animal(Step.READY, passed_at=NOW - 90 * DAY, copies=(copy(Step.SHAPING),)), shown=RANGE
    )
    assert "so we don’t need any photos" in "\n".join(sentences(document(facts, TELLER, NOW)))


def the_day_named(facts: OrderFacts) -> str:
    return next(line for line in sentences(document(facts, TELLER, NOW)) if "You asked for" in line)


@pytest.mark.parametrize(
    ("after", "said"), [(-1, "go past it"), (0, "go right up to it"), (1, "are earlier than that")]
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
    assert near.endswith("these weeks may go past it, even if they start straight away.")
    assert far.endswith("We’ve noted it with your order.")


def test_days_can_move_while_a_model_rests_too() -> None:
    resting = {"hold_whose": "supplier", "hold_look_on": date(2026, 3, 9)}
    facts = order(animal(Step.FINISHING, 9, copies=NOT_BEGUN, **resting, **PASSED), shown=RANGE)
    said = "\n".join(sentences(document(facts, TELLER, NOW)))
    assert "While work is paused, the dates can move." in said


def test_only_a_set_with_few_gaps_is_said_to_show_most_of_the_animal() -> None:
    [one] = ROWS["more views"].animals

    def said(*wishes: str) -> str:
        views = tuple(ViewFacts(n, wish) for n, wish in enumerate(wishes, 1))
        return "\n".join(sentences(document(order(replace(one, views=views)), TELLER, NOW)))

    few = said("From behind", "The left ear, close")
    assert "Most of Juniper shows up well" in few
    assert "no need to start again" in few
    for asked in (["The whole round again, outdoors"], [f"View {n}" for n in range(1, 5)]):
        whole = said(*asked)
        assert "Most of Juniper" not in whole
        assert "no need to start again" not in whole
        assert "didn’t give us a model we can work from yet" in whole


def test_several_animals_are_explained_together_and_markings_once() -> None:
    mare = ROWS["order in"].animals[0]
    goat = replace(mare, letter="B", name="Otis", sex="male")
    how = "\n".join(sentences(document(order(mare, goat), TELLER, NOW)))
    assert "Walk around each of them three times, at the height of their back" in how
    assert "Tell us how big they are" in how
    assert how.count("We match these markings one by one") == 1
    assert "Otis: Hind leg: white stocking (left)" in how
    remembered = tuple(replace(a, life="remembered") for a in (mare, goat))
    how = "\n".join(sentences(document(order(*remembered), TELLER, NOW)))
    assert how.count("whatever photos you have of Juniper and Otis") == 1
    assert how.count("We match these markings one by one") == 1


def test_the_studios_own_words_say_how_the_files_reach_it() -> None:
    teller = replace(TELLER, how_to_send="post us a memory card; we send it back.")
    for tone in ("plain", "remembered"):
        said = "\n".join(sentences(document(facts_at("order in", tone), teller, NOW)))
        assert "How to send them: post us a memory card; we send it back." in said


def test_what_happened_today_is_said_to_be_today_and_in_a_letter_by_its_date() -> None:
    days = Days(LONDON, NOW)
    assert [days.on(NOW - n * DAY) for n in (0, 1, 7)] == ["today", "on Tuesday", "on 25 February"]
    assert days.since(NOW - HOUR) == "since this morning"
    assert days.since(NOW - DAY) == "since Tuesday"
    dated = replace(days, dated=True)
    assert dated.on(NOW) == "on Wednesday 4 March"
    assert dated.since(NOW) == "since Wednesday 4 March"


@pytest.mark.parametrize(
    ("way", "said"),
    [("carrier", "Juniper is finished and on the way to you."), ("collected", "left the workshop")],
)
def test_only_what_a_carrier_has_is_on_the_way(way: str, said: str) -> None:
    gone = ROWS["handed over"]
    facts = replace(gone, parcels=(replace(gone.parcels[0], way=way),))
    assert said in document(facts, TELLER, NOW).todo.more


@pytest.mark.parametrize(
    ("phone", "dialled"),
    [
        ("0000 555 0172", "00005550172"),
        ("+44 (0)20 5550-172", "+44205550172"),
        ("(0)20 5550", "0205550"),
        ("0000 555 ext. 4", ""),
        ("", ""),
    ],
)
def test_a_phone_number_is_dialled_as_it_is_meant(phone: str, dialled: str) -> None:
    assert StudioContact("", phone, "").dialled == dialled
