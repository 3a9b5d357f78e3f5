"""May a copy leave the house? Every reason against it at once. And carriers' numbers. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass

from app.shared.people import DESK_AND_OWNER, EVERYBODY, OWNER_ONLY, Role


@dataclass(frozen=True, slots=True)
class Leaving:
    """What decides whether a copy may leave. Moments are UTC seconds."""

    now: int
    rests_until: int | None
    questions_open: int
    paid: str
    address_known: bool
    address_confirmed: bool
    inscription: str
    spelling_confirmed: bool
    others_not_ready: int
    ship_part: bool
    held: bool


@dataclass(frozen=True, slots=True)
class Stop:
    """A reason against leaving, and who may send it all the same with a reason of their own."""

    code: str
    words: str
    override: frozenset[Role]


def may_leave(copy: Leaving) -> list[Stop]:
    """Every reason why a copy may not leave, in the order in which one would see to them."""
    found: list[Stop] = []

    def stop(applies: bool, code: str, words: str, override: frozenset[Role]) -> None:
        if applies:
            found.append(Stop(code, words, override))

    resting = copy.rests_until is not None and copy.rests_until > copy.now
    stop(copy.held, "held", "It is on hold. Lift the hold first.", frozenset())
    stop(resting, "resting", "Its paint rests still.", EVERYBODY)
    stop(copy.questions_open > 0, "question", "A question is open.", DESK_AND_OWNER)
    stop(copy.paid != "all", "unpaid", "It is not paid in full.", DESK_AND_OWNER)
    stop(not copy.address_known, "no_address", "There is no address.", DESK_AND_OWNER)
    stop(
        copy.address_known and not copy.address_confirmed,
        "address",
        "The address is not confirmed.",
        DESK_AND_OWNER,
    )
    # A name spelled wrongly cannot be mended once it is gone: only the owner may risk that.
    stop(
        bool(copy.inscription) and not copy.spelling_confirmed,
        "spelling",
        f"The spelling of “{copy.inscription}” is not confirmed.",
        OWNER_ONLY,
    )
    stop(
        copy.others_not_ready > 0 and not copy.ship_part,
        "rest_of_order",
        "The rest of the order is not ready.",
        DESK_AND_OWNER,
    )
    return found


def refused(stops: Sequence[Stop], role: Role, reason: str) -> list[Stop]:
    """The reasons that still stand: all without a reason given, else those beyond the role."""
    if not reason.strip():
        return list(stops)
    return [stop for stop in stops if role not in stop.override]


def number_key(number: str) -> str:
    """A carrier's number as it is compared: no spaces or hyphens, upper case."""
    return "".join(sign for sign in number.upper() if sign.isalnum())


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
    return "" if good else "The check digit does not fit: is every digit right?"
