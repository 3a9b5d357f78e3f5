"""Every kind in every tone, at every state: text and HTML say the same, and what the page says."""

import html
import json
import re
from dataclasses import replace
from itertools import pairwise, product

import pytest

from app.desk.answers import answers
from app.flow.steps import Step
from app.letters import previews, wording
from app.letters.letter import Part, WordedLetter, letter_from_json, letter_to_json
from app.letters.message import Envelope, build
from app.letters.rules import ASKS, KINDS
from app.letters.sentences import letter_of
from app.orders.facts.order import OrderFacts, QuestionFacts
from app.status.tasks import tasks
from app.status.voice import Days
from app.status.wording import document
from tests.letters.one_truth import NEVER, flat
from tests.letters.studio import MAIL, STUDIO_MAIL, read
from tests.making import DAY, NOW
from tests.status.rows import KINDS as TONES
from tests.status.rows import (
    LONDON,
    NOT_BEGUN,
    PASSED,
    ROWS,
    TELLER,
    animal,
    copy,
    facts_at,
    in_tone,
    order,
    sentences,
)

LINK = "https://pages.fernlight.example/TOKEN/"
ALL = list(product(KINDS, TONES))
STATES = list(product(ROWS, TONES))


def as_if(kind: str, facts: OrderFacts) -> tuple[Part, OrderFacts, WordedLetter]:
    part, there = previews.as_if(kind, facts, NOW)
    return part, there, letter_of([part], there, TELLER, NOW)


def words(kind: str, facts: OrderFacts) -> wording.LetterWords:
    part, there, letter = as_if(kind, facts)
    return wording.words_of(letter, wording.subject([part], there), LINK)


def bare(text: str) -> str:
    return re.sub(r"\s+", "", re.sub(r"(?m)^(- |\d+\. )", "", text))


TYPED = replace(
    order(
        animal(Step.FINISHING, 9, copies=NOT_BEGUN, limits="the <b>far</b> ear & tail", **PASSED),
        address_as="Imre O'Brien & Co",
    )
)


@pytest.mark.parametrize(("kind", "tone"), ALL)
def test_the_twin_says_the_same_as_the_text(kind: str, tone: str) -> None:
    said = words(kind, in_tone(TYPED, tone))
    without_head = re.sub(r"<head>.*?</head>", " ", said.html, flags=re.S)
    plain = html.unescape(re.sub(r"<[^>]+>", " ", without_head))
    # The subject, which a mail program shows above the text, is the heading.
    assert bare(plain) == bare(said.subject + "\n" + said.text)
    assert "O'Brien & Co" in said.text
    assert "O&#39;Brien &amp; Co" in said.html
    assert "<b>far" not in said.html
    assert LINK in said.text.split()


@pytest.mark.parametrize(("kind", "tone"), ALL)
def test_a_mail_reader_finds_the_text_first_and_the_html_second(kind: str, tone: str) -> None:
    said = words(kind, in_tone(TYPED, tone))
    envelope = Envelope(
        "Fernlight", STUDIO_MAIL, "Imre", MAIL, said.subject, "<2@fernlight.example>", "", NOW,
        "<1@fernlight.example>",
    )  # fmt: skip
    mail = read(build(envelope, said.text, said.html).data)
    assert not any(part.defects for part in mail.walk())
    text, twin = mail.iter_parts()
    assert (text.get_content_type(), twin.get_content_type()) == ("text/plain", "text/html")
    assert text.get_content().replace("\r\n", "\n") == said.text
    assert twin.get_content().replace("\r\n", "\n").rstrip("\n") == said.html.rstrip("\n")
    assert mail["Subject"] == said.subject
    assert mail["References"] == mail["In-Reply-To"] == "<1@fernlight.example>"


@pytest.mark.parametrize(("kind", "tone"), ALL)
def test_the_words_are_calm_and_the_lines_short(kind: str, tone: str) -> None:
    said = words(kind, facts_at("two animals", tone))
    assert "!" not in said.subject + said.text
    assert max(map(len, said.text.splitlines())) <= wording.WIDTH
    assert "\n\n\n" not in said.text
    assert not re.search(r"\b(None|True|False|Undefined)\b", said.text + said.subject)
    assert 0 < len(said.subject) < 100
    if tone == "gift":
        assert not re.search("Juniper|Otis|gift|present", said.subject)
        assert said.text.splitlines()[2].startswith("There’s news of your order 1172")


