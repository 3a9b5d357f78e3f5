"""What a move has to hear, and may a copy leave the house? Every reason at once. Pure."""

import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from app.shared.errors import BadFields
from app.shared.people import DESK_AND_OWNER, EVERYBODY, OWNER_ONLY, Role

MOST_VIEWS = 20
PHOTOS_AT_PASS = 2
# Verdicts of the photo check after which a set is started only by who insists.
REFUSED_BY_CHECK = frozenset({"will not do", "nothing readable"})


def check_views(views: Sequence[str]) -> None:
    """There are views to ask for, not more than anybody would photograph. Raises BadFields."""
    if not views:
        raise BadFields({"views": "Which views? One per line. The customer reads a numbered list."})
    if len(views) > MOST_VIEWS:
        raise BadFields({"views": f"{MOST_VIEWS} at most: nobody takes more photos than that."})


def check_marks(must: Collection[int], ticked: Collection[int]) -> None:
    """Every mark that must match is ticked. Raises BadFields."""
    if left := len(set(must) - set(ticked)):
        word = "marking is" if left == 1 else "markings are"
        why = f"{left} {word} not ticked. Check it against the photos and tick it, or note a fault."
        raise BadFields({"marks": why})


def to_tick(
    listed: Sequence[str], inscription: str, base: str, changes: Iterable[str] = ()
) -> list[str]:
    """The lines of the studio's list that concern a piece with this inscription and base, and the
    small changes with which the customer approved its painting, in their words."""
    without = {"spelling": not inscription, "base level": base.strip().lower() in ("", "none")}
    wished = [f"changed as they asked: {' '.join(said.split())}" for said in changes]
    return [*(line for line in listed if not without.get(line.lower())), *wished]


def check_list(wanted: Sequence[str], ticked: Collection[str]) -> None:
    """Every line of the list is ticked. Raises BadFields, at `check`."""
    left = [line for line in wanted if line not in ticked]
    if left:
        why = f"Not ticked: {', '.join(left)}. Look and tick, or note what you found."
        raise BadFields({"check": why})


@dataclass(frozen=True, slots=True)
class Leaving:
    """What decides whether a copy may leave. Moments are UTC seconds.

    `waits` says that the work on it waits for an answer; `questions_open` counts what was asked
    beside. `lent` names what the customer lent that goes back with this parcel and is not in it.
    """

    now: int
    rests_until: int | None
    waits: str
    questions_open: int
    paid: str
    address_known: bool
    address_confirmed: bool
    inscription: str
    spelling_confirmed: bool
    others_not_ready: int
    ship_part: bool
    held: bool
    lent: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Stop:
    """A reason against leaving, and who may send it all the same with a reason of their own."""

    code: str
    words: str
    override: frozenset[Role]


def may_pack(rests_until: int | None, now: int) -> list[Stop]:
    """Why a copy may not be wrapped yet: what is laid on it cures to a moment (UTC seconds)."""
    if rests_until is None or rests_until <= now:
        return []
    return [Stop("resting", "It is still curing: wrapping would mark it.", EVERYBODY)]


def may_leave(copy: Leaving) -> list[Stop]:
    """Every reason why a copy may not leave, in the order in which one would see to them."""
    found: list[Stop] = []

    def stop(applies: bool, code: str, words: str, override: frozenset[Role]) -> None:
        if applies:
            found.append(Stop(code, words, override))

    stop(copy.held, "held", "It is on hold. Resume it first.", frozenset())
    stop(bool(copy.waits), "waits", copy.waits, frozenset())
    found.extend(may_pack(copy.rests_until, copy.now))
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
    # What was left behind can be lost, and nobody can make it again.
    stop(bool(copy.lent), "belongings", not_in_it(copy.lent), OWNER_ONLY)
    return found


def not_in_it(lent: Sequence[str]) -> str:
    """That something of the customer's stays behind: "Juniper’s collar is still here. ..." """
    if not lent:
        return ""
    several = len(lent) > 1
    return (
        f"Still here, and the customer’s: {'; '.join(lent)}. Put {'them' if several else 'it'} in."
    )


def refused(stops: Sequence[Stop], role: Role, reason: str) -> list[Stop]:
    """The reasons that still stand: all without a reason given, else those beyond the role."""
    if not reason.strip():
        return list(stops)
    return [stop for stop in stops if role not in stop.override]


# What a job ticket's code holds: the address of a piece's page, as a scanner types it.
_SCANNED = re.compile(r"(?<=[\w\]])/pieces/((?:model|copy)/\d{1,9})$")


def scanned(typed: str) -> str | None:
    """The piece of which a job ticket's code was scanned, as "copy:12"; None for anything else."""
    found = _SCANNED.search(typed.strip())
    return found[1].replace("/", ":") if found is not None else None


def number_key(number: str) -> str:
    """A carrier's number as it is compared: no spaces or hyphens, upper case."""
    return "".join(sign for sign in number.upper() if sign.isalnum())


def clean_number(typed: str) -> str:
    """A number as it is kept and shown: no spaces or hyphens, upper case."""
    return "".join(typed.upper().replace("-", "").split())
