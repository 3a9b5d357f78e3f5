"""Carriers' numbers of every form, against the worked tables, 10 000 at random, and the errors
that the check digits are known to miss."""

from itertools import permutations
from random import Random

import pytest

from app.moving.rules import clean_number
from app.parcels.rules import (
    counts_as_used,
    gs1_check_digit,
    number_warning,
    read_number,
    s10_check_digit,
)
from app.shared.calendar import DAY

WRONG = "check digit does not match"


def s10_again(serial: str) -> int:
    """The rule of UPU S10 said another way: the one digit that makes the whole sum come out.

    By the standard the check digit c satisfies (sum + c) mod 11 = 0, where 10 stands as 0; a sum
    that is a multiple of 11 has 5.
    """
    total = 0
    for place, weight in enumerate("86423597"):
        total += (ord(serial[place]) - 48) * int(weight)
    if total % 11 == 0:
        return 5
    return next(c for c in range(1, 11) if (total + c) % 11 == 0) % 10


def mod10_again(body: str) -> int:
    """The GS1 rule from the left, by tables: tripled digits and plain ones by their parity."""
    tripled, plain = 0, 0
    for place, sign in enumerate(body):
        if (len(body) - place) % 2:
            tripled += "0123456789".index(sign)
        else:
            plain += "0123456789".index(sign)
    return (10 - (3 * tripled + plain) % 10) % 10


# The tables of UPU S10 (the first serial is its published example), the GS1 General Specifications
# (the first body is GS1's own GTIN-13) and, for 22 digits, sums reckoned by hand: the same modulo
# 10 over 21 digits.
S10 = [("47312482", 9), ("12345678", 5), ("87654321", 6), ("20260006", 0), ("00000000", 5),
       ("20260009", 5), ("20260002", 5)]  # fmt: skip
MOD10 = [
    ("629104150021", 3), ("10614141234567890", 8), ("37610425002123456", 9),
    ("12345678901234567", 5), ("0" * 17, 0), ("940011120255555555555", 3),
    ("920500000000000000000", 6), ("123456789012345678901", 7),
]  # fmt: skip


def test_the_worked_tables_hold_for_the_program_and_for_the_rule_said_again() -> None:
    for serial, digit in S10:
        assert s10_check_digit(serial) == s10_again(serial) == digit
    for body, digit in MOD10:
        assert gs1_check_digit(body) == mod10_again(body) == digit


def test_ten_thousand_numbers_at_random() -> None:
    rng = Random(10_000)
    for _ in range(10_000):
        serial = f"{rng.randrange(10**8):08}"
        unit, domestic = f"{rng.randrange(10**17):017}", f"{rng.randrange(10**21):021}"
        good = {
            "s10": f"CP{serial}{s10_again(serial)}GB",
            "sscc": f"{unit}{mod10_again(unit)}",
            "digits22": f"{domestic}{mod10_again(domestic)}",
        }
        for form, number in good.items():
            read = read_number(number)
            assert read is not None
            assert (read.form, read.fits) == (form, True)
            place = 10 if form == "s10" else len(number) - 1
            wrong = (int(number[place]) + rng.randrange(1, 10)) % 10
            mistyped = f"{number[:place]}{wrong}{number[place + 1 :]}"
            assert WRONG in number_warning(mistyped), mistyped


def test_the_mod_10_rule_misses_neighbours_that_differ_by_five_and_no_single_digit() -> None:
    body = "12345678901234567"
    missed = 0
    for a, b in permutations(range(10), 2):
        right = f"{a}{b}{body[2:]}"
        swapped = f"{b}{a}{body[2:]}"
        if gs1_check_digit(right) == gs1_check_digit(swapped):
            assert abs(a - b) == 5
            missed += 1
    assert missed == 10, "of 90 pairs"
    for place in range(17):
        for by in range(1, 10):
            digit = (int(body[place]) + by) % 10
            assert gs1_check_digit(f"{body[:place]}{digit}{body[place + 1 :]}") != gs1_check_digit(
                body
            )


def test_the_postal_rule_misses_few_single_digits_and_only_between_two_remainders() -> None:
    """About 1.8 % of single wrong digits: remainders 0 and 6 of the sum both give 5."""
    rng = Random(18)
    missed = tried = 0
    for _ in range(2_000):
        serial = f"{rng.randrange(10**8):08}"
        for place in range(8):
            for by in range(1, 10):
                wrong = f"{serial[:place]}{(int(serial[place]) + by) % 10}{serial[place + 1 :]}"
                tried += 1
                if s10_check_digit(serial) == s10_check_digit(wrong):
                    assert s10_check_digit(serial) == 5
                    missed += 1
    assert 0.016 < missed / tried < 0.020, missed / tried
    assert s10_check_digit("20260009") == s10_check_digit("20260002")


@pytest.mark.parametrize("code", ["12345", "123456789"])
def test_a_postcode_scanned_before_22_digits_is_routing(code: str) -> None:
    number = "9400111202555555555553"
    assert number_warning(f"420{code}{number}") == ""
    read = read_number(f"420 {code} 9400 1112 0255 5555 5555 53")
    assert read is not None
    assert (read.form, read.fits) == ("digits22", True)
    assert WRONG in number_warning(f"420{code}{number[:-1]}4")


@pytest.mark.parametrize(
    "number", ["TE1234567890", "1Z 999 AA1", "42012345", "9" * 23, "٣" * 22, "", "A" * 22]
)
def test_an_unknown_form_is_taken_as_it_is(number: str) -> None:
    assert read_number(number) is None
    assert number_warning(number) == ""


def test_another_form_than_the_carrier_has_draws_a_word_and_no_more() -> None:
    assert number_warning("RR473124829GB", "s10") == ""
    assert number_warning("TE1234567890", "s10").startswith(
        "This carrier’s numbers are usually UPU"
    )
    assert "18 digits" in number_warning("RR473124829GB", "sscc")
    assert WRONG in number_warning("RR473124828GB", "s10"), "the digit first"
    assert number_warning("", "s10") == "", "a number that is missing is asked about elsewhere"


def test_spaces_and_hyphens_are_cleaned_away() -> None:
    assert clean_number(" rr 4731-2482\u00a09 gb ") == "RR473124829GB"
    assert clean_number("abc/12.3") == "ABC/12.3", "what else a carrier writes stays"
    assert clean_number(" - ") == ""


def test_a_number_of_the_post_comes_again_after_two_years_and_any_other_never() -> None:
    now = 1_800_000_000
    post, other = "RR473124829GB", "TE1234567890"
    assert counts_as_used(post, now, now - 729 * DAY)
    assert not counts_as_used(post, now, now - 731 * DAY)
    assert counts_as_used(other, now, now - 3000 * DAY)