@pytest.mark.parametrize("row", ROWS)
@pytest.mark.parametrize("kind", KINDS)
def test_nothing_that_hurts_is_said_of_a_remembered_animal(row: str, kind: str) -> None:
    facts = facts_at(row, "remembered")
    page = "\n".join(sentences(document(facts, TELLER, NOW)))
    desk = "\n".join(answer.text for answer in answers(facts, Days(LONDON, NOW), ""))
    letter = words(kind, facts) if facts.alive else None
    for said in (page, desk, *((letter.subject, letter.text) if letter else ())):
        assert NEVER.search(flat(said)) is None, NEVER.search(flat(said))


@pytest.mark.parametrize(("row", "tone"), STATES)
@pytest.mark.parametrize("kind", KINDS)
def test_a_letter_asks_for_what_the_page_asks_for(row: str, tone: str, kind: str) -> None:
    facts = facts_at(row, tone)
    if not facts.alive:
        pytest.skip("no letter is written of an order that was cancelled")
    _, there, letter = as_if(kind, facts)
    said = flat(wording.words_of(letter, "", None).text)
    needed = tasks(there, Days(LONDON, NOW, dated=True))
    page = document(there, TELLER, NOW)
    assert len(page.todo.tasks) == (len(needed) if len(needed) > 1 else 0)
    on_page = flat(" ".join(sentences(page)))
    for task in needed:
        assert task.ask in said
        assert task.ask in on_page
    if needed:
        assert "nothing you need to do" not in said
        assert "nothing you need to do" not in on_page
    elif kind in ("photos_passed", "making_begun", "photos_counted"):
        assert page.todo.answer in said
    assert kind not in ASKS or needed or facts.left or there.animals[0].cancelled


@pytest.mark.parametrize(("after", "open_"), [(-1, True), (0, True), (1, False)])
def test_a_day_for_more_copies_that_has_passed_is_offered_nowhere(after: int, open_: bool) -> None:
    day = LONDON.day_of(NOW - after * DAY)
    facts = replace(facts_at("model good"), copy_deadline=day)
    named = f"until {Days(LONDON, NOW).day(day)}"
    page = "\n".join(sentences(document(facts, TELLER, NOW)))
    desk = next(a.text for a in answers(facts, Days(LONDON, NOW), "") if a.key == "add")
    letter = letter_of([Part("photos_passed", ("A",))], facts, TELLER, NOW)
    text = flat(wording.words_of(letter, "", None).text)
    assert [named in said for said in (page, desk, text)] == [open_] * 3


def test_the_first_letter_spells_back_what_was_ordered_and_asks_for_the_inscription() -> None:
    said = flat(words("order_in", facts_at("order in")).text)
    assert "Juniper, copy 2: 100 mm, standing, without a base." in said
    assert "Please check the inscription letter by letter: “JUNIPER”." in said
    assert "nothing you need to do" not in said


def test_photographs_told_of_before_the_first_letter_are_acknowledged() -> None:
    letter = letter_of([Part("order_in")], facts_at("photos told"), TELLER, NOW)
    said = flat(wording.words_of(letter, "", None).text)
    assert "You told us on Tuesday 3 March that 82 photos of Juniper are on the way." in said


def test_extras_stand_in_what_was_ordered_and_in_the_parcel() -> None:
    made = copy(Step.HANDED_OVER, 2, parcel_id=1, extras="glass dome")
    facts = facts_at("handed over")
    facts = replace(facts, animals=(replace(facts.animals[0], copies=(made,)),))
    page = "\n".join(sentences(document(facts, TELLER, NOW)))
    assert page.count("with glass dome") == 2
    assert "with glass dome" in flat(words("handed_over", facts).text)


def test_a_part_shipment_names_only_who_travels() -> None:
    gone = animal(Step.READY, 9, copies=(copy(Step.HANDED_OVER, 1, parcel_id=1),), **PASSED)
    here = replace(gone, letter="B", name="Otis", copies=(copy(Step.PAINTING, letter="B"),))
    facts = replace(facts_at("part sent"), animals=(gone, here))
    said = words("handed_over", facts)
    assert said.subject == "Juniper: your parcel has left us"
    assert "Juniper is finished and on the way to you." in flat(said.text)
    gone = replace(gone, life="remembered")
    said = words("handed_over", replace(facts, animals=(gone, here)))
    assert "The likeness of Juniper is finished and on the way to you." in flat(said.text)


def test_of_several_animals_the_models_are() -> None:
    two = animal(Step.READY, copies=NOT_BEGUN, **PASSED)
    facts = order(two, replace(two, letter="B", name="Otis"))
    said = flat(words("making_begun", facts).text)
    assert "The models of Juniper and Otis are finished" in said


