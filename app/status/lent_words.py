"""What customers read of what they lent: that it is here, how it comes back, and that it did. Pure.

That ashes are not invited by ordinary post is a postal service's rule (Publication 52 of the
United States' post: cremated remains go by a service, with a label and in packaging of their own).
"""

from collections.abc import Iterable, Sequence

from app.orders.facts.lent import LentFacts
from app.orders.facts.order import OrderFacts
from app.shared.web import words
from app.status.document import Block, Section
from app.status.voice import Days, own

_CALLED = {"collar": "collar", "hair": "hair", "ashes": "ashes", "prints": "photo prints"}
_MANY = ("ashes", "prints")


def called(lent: LentFacts) -> str:
    """What it is to its owner: Juniper’s collar; the photo prints you lent us; the red blanket."""
    if lent.kind == "prints":
        return "the photo prints you lent us"
    if lent.kind == "other":
        return lent.what.strip().rstrip(".")
    if lent.animal:
        return f"{own(lent.animal)} {_CALLED[lent.kind]}"
    return f"the {_CALLED[lent.kind]} you lent us"


def _all(lent: Sequence[LentFacts]) -> str:
    return words.listed([called(one) for one in lent])


def _several(lent: Sequence[LentFacts]) -> bool | None:
    """Whether it is spoken of as them; None where somebody's own words name one thing or many."""
    if len(lent) == 1 and lent[0].kind == "other":
        return None
    return len(lent) > 1 or lent[0].kind in _MANY


def _comes(lent: Sequence[LentFacts]) -> str:
    return {None: "to go", False: "and it comes", True: "and they come"}[_several(lent)]


def _in_person(lent: Sequence[LentFacts]) -> str:
    several = _several(lent)
    if several is None:
        return "for you to have back in person"
    return f"and you’ll have {'them' if several else 'it'} back from us in person"


def section(facts: OrderFacts, days: Days) -> Iterable[Section]:
    """What of the customer's is here, and what was given back by hand or alone."""
    blocks = [Block("text", (said,)) for said in sentences(facts, days)]
    if blocks:
        yield Section("What you lent us", tuple(blocks))


def sentences(facts: OrderFacts, days: Days) -> Iterable[str]:
    """A sentence for all that goes back the same way, and one for each return beside a parcel."""
    here = [lent for lent in facts.lent if lent.here]
    yield from still_here(here, facts)
    for lent in facts.lent:
        if lent.returned_at is None or lent.parcel_id is not None:
            continue
        when = days.on(lent.returned_at)
        if lent.way == "post":
            yield f"We posted {called(lent)} back to you {when}."
        else:
            yield f"We gave {called(lent)} back to you {when}."


def still_here(here: Sequence[LentFacts], facts: OrderFacts) -> Iterable[str]:
    """That something is here, and how it comes back."""
    ashes = [lent for lent in here if lent.kind == "ashes"]
    by_hand = [lent for lent in here if lent.way == "hand" and lent not in ashes]
    by_parcel = [lent for lent in here if lent.way != "hand" and lent not in ashes]
    if by_parcel:
        yield f"We have {_all(by_parcel)} here, {_comes(by_parcel)} {_back(facts)}."
    if by_hand:
        yield f"We have {_all(by_hand)} here, {_in_person(by_hand)}."
    if ashes:
        how = (
            "You’ll have them back from us in person."
            if all(lent.way == "hand" for lent in ashes)
            else "We won’t send them by ordinary post, and we’ll agree with you how they come back."
        )
        yield f"We have {_all(ashes)} here. {how}"


def _back(facts: OrderFacts) -> str:
    """How it comes back: with what is still to leave, or by itself."""
    if not facts.alive or facts.left:
        return "back to you separately"
    return "back to you with the parcel"


def went(facts: OrderFacts, days: Days) -> Iterable[str]:
    """A sentence for what went back with each parcel."""
    for parcel in facts.parcels:
        if lent := [one for one in facts.lent if one.parcel_id == parcel.id and one.returned_at]:
            yield f"{words.capital(_all(lent))} left us with the parcel {days.on(parcel.sent_at)}."


def inside(facts: OrderFacts, parcel_id: int) -> list[str]:
    """What of the customer's went back in a parcel, a line for each."""
    return [f"{words.capital(called(lent))}." for lent in facts.lent if lent.parcel_id == parcel_id]
