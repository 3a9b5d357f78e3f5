"""Sizes as the trade says them: a number, where it is measured, the scale that follows. Pure.

A hand is four inches and an inch 25.4 mm (International Yard and Pound Agreement, 1959); 15.2 hands
are fifteen hands and two inches. Four-legged animals are measured at the shoulder (the withers),
perched birds over all, tortoises and reptiles in length: common practice, no source.
"""

import re
from typing import Literal

from app.orders.facts.kinds import covered

Measured = Literal["", "shoulder", "back", "height", "length"]
CHOICES = (
    ("shoulder", "at the shoulder"), ("back", "to the back"), ("height", "over all, with base"),
    ("length", "in length"),
)  # fmt: skip
# What is said after the number. A size of which nobody said where it is measured has none.
WHERE = {
    "shoulder": "at the shoulder",
    "back": "to the back",
    "height": "high, base included",
    "length": "long",
}
INCH, HAND = 25.4, 4 * 25.4
_UNITS = {
    "mm": 1.0, "millimetre": 1.0, "cm": 10.0, "centimetre": 10.0, "m": 1000.0, "metre": 1000.0,
    "in": INCH, "inch": INCH, "inches": INCH, "ft": 12 * INCH, "foot": 12 * INCH, "feet": 12 * INCH,
}  # fmt: skip
_HANDS = re.compile(r"(\d{1,2})(?:[.,]([0-3]))?\s*(?:hands?|hh)\b", re.IGNORECASE)
_NUMBER = re.compile(
    rf"(\d{{1,4}}(?:[.,]\d{{1,2}})?)\s*({'|'.join(sorted(_UNITS, key=len, reverse=True))})s?\b",
    re.IGNORECASE,
)
_LONG = re.compile(r"\b(?:long|length|nose|beak|tail|shell)\b", re.IGNORECASE)


def said(size_mm: int, measured: str | None) -> str:
    """A size in words: "110 mm at the shoulder"."""
    return f"{size_mm} mm {WHERE.get(measured or '', '')}".rstrip()


def usual(kind: str) -> Measured:
    """Where an animal of a kind is usually measured; "" where no kind is said."""
    if not kind.strip():
        return ""
    usual_of: dict[str, Measured] = {"feathers": "height", "shell": "length", "scales": "length"}
    return usual_of.get(covered(kind), "shoulder")


def own(text: str) -> dict[str, float]:
    """The animal's own measures in mm, by where they are measured, from words for them.

    "15.2 hands, 2.4 m long" gives both; the first of each counts, and what is no measure is passed
    over.
    """
    found: dict[str, float] = {}
    for part in re.split(r"[;\n]|,(?!\d)", text):
        mm = _millimetres(part)
        if mm:
            found.setdefault("length" if _LONG.search(part) else "shoulder", mm)
    return found


def _millimetres(part: str) -> float:
    if (hands := _HANDS.search(part)) is not None:
        return int(hands[1]) * HAND + int(hands[2] or 0) * INCH
    lengths = _NUMBER.findall(part)
    units = [unit.casefold() for _, unit in lengths]
    # Feet and inches are one measure; of several others the first is meant.
    both = lengths[:2] if len(units) > 1 and units[0] in ("ft", "foot", "feet") else lengths[:1]
    return sum(float(n.replace(",", ".")) * _UNITS[unit.casefold()] for n, unit in both)


def scale(size_mm: int | None, measured: str | None, own_words: str) -> float | None:
    """How many times larger the animal is than its copy; None where nobody can tell."""
    whole = own(own_words).get(measured or "")
    return whole / size_mm if size_mm and whole else None


def scale_said(factor: float | None) -> str:
    """A scale in words that stay on one line: "about 1 : 9"; "" for none."""
    if factor is None or factor < 1:
        return ""
    number = f"{factor:.1f}".removesuffix(".0") if factor < 3 else f"{factor:.0f}"
    return f"about\N{NO-BREAK SPACE}1\N{NO-BREAK SPACE}:\N{NO-BREAK SPACE}{number}"


def at_scale(factor: float, measured: str | None, own_words: str) -> int | None:
    """The size in mm that a copy has at a scale of 1 : factor; None where nobody can tell."""
    whole = own(own_words).get(measured or "")
    return max(1, round(whole / factor)) if whole else None