def test_what_is_so_of_each_of_two_animals_is_said_under_each_name() -> None:
    one = animal(Step.READY, copies=(copy(Step.SHAPING), copy(Step.SHAPING, number=2)), **PASSED)
    two = replace(one, letter="B", name="Otis")
    parts = [Part("photos_passed", ("A", "B")), Part("making_begun", ("A", "B"))]
    letter = letter_of(parts, order(one, two), TELLER, NOW)
    blocks = letter.sections[0].blocks
    assert [block.lines for block in blocks if block.kind == "name"] == 2 * [
        ("Juniper:",),
        ("Otis:",),
    ]
    for name, after in pairwise(blocks):
        assert name.kind != "name" or after.kind != "name"
    assert blocks[-1].kind != "name"


def test_two_animals_of_which_the_same_views_are_asked_each_have_their_list() -> None:
    one = facts_at("more views").animals[0]
    said = flat(words("more_views", order(one, replace(one, letter="B", name="Otis"))).text)
    assert said.count(f"1. {one.views[0].wish} 2. {one.views[1].wish}") == 2
    assert said.count("There’s no need to start again.") == 1


def test_until_its_letter_has_gone_a_question_is_being_written() -> None:
    asked = QuestionFacts("spelling", True, None, "letter", "A", 4, "One N or two in JUNIPER?")
    facts = replace(facts_at("question"), questions=(asked,))
    said = "\n".join(sentences(document(facts, TELLER, NOW)))
    assert "“One N or two in JUNIPER?”" in said
    assert "We’re writing to you about it." in said
    assert "We asked" not in said
    gone = replace(facts, questions=(replace(asked, asked_at=NOW - 2 * DAY),))
    assert "We asked by email on Monday." in "\n".join(sentences(document(gone, TELLER, NOW)))
    letter = flat(
        wording.words_of(letter_of([Part("question", (), 4)], facts, TELLER, NOW), "", None).text
    )
    assert "“One N or two in JUNIPER?”" in letter
    assert "writing to you about it" not in letter


def test_spelling_is_one_task_and_nothing_is_packed_before_the_answer() -> None:
    asked = QuestionFacts("spelling", True, NOW, "phone", "A", 4, "One N or two?")
    made = copy(Step.PACKING, inscription="JUNIPER", spelling_confirmed=False)
    facts = facts_at("ready")
    facts = replace(facts, animals=(replace(facts.animals[0], copies=(made,)),), questions=(asked,))
    page = document(facts, TELLER, NOW)
    assert page.todo.tasks == ()
    assert "“JUNIPER”" in page.todo.more
    said = "\n".join(sentences(page))
    assert "We need your answer before we can pack her." in said
    assert "Next we pack" not in said
    # One that stops no work still keeps the piece from leaving.
    spelled = replace(made, spelling_confirmed=True)
    whole = replace(facts.animals[0], copies=(spelled,))
    limits = replace(asked, topic="limits", blocking=False)
    facts = replace(facts, animals=(whole,), questions=(limits,))
    said = "\n".join(sentences(document(facts, TELLER, NOW)))
    assert "Next we pack" not in said
    assert "our question about what the photos don’t show" in said


def test_closures_that_make_the_range_longer_are_named() -> None:
    assert facts_at("blank").shown is not None
    closed = frozenset(LONDON.day_of(NOW + n * DAY) for n in (20, 21, 22))
    teller = replace(TELLER, calendar=replace(LONDON, closed=closed))
    said = "\n".join(sentences(document(facts_at("blank"), teller, NOW)))
    assert "We’re closed from 24 March to 26 March; the dates allow for that." in said
    assert "We’re closed" not in "\n".join(sentences(document(facts_at("blank"), TELLER, NOW)))


def test_what_is_said_of_all_does_not_stand_under_the_last_animals_name() -> None:
    def twin(kind: str, facts: OrderFacts) -> str:
        part, there = previews.as_if(kind, facts, NOW)
        teller = replace(TELLER, own_words={kind: "Our door is open."})
        return wording.words_of(letter_of([part], there, teller, NOW), "", LINK).html

    one = animal(Step.READY, copies=NOT_BEGUN, **PASSED)
    of_two = twin("making_begun", order(one, replace(one, letter="B", name="Otis")))
    under = of_two.partition("<h2>Otis:</h2>")[2].partition("<hr>")[0]
    assert "copies" in under
    assert "Our door is open." not in under
    assert "nothing you need to do" not in under
    assert of_two.count("<hr>") == 2
    assert twin("making_begun", order(one)).count("<hr>") == 1


