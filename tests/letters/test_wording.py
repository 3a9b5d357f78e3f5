"""Every kind in every tone: text and HTML say the same, calmly."""

import html
import re
from dataclasses import replace
from itertools import product

import pytest
from app.letters.facts import AnimalFacts, Chapter, LetterFacts, ParcelFacts, Part, Passage

from app.letters import wording
from app.letters.rules import KINDS

LINK = "https://pages.fernlight.example/TOKEN/"
JUNIPER = AnimalFacts(
    "A", "Juniper", "she", "her", "her", copies=2, pictures=84, wanted=True, finishing=True,
    views=("Her left side", "The tail & the <b>blaze</b>"), limits="the far ear", limits_agreed=True,
)  # fmt: skip
FACTS = LetterFacts(
    1147, "Imre O'Brien & Co", "Fernlight", "desk@fernlight.example.", False,
    (JUNIPER, replace(JUNIPER, letter="B", name="Otis", he="he", him="him", his="his")),
    how_to=(Chapter("How to photograph", (Passage("text", ("Walk around.",)), Passage("points", ("One", "Two")))),),
    parcels=(ParcelFacts(3, "carrier", "Post", "RR1", "Monday 2 March", ("Juniper: 80 mm.",)),),
    when=(Passage("range", ("Between ", "2 April", " and ", "1 May", ".")), Passage("quiet", ("We tell you.",))),
    says_when=True, all_passed=True, deadline="Monday 9 March",
    care=(Chapter("Looking after them", (Passage("points", ("Dust it.",)), Passage("steps", ("Keep all.",)))),),
)  # fmt: skip
TONES = {
    "plain": FACTS,
    "gift": replace(FACTS, gift=True),
    "remembered": replace(FACTS, animals=tuple(replace(a, remembered=True) for a in FACTS.animals)),
}
ALL = list(product(KINDS, TONES))


def words(kind: str, tone: str, *more: str) -> wording.Words:
    return wording.words_of([Part(k, round=3) for k in (kind, *more)], TONES[tone], LINK)


def bare(text: str) -> str:
    return re.sub(r"\s+", "", re.sub(r"(?m)^(- |\d+\. )", "", text))


@pytest.mark.parametrize(("kind", "tone"), ALL)
def test_the_twin_says_the_same_as_the_text(kind: str, tone: str) -> None:
    said = words(kind, tone)
    plain = html.unescape(re.sub(r"<title>.*?</title>|<[^>]+>", " ", said.html))
    assert bare(plain) == bare(said.text)
    assert "O'Brien & Co" in said.text
    assert "O&#39;Brien &amp; Co" in said.html
    assert "<b>blaze" not in said.html
    assert LINK in said.text.split()


@pytest.mark.parametrize(("kind", "tone"), ALL)
def test_the_words_are_calm_and_the_lines_short(kind: str, tone: str) -> None:
    said = words(kind, tone)
    assert "!" not in said.subject + said.text
    assert max(map(len, said.text.splitlines())) <= wording.WIDTH
    assert "\n\n\n" not in said.text
    assert not re.search(r"\b(None|True|False|Undefined)\b", said.text + said.subject)
    assert 0 < len(said.subject) < 100
    if tone == "gift":
        assert not re.search("Juniper|Otis|gift|present", said.subject)
        assert said.text.splitlines()[2].startswith("There is news of your order 1147")
    if tone == "remembered":
        assert not re.search(
            r"turned out|new set|retake|Looking after (Juniper|Otis)", said.subject + said.text
        )


def test_nothing_to_do_is_not_said_where_something_is_asked() -> None:
    assert "nothing" in words("photos_passed", "plain").text
    assert "You need to do nothing" not in words("more_views", "plain", "photos_passed").text


def test_limits_that_nobody_agreed_to_are_not_said_to_be_agreed() -> None:
    said = " ".join(words("photos_passed", "plain").text.split())
    assert "is worked by eye, as agreed with you: the far ear." in said
    unasked = replace(FACTS, animals=(replace(JUNIPER, limits_agreed=False),))
    said = " ".join(wording.words_of([Part("photos_passed")], unasked, LINK).text.split())
    assert "photographs have passed. What" in said
    assert "is worked by eye: the far ear." in said
    whole = replace(FACTS, animals=(replace(JUNIPER, limits=""),))
    said = wording.words_of([Part("photos_passed")], whole, LINK).text
    assert "photographs have passed: her model shows what it has to." in " ".join(said.split())


def test_an_order_whose_photographs_are_asked_for_again_is_not_asked_for_the_first() -> None:
    again = replace(FACTS, animals=(replace(JUNIPER, attempts=1),))
    said = wording.words_of([Part("more_views", round=1), Part("order_in")], again, LINK).text
    assert "we need more views:" in said
    assert "What we need first" not in said
    assert "You need to do nothing" not in said


def test_the_days_are_said_once() -> None:
    assert words("photos_passed", "plain", "making_begun").text.count("2 April") == 1


def test_html_loads_nothing_and_runs_nothing() -> None:
    for kind in KINDS:
        said = words(kind, "plain").html
        assert not re.search(r"<(script|img|link|style|iframe|form)|\bon\w+=|style=|src=", said)
        assert set(re.findall(r'href="([^"]*)"', said)) == {LINK}


def test_a_letter_without_a_link_says_nothing_of_one() -> None:
    said = wording.words_of([Part("photos_counted")], FACTS, None)
    assert "http" not in said.text + said.html
