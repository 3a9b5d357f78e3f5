"""What goes into a parcel, what is said of it, and carriers' numbers. Pure."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from app.moving.rules import Stop, number_key
from app.shared.calendar import DAY
from app.shared.carriers import NUMBER_FORMS

# Reasons against leaving, by their codes (app.moving.rules): what waits for its order, and what
# keeps a piece from being wrapped at all. Paint marks under a wrap, and a base is mounted before.
REST = "rest_of_order"
_NOT_WRAPPED = frozenset({"held", "waits", "resting"})
# What breaks first on the way, by kind of animal: common practice, no source.
_FRAGILE = {
    "horse": "ears, legs, tail", "dog": "ears, tail", "cat": "ears, tail", "goat": "horns, legs",
    "parrot": "beak, tail, feet", "tortoise": "feet, head", "rabbit": "ears",
}  # fmt: skip
# What packing itself clears: a thing lent is put into the parcel that is begun.
_IN_PACKING = "belongings"
PICTURES = {
    "piece": "the piece", "cushion": "in its cushion", "closed": "inner box, closed",
    "outer": "outer box, sealed", "label": "the label",
}  # fmt: skip
_CODE = re.compile(r"(\d{1,9})\s*-\s*([A-L])\s*(\d{1,2})", re.IGNORECASE)
_SCANNED = re.compile(r"(?:https?://\S*)?/pieces/copy/(\d{1,9})/?")


def against_wrapping(stops: Sequence[Stop]) -> list[Stop]:
    """The reasons why a piece may not even be wrapped, of those why it may not leave."""
    return [stop for stop in stops if stop.code in _NOT_WRAPPED]


def ready(stops: Sequence[Stop]) -> bool:
    """Whether a piece can be packed and leave: nothing stops it that packing does not clear."""
    return all(stop.code == _IN_PACKING for stop in stops)


def fragile(kind: str) -> str:
    """What of an animal breaks first, in words for the packer."""
    return _FRAGILE.get(kind.strip().casefold(), "whatever stands out: ears, legs, tail")


def may_ask_in_parts(waits: int, after: int, asked_at: int | None) -> bool:
    """Whether it is time to ask the customer if what is ready may go ahead; days since it was."""
    return asked_at is None and waits >= after


def in_parts_question(names: str, several: int, more: str) -> str:
    """What the customer is asked where one part of an order waits for the rest of it."""
    likeness = "likeness" if several == 1 else "likenesses"
    are = "is" if several == 1 else "are"
    return (
        f"Your {likeness} of {names} {are} finished, and we’re still making {more}. Shall we send "
        "what’s finished now, or wait and send everything together?"
    )


def read_code(text: str) -> int | tuple[int, str, int] | None:
    """A scanned or typed piece: a copy's id from its ticket's address, or the parts of its code.

    None for anything else.
    """
    text = text.strip()
    if found := _SCANNED.fullmatch(text):
        return int(found[1])
    if found := _CODE.fullmatch(text):
        return int(found[1]), found[2].upper(), int(found[3])
    return None


_S10_WEIGHTS = (8, 6, 4, 2, 3, 5, 9, 7)
# UPU S10: a number does not come again within 12 months; 24 are recommended.
S10_COMES_AGAIN = 730 * DAY


def s10_check_digit(serial: str) -> int:
    """The check digit of an eight-digit serial by UPU standard S10.

    11 − (sum of digit × weight mod 11); 10 is written 0 and 11 is written 5. It misses some 1.8 %
    of wrong single digits: remainders 0 and 6 both give 5.
    """
    total = sum(int(d) * w for d, w in zip(serial, _S10_WEIGHTS, strict=True))
    digit = 11 - total % 11
    return {10: 0, 11: 5}.get(digit, digit)


def gs1_check_digit(body: str) -> int:
    """The modulo-10 check digit of GS1 keys: weights 3, 1, 3, 1 … from the right.

    It misses neighbours that changed places where they differ by 5.
    """
    total = sum(int(d) * (3 if n % 2 == 0 else 1) for n, d in enumerate(reversed(body)))
    return -total % 10


@dataclass(frozen=True, slots=True)
class ReadNumber:
    """A number of a known form (see NUMBER_FORMS), and whether its check digit fits."""

    form: str
    fits: bool


def read_number(number: str) -> ReadNumber | None:
    """What form a number has; None for any other."""
    key = number_key(number)
    if not key.isascii():
        return None
    if len(key) == 13 and key[:2].isalpha() and key[11:].isalpha() and key[2:11].isdecimal():
        return ReadNumber("s10", s10_check_digit(key[2:10]) == int(key[10]))
    if not key.isdecimal():
        return None
    if len(key) == 20 and key.startswith("00"):
        key = key[2:]  # the application identifier that is scanned before an SSCC
    elif len(key) in (30, 34) and key.startswith("420"):
        key = key[-22:]  # a postcode of five or nine digits is scanned before it, for routing
    form = {18: "sscc", 22: "digits22"}.get(len(key))
    return ReadNumber(form, gs1_check_digit(key[:-1]) == int(key[-1])) if form else None


def number_warning(number: str, expected: str = "none") -> str:
    """A word where a carrier's number looks mistyped, or is not of the form that is `expected`;
    empty where it fits or is of no known form.

    A failing check digit is a warning, never a proof: some wrong numbers pass, and carriers have
    forms of their own.
    """
    read = read_number(number)
    if read is not None and not read.fits:
        return "The check digit does not match. Check the number digit by digit."
    if number and expected != "none" and (read is None or read.form != expected):
        return f"This carrier’s numbers are usually {NUMBER_FORMS[expected]}. Check it."
    return ""


# Beyond its usual days a carrier is given another week before a parcel counts as arrived: common
# practice, no source.
GRACE_DAYS = 7


def assumed_on(left: date, usual: tuple[date, date] | None, after: int) -> date:
    """The day on which a parcel of which nobody says anything is taken to have arrived: so many
    days after it left, and a week past the last of its usual days at the earliest."""
    day = left + timedelta(days=after)
    return day if usual is None else max(day, usual[1] + timedelta(days=GRACE_DAYS))


def counts_as_used(number: str, sent: int, before: int) -> bool:
    """Whether a parcel of a moment `before` with the same number of the same carrier speaks against
    it for one of the moment `sent`: those of the post come again after two years."""
    read = read_number(number)
    comes_again = read is not None and read.form == "s10"
    return not comes_again or abs(sent - before) < S10_COMES_AGAIN