def test_html_loads_nothing_and_runs_nothing() -> None:
    for kind in KINDS:
        said = words(kind, TYPED).html
        assert not re.search(r"<(script|img|link|iframe|form)|\bon\w+=|style=|src=", said)
        assert re.findall(r"<style>(.*?)</style>", said, re.S) == [wording.style()]
        assert not re.search(r"url\(|@import|<", wording.style())
        assert set(re.findall(r'href="([^"]*)"', said)) == {LINK}


def test_a_letter_without_a_link_says_nothing_of_one() -> None:
    _, _, letter = as_if("photos_counted", TYPED)
    said = wording.words_of(letter, "", None)
    assert "http" not in said.text + said.html


# ---------------------------------------------------------------- what is kept


def test_what_is_kept_reads_back_the_same() -> None:
    part, _, letter = as_if("order_in", facts_at("two animals"))
    assert letter_from_json(letter_to_json(letter), [part]) == letter


FIRST_FORM = {
    "form": 1, "number": 1147, "name": "Imre", "studio": "Fernlight", "contact": "desk@f.example.",
    "gift": False, "all_passed": False, "all_left": False, "ship_part": False, "says_when": True,
    "deadline": "Monday 9 March",
    "animals": [{
        "letter": "A", "name": "Juniper", "he": "she", "him": "her", "his": "her",
        "remembered": False, "copies": 2, "pictures": 84, "attempts": 1, "wanted": True,
        "counted": False, "passed": False, "begun": False, "left": False, "finishing": True,
        "views": ["Her left side"], "by_eye": False, "limits": "", "limits_agreed": False,
    }],
    "how_to": [{"heading": "How to photograph Juniper", "letters": ["A"],
                "passages": [{"kind": "points", "lines": ["Walk around."]}]}],
    "parcels": [{"id": 3, "way": "carrier", "carrier": "Post", "number": "RR1",
                 "sent": "Monday 2 March", "inside": ["Juniper: 80 mm."], "received": "",
                 "assumed": False}],
    "questions": [{"id": 3, "asked": "Which eye is blue?", "blocking": True}],
    "when": [{"kind": "range", "lines": ["Between ", "2 April", " and ", "1 May", "."]}],
    "care": [{"heading": "Looking after them", "letters": [],
              "passages": [{"kind": "points", "lines": ["Dust it."]}]}],
}  # fmt: skip
OF_FIRST_FORM = {
    "question": "Which eye is blue?", "more_views": "1. Her left side", "order_in": "1147",
    "photo_reminder": "- Walk around.", "running_later": "Between 2 April and 1 May.",
    "handed_over": "The parcel left us on Monday 2 March, Post, RR1.", "received": "- Dust it.",
    "photos_passed": "good to work from", "last_call": "Monday 9 March",
    "making_begun": "Juniper by hand", "photos_counted": "photos of Juniper are here",
}  # fmt: skip


@pytest.mark.parametrize("kind", OF_FIRST_FORM)
def test_a_row_of_an_earlier_version_is_still_read(kind: str) -> None:
    kept = letter_from_json(json.dumps(FIRST_FORM), [Part(kind, ("A",), 3)])
    said = flat(wording.words_of(kept, "", LINK).text)
    assert "Dear Imre," in said
    assert OF_FIRST_FORM[kind] in said


def test_a_row_from_before_studios_had_words_of_their_own_greets_and_signs_as_it_did() -> None:
    _, _, letter = as_if("received", facts_at("two animals"))
    row = json.loads(letter_to_json(letter))
    del row["greeting"], row["sign_off"]
    row |= {"form": 2, "name": "Ms Castellan", "studio": "Saltmarsh Bench"}
    assert letter_from_json(json.dumps(row), [Part("received")]) == letter


@pytest.mark.parametrize("kept", ['{"form": 1}', '{"form": 2}', '{"form": 9}', "[]", "{"])
def test_a_row_that_is_no_letter_is_refused(kept: str) -> None:
    with pytest.raises(ValueError):
        letter_from_json(kept, [Part("order_in")])


@pytest.mark.parametrize("news", [(), ("A",), ("A", "B")])
@pytest.mark.parametrize("names", [("Juniper",), ("Juniper", "Otis")])
def test_that_photos_passed_is_said_once_beside_the_thanks_for_an_order(
    names: tuple[str, ...], news: tuple[str, ...]
) -> None:
    facts = ROWS["finishing"]
    [juniper] = facts.animals
    both = (juniper, replace(juniper, letter="B", name="Otis"))
    facts = replace(facts, animals=both[: len(names)])
    letter = letter_of([Part("order_in"), Part("photos_passed", news)], facts, TELLER, NOW)
    said = " ".join(line for section in letter.sections for b in section.blocks for line in b.lines)
    for name in names:
        assert said.count(f"{name}’s 82 photos are good to work from.") == 1, name
