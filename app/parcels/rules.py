"""Carriers' numbers, and whether one looks mistyped. Pure."""

from app.moving.rules import number_key

_S10_WEIGHTS = (8, 6, 4, 2, 3, 5, 9, 7)


def s10_check_digit(serial: str) -> int:
    """The check digit of an eight-digit serial by UPU standard S10.

    11 − (sum of digit × weight mod 11); 10 is written 0 and 11 is written 5.
    """
    total = sum(int(d) * w for d, w in zip(serial, _S10_WEIGHTS, strict=True))
    digit = 11 - total % 11
    return {10: 0, 11: 5}.get(digit, digit)


def gs1_check_digit(body: str) -> int:
    """The modulo-10 check digit of GS1 keys: weights 3, 1, 3, 1 … from the right."""
    total = sum(int(d) * (3 if n % 2 == 0 else 1) for n, d in enumerate(reversed(body)))
    return -total % 10


def number_warning(number: str) -> str:
    """A word where a carrier's number looks mistyped; empty where it fits or is of no known form.

    A failing check digit is a warning, never a proof: some wrong numbers pass, and carriers have
    forms of their own.
    """
    key = number_key(number)
    if len(key) == 13 and key[:2].isalpha() and key[11:].isalpha() and key[2:11].isdecimal():
        good = s10_check_digit(key[2:10]) == int(key[10])
    elif len(key) in (18, 20) and key.isdecimal():
        body = key[2:] if len(key) == 20 and key.startswith("00") else key
        if len(body) != 18:
            return ""
        good = gs1_check_digit(body[:-1]) == int(body[-1])
    else:
        return ""
    return "" if good else "The check digit does not match. Check the number digit by digit."
