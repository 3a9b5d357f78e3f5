"""What may come in as text."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.shared.text import fold, problem, tidy, whole_number, whole_numbers


@pytest.mark.parametrize(
    "fine",
    [
        "Juniper",
        "Zoë O’Hara",
        "Đorđe",
        "نور",
        "ישראל",
        "さくら",
        "क्षितिज",
        "👩‍🌾 Tess",
        "",
        "x" * 20,
    ],
)
def test_names_of_the_world_are_taken(fine):
    assert problem(tidy(fine), 20) is None


@pytest.mark.parametrize(
    "bad",
    [
        "a\0b", "a\tb", "a\nb", "a\x1bb", "a\x85b", "\u202egnp", "a\u2066b", "a\u200fb", "a\u061cb",
        "a\u200bb", "a\ufeffb", "a\u2028b", "a\u00adb", "a\u2060b", "a\ufffab",
    ],
)  # fmt: skip
def test_what_cannot_be_seen_is_refused(bad):
    assert "cannot be seen" in problem(bad, 99)


def test_line_breaks_are_taken_only_where_lines_are():
    assert problem("a\nb", 9, lines=True) is None
    assert problem("a\nb", 9) is not None
    assert problem("a\tb", 9, lines=True) is not None


def test_a_broken_character_is_refused():
    assert "broken character" in problem("a\ud800", 9)


def test_mail_code_is_refused():
    assert "mail code" in problem("=?utf-8?q?Hello?=", 99)


def test_eight_accents_are_a_letter_and_nine_are_a_tower():
    assert problem("a" + "\u0301" * 8, 99) is None
    assert "accents" in problem("a" + "\u0301" * 9, 99)


def test_length_is_counted_to_the_character():
    assert problem("x" * 10, 10) is None
    assert problem("x" * 11, 10) == "That is 11 characters; 10 at most."


def test_tidying_composes_folds_line_ends_and_trims():
    assert tidy("  Zoe\u0308 ") == "Zoë"
    assert tidy("a\r\nb\rc", lines=True) == "a\nb\nc"
    assert tidy("a\rb") == "a b"


@given(st.text())
def test_tidying_twice_changes_nothing_more(text):
    once = tidy(text)
    assert tidy(once) == once
    assert unicodedata.is_normalized("NFC", once)


@given(st.text(), st.booleans())
def test_what_is_taken_can_be_stored_and_shown(text, lines):
    if problem(text, 40, lines=lines) is None:
        text.encode()
        categories = {unicodedata.category(sign) for sign in text if sign != "\n"}
        assert not categories & {"Cc", "Cs", "Zl", "Zp"}


@pytest.mark.parametrize(
    ("typed", "found"),
    [("Zoë  STRAßE", "zoe strasse"), ("ÅNGSTRÖM", "angstrom"), ("ℌorse", "horse"), ("ﬁn", "fin")],
)
def test_names_are_compared_without_case_or_accents(typed, found):
    assert fold(typed) == found


@given(st.text())
def test_folding_twice_changes_nothing_more(text):
    assert fold(fold(text)) == fold(text)


@pytest.mark.parametrize(
    ("typed", "number"),
    [
        ("0", 0), ("007", 7), (str(2**53), 2**53), (str(2**53 + 1), None), ("9" * 5_000, None),
        ("", None), ("-1", None), ("+1", None), (" 1", None), ("1_0", None), ("1.0", None),
        ("\u0663", None), ("\u00b2", None), ("1e3", None),
    ],
)  # fmt: skip
def test_a_whole_number_is_read_or_not_there(typed, number):
    assert whole_number(typed) == number


def test_a_whole_number_may_have_an_end_of_its_own():
    assert whole_number("999", 999) == 999
    assert whole_number("1000", 999) is None
    assert whole_numbers(["3", "x", "", "3", "4"]) == [3, 3, 4]
