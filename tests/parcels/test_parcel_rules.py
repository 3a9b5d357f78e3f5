"""May it leave, and carriers' numbers: pure, against published examples."""

from dataclasses import fields, replace
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.moving.rules import Leaving, may_leave, number_key, refused
from app.parcels.rules import gs1_check_digit, number_warning, s10_check_digit
from app.shared.people import Role

FREE = Leaving(
    now=1000, rests_until=None, waits="", questions_open=0, paid="all", address_known=True,
    address_confirmed=True, inscription="", spelling_confirmed=False, others_not_ready=0,
    ship_part=False, held=False,
)  # fmt: skip
AGAINST = {
    "held": {"held": True},
    "waits": {"waits": "The customer has been asked something."},
    "resting": {"rests_until": 1001},
    "question": {"questions_open": 1},
    "unpaid": {"paid": "part"},
    "address": {"address_confirmed": False},
    "spelling": {"inscription": "Juniper"},
    "rest_of_order": {"others_not_ready": 1},
}
OVERRIDE = {
    "held": set(), "waits": set(), "resting": set(Role), "question": {Role.OWNER, Role.DESK},
    "unpaid": {Role.OWNER, Role.DESK}, "no_address": {Role.OWNER, Role.DESK},
    "address": {Role.OWNER, Role.DESK}, "spelling": {Role.OWNER},
    "rest_of_order": {Role.OWNER, Role.DESK},
}  # fmt: skip


def test_nothing_against_it_it_may_leave() -> None:
    assert may_leave(FREE) == []
    assert may_leave(replace(FREE, rests_until=1000)) == []
    assert may_leave(replace(FREE, inscription="Juniper", spelling_confirmed=True)) == []
    assert may_leave(replace(FREE, others_not_ready=3, ship_part=True)) == []


@pytest.mark.parametrize("code", AGAINST)
def test_each_reason_stands_alone(code: str) -> None:
    assert [stop.code for stop in may_leave(replace(FREE, **AGAINST[code]))] == [code]


def test_every_reason_is_said_at_once_in_the_order_of_seeing_to_them() -> None:
    everything: dict[str, object] = {}
    for changed in AGAINST.values():
        everything |= changed
    assert [stop.code for stop in may_leave(replace(FREE, **everything))] == list(AGAINST)
    nowhere = replace(FREE, address_known=False, address_confirmed=False)
    assert [stop.code for stop in may_leave(nowhere)] == ["no_address"]


@given(st.sets(st.sampled_from(sorted(AGAINST))))
def test_reasons_come_together_as_they_come_alone(codes: set[str]) -> None:
    changed: dict[str, object] = {}
    for code in codes:
        changed |= AGAINST[code]
    assert {stop.code for stop in may_leave(replace(FREE, **changed))} == codes


@pytest.mark.parametrize(("code", "role"), list(product(AGAINST, Role)))
def test_who_may_pass_over_what(code: str, role: Role) -> None:
    stops = may_leave(replace(FREE, **AGAINST[code]))
    assert refused(stops, role, "") == stops, "never without a reason"
    assert refused(stops, role, "  \n") == stops
    assert (refused(stops, role, "as agreed") == []) == (role in OVERRIDE[code])


@given(
    st.builds(
        Leaving,
        **{
            f.name: {
                "now": st.just(1000), "rests_until": st.none() | st.integers(0, 2000),
                "paid": st.sampled_from(["none", "part", "all"]), "inscription": st.sampled_from(["", "Otis"]),
                "waits": st.sampled_from(["", "It waits."]), "lent": st.sampled_from([(), ("a collar",)]),
            }.get(f.name, st.integers(0, 3) if f.type is int else st.booleans())
            for f in fields(Leaving)
        },
    )
)  # fmt: skip
def test_a_bench_hand_never_sends_what_the_desk_may_not_send(leaving: Leaving) -> None:
    stops = may_leave(leaving)
    left = {role: {s.code for s in refused(stops, role, "so be it")} for role in Role}
    assert left[Role.OWNER] <= left[Role.DESK] <= left[Role.BENCH]
    assert left[Role.OWNER] <= {"held", "waits"}
    assert len({stop.code for stop in stops}) == len(stops)


# ---------------------------------------------------------------- numbers
# S10: UPU standard S10 (identification of postal items), weights 8 6 4 2 3 5 9 7; the first serial
# is the published example RR 4731 2482 9, the others were computed by hand from the rule.


@pytest.mark.parametrize(
    ("serial", "digit"),
    [("47312482", 9), ("12345678", 5), ("87654321", 6), ("20260006", 0), ("00000000", 5),
     ("20260009", 5), ("20260002", 5)],
)  # fmt: skip
def test_check_digits_of_postal_items(serial: str, digit: int) -> None:
    assert s10_check_digit(serial) == digit


# GS1: General Specifications, check digit of GS1 keys; the first body is GS1's own GTIN-13.
@pytest.mark.parametrize(
    ("body", "digit"),
    [("629104150021", 3), ("10614141234567890", 8), ("37610425002123456", 9),
     ("12345678901234567", 5), ("0" * 17, 0)],
)  # fmt: skip
def test_check_digits_of_logistic_units(body: str, digit: int) -> None:
    assert gs1_check_digit(body) == digit


@pytest.mark.parametrize(
    "number",
    ["RR473124829GB", "rr 4731 2482 9 gb", "RR-473124829-GB", "376104250021234569",
     "00 3 7610425 00212345 6 9", "", "any form of their own 123", "1Z999", "½½½½½½½½½½½½½",
     "99" * 10, "RR47312482XGB"],
)  # fmt: skip
def test_a_number_that_fits_or_is_of_no_known_form_draws_no_word(number: str) -> None:
    assert number_warning(number) == ""


@pytest.mark.parametrize("number", ["RR473124828GB", "RR437124829GB", "376104250021234568"])
def test_a_number_that_looks_mistyped_draws_a_word(number: str) -> None:
    assert "check digit does not match" in number_warning(number)


@given(st.integers(0, 10**17 - 1), st.integers(0, 16), st.integers(1, 9))
def test_every_single_wrong_digit_of_a_logistic_unit_is_seen(
    body: int, place: int, by: int
) -> None:
    digits = f"{body:017}"
    wrong = f"{digits[:place]}{(int(digits[place]) + by) % 10}{digits[place + 1 :]}"
    assert gs1_check_digit(wrong) != gs1_check_digit(digits)


@given(st.text())
def test_whatever_is_typed_as_a_number_is_compared_and_never_an_error(typed: str) -> None:
    assert number_key(number_key(typed)) == number_key(typed)
    assert isinstance(number_warning(typed), str)
