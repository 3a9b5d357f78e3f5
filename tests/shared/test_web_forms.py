"""Fields of forms: what comes through, and in what words the rest is refused."""

from datetime import date
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.shared.errors import BadFields
from app.shared.web.fields import Day, Fields, Line, Mail, Name, Number, Reason, Short, Tick, Words
from app.shared.web.forms import Form, check


class Everything(Fields):
    """A field of every kind."""

    name: Name
    why: Reason
    line: Line
    short: Short
    text: Words
    mail: Mail
    day: Day
    number: Number
    tick: Tick
    choice: Literal["one", "two"] = "one"


LEAST = {"name": "Maren", "why": "because"}


def wrong(**typed: str) -> dict[str, str]:
    with pytest.raises(BadFields) as why:
        check(Everything, LEAST | typed)
    return why.value.fields


def test_what_has_to_be_filled_in_is_missed_also_where_it_was_not_sent() -> None:
    said = "This has to be filled in."
    with pytest.raises(BadFields) as why:
        check(Everything, {})
    assert why.value.fields == {"name": said, "why": said}
    assert wrong(name="  ", why="\n") == {"name": said, "why": said}


def test_text_comes_in_one_form() -> None:
    found = check(Everything, LEAST | {"line": "  Zoe\u0308 ", "text": "a\r\nb\rc"})
    assert (found.line, found.text) == ("Zoë", "a\nb\nc")
    assert check(Everything, LEAST | {"day": " 2026-11-25 "}).day == date(2026, 11, 25)
    assert check(Everything, LEAST | {"day": "", "number": " "}).number is None
    assert check(Everything, LEAST | {"tick": "on", "unknown": "x"}).tick is True


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("line", "x" * 201), ("short", "x" * 61), ("text", "x" * 2001), ("why", "x" * 501),
        ("line", "a\nb"), ("line", "a\tb"), ("text", "a\x00b"), ("line", "\u202ex"),
        ("line", "\ud83d"), ("mail", "x"), ("mail", "x@y"), ("mail", "x@y.example, z@y.example"),
        ("mail", "a" * 65 + "@y.example"), ("day", "25.11.2026"), ("day", "1899-12-31"),
        ("day", "2201-01-01"), ("day", "2026-02-30"), ("number", "1.5"), ("number", "9" * 17),
        ("number", "9" * 5000), ("number", "-" + "9" * 17), ("choice", "three"), ("choice", ""),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_said_in_a_sentence(name: str, value: str) -> None:
    found = wrong(**{name: value})
    assert list(found) == [name]
    assert found[name][0].isupper()
    assert found[name][-1] in ".?"


def test_a_field_sent_twice_is_refused_unless_it_may_repeat() -> None:
    form = Form([("a", "1"), ("a", "2"), ("b", "3")])
    assert form.many("a") == ["1", "2"]
    assert form.plain() == {"a": "2", "b": "3"}
    assert (form["b"], form.get("c", "-"), "c" in form) == ("3", "-", False)
    with pytest.raises(BadFields, match="sent twice"):
        form.get("a")


@given(st.dictionaries(st.sampled_from(list(Everything.model_fields)), st.text()))
def test_whatever_is_sent_comes_through_or_is_refused_in_words(sent: dict[str, str]) -> None:
    try:
        found = check(Everything, sent)
    except BadFields as refused:
        assert set(refused.fields) <= set(Everything.model_fields)  # noqa: PT017
    else:
        assert found.name
        assert -(2**53) <= (found.number or 0) <= 2**53
