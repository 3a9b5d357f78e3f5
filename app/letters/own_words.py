"""The studio's own words in its letters: a greeting, a sign-off, a paragraph for each kind. Pure.

They are kept as one setting, by field; what is empty reads as the program has it.
"""

import re
from collections.abc import Mapping

from app.letters.rules import KINDS
from app.shared.errors import BadFields
from app.shared.text import problem, tidy
from app.shared.web.forms import Form

GREETING, SIGN_OFF = "greeting", "sign_off"
FIELDS = (GREETING, SIGN_OFF, *KINDS)
BUILT_IN = {GREETING: "Dear {name},", SIGN_OFF: "{studio}"}
# What stands for the customer's name, the order's number and the studio's name.
PLACES = ("{name}", "{number}", "{studio}")
LONGEST = {GREETING: 120, SIGN_OFF: 300} | dict.fromkeys(KINDS, 600)
LINE_AT_MOST = 400
_PLACE = re.compile(r"\{[^{}]*\}|[{}]")
_MARKUP = re.compile(r"<[^<>]*>|[<>]|&#?\w+;|\]\(|\*\*|__")
_NOTHING_TO_DO = re.compile(
    r"\bnothing (else |more |left )?(for )?(you )?((need|have|ought) )?to (do|be done)\b"
    r"|\b(needn[’']t|need not|don[’']t (need|have) to|do not (need|have) to) do anything\b",
    re.I,
)


def read(form: Form) -> dict[str, str]:
    """The words that a form asks for, the empty ones left out.

    Raises BadFields with a sentence for every field that will not do.
    """
    found, wrong = {}, {}
    for field in FIELDS:
        try:
            text = _tidied(field, form.get(field))
        except BadFields as why:
            wrong.update(why.fields)
            continue
        if (said := trouble(field, text)) is not None:
            wrong[field] = said
        elif text:
            found[field] = text
    if wrong:
        raise BadFields(wrong)
    return found


def _tidied(field: str, typed: str) -> str:
    """A sign-off keeps its lines; the others are one paragraph."""
    lines = [" ".join(line.split()) for line in tidy(typed, lines=True).split("\n")]
    return ("\n" if field == SIGN_OFF else " ").join(filter(None, lines))


def trouble(field: str, text: str) -> str | None:
    """Say in words why a letter cannot have this in it, or None."""
    if (wrong := problem(text, LONGEST[field], lines=field == SIGN_OFF)) is not None:
        return wrong
    if (said := _not_to_be_said(text)) is not None:
        return said
    for place in _PLACE.findall(text):
        if place not in PLACES:
            return f"“{place}” can’t be filled in. Use {{name}}, {{number}} or {{studio}}."
    return None


def _not_to_be_said(text: str) -> str | None:
    if (found := _MARKUP.search(text)) is not None:
        return f"Plain words only: “{found[0]}” would appear in the email as you typed it."
    if _NOTHING_TO_DO.search(text):
        return (
            "Each email says automatically whether there is something to do. Where there is, this "
            "would be wrong."
        )
    return None


def own_line(typed: str) -> str:
    """What a person adds to a letter of their own, as one paragraph.

    Raises ValueError with a sentence for what a letter cannot have in it.
    """
    text = " ".join(typed.split())
    wrong = problem(text, LINE_AT_MOST, lines=False) or _not_to_be_said(text)
    if wrong is not None:
        raise ValueError(wrong)
    return text


def filled(own: Mapping[str, str], field: str, name: str, number: int, studio: str) -> str:
    """A field's words for one letter: the studio's own, else the program's (perhaps none)."""
    values = dict(zip(PLACES, (name, str(number), studio), strict=True))
    text = own.get(field) or BUILT_IN.get(field, "")
    # In one go: a customer may be called {number}.
    return _PLACE.sub(lambda place: values.get(place[0], place[0]), text)
