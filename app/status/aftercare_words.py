"""What customers read of a case: what happened, what we do about it, what comes next. Pure."""

from collections.abc import Iterable, Sequence

from app.flow.steps import Step
from app.orders.facts.cases import CaseFacts
from app.orders.facts.order import AnimalFacts, CopyFacts, OrderFacts
from app.shared.web import words
from app.status.document import Block, Section
from app.status.lent_words import called
from app.status.voice import Days, likeness, likenesses, named, several
from app.status.voice import Subject as Spoken

_HEADINGS = {
    "lost": "About the parcel",
    "returned": "About the parcel",
    "damaged": "What happened on the way",
    "fault": "What isn’t right",
}


def sections(facts: OrderFacts, days: Days) -> Iterable[Section]:
    """A section for each open case."""
    for case in facts.cases:
        yield Section(_HEADINGS[case.kind], tuple(blocks(case, facts, days)))


def blocks(case: CaseFacts, facts: OrderFacts, days: Days) -> Iterable[Block]:
    """A case in two short paragraphs, on the page and in its letter alike."""
    them = _them(case, facts)
    next_ = _sent_again(case, them.again, _copies(case, facts)) or _next(case, them.again)
    for said in (_happened(case, them, days), next_, *_lent(case, facts)):
        if said:
            yield Block("text", (said,))


def gone_for_good(animal: AnimalFacts, facts: OrderFacts) -> str:
    """Of an animal of which nothing is made any more: that it was lost on the way, or nothing."""
    if not any(case.for_good and animal.letter in case.letters for case in facts.cases):
        return ""
    return f"{likeness(animal).head} had left the workshop and was lost on the way."


def _them(case: CaseFacts, facts: OrderFacts) -> Spoken:
    its = _copies(case, facts)
    animals = [a for a in facts.animals if a.letter in case.letters]
    if len(animals) == 1:
        return named(animals[0], [copy for copy in its if copy.letter == animals[0].letter])
    return several(likenesses(animals))


def _copies(case: CaseFacts, facts: OrderFacts) -> Sequence[CopyFacts]:
    """The copies it is about, as they stand now: what goes on in one's place has its number."""
    return [
        copy
        for animal in facts.animals
        if animal.letter in case.letters
        for copy in animal.copies
        if not case.codes or f"{copy.letter}{copy.number}" in case.codes
    ]


def _sent_again(case: CaseFacts, they: Spoken, its: Sequence[CopyFacts]) -> str:
    """That what was mended, made again or undelivered has left once more; empty until it has."""
    undelivered = case.kind == "returned" and not case.came
    if not (undelivered or case.here or case.decided == "remake"):
        return ""
    if not its or not all(copy.gone for copy in its):
        return ""
    they_have = f"{they} {they.verb('has', 'have')}"
    arrived = all(copy.step is Step.RECEIVED for copy in its)
    if case.decided == "remake":
        left = "arrived" if arrived else "left the workshop"
        return f"We’ve made {they.obj} again, and {they_have} {left}."
    if case.kind == "returned":
        return f"We’ve sent {they.obj} to you again{f', and {they_have} arrived' * arrived}."
    left = "arrived" if arrived else "left the workshop again"
    return f"We’ve repaired {they.obj}, and {they_have} {left}."


def _happened(case: CaseFacts, them: Spoken, days: Days) -> str:
    match case.kind:
        case "lost":
            return _lost(case, them, days)
        case "returned" if case.came:
            return f"You’ve sent {them} back to us."
        case "returned":
            return f"The parcel with {them} couldn’t be delivered and has come back to us."
        case "damaged" if _by_them(case):
            return f"You’ve told us that {them} arrived damaged. We’re sorry."
        case "damaged":
            return f"{them.head} arrived damaged. We’re sorry."
    return f"You’ve told us that something about {them} isn’t right. Thank you for saying so."


def _by_them(case: CaseFacts) -> bool:
    return case.said_by == "customer"


def _lost(case: CaseFacts, them: Spoken, days: Days) -> str:
    handed = ""
    if case.sent_at is not None and case.carrier:
        handed = f"which we handed to {case.carrier} {days.on(case.sent_at)}"
    which = f"the parcel with {them}{f', {handed},' if handed else ''}"
    number = f" Its number is {case.number}." if case.number else ""
    if case.decided:
        return f"{words.capital(which)} was lost on the way.{number}"
    if _by_them(case):
        return f"You’ve told us that {which} hasn’t reached you.{number}"
    if case.said_by == "carrier":
        return f"The carrier can’t find {which} and has told us so.{number}"
    return f"{words.capital(which)} seems to be lost.{number}"


def _next(case: CaseFacts, they: Spoken) -> str:
    again = f"We’re making {they.obj} again, and it doesn’t cost you anything."
    match case.decided:
        case "remake" if case.kind == "lost":
            return again
        case "remake":
            return f"{again} Please keep what you have until we’ve written about it."
        case "repair" if case.kind == "returned" and case.here:
            return f"We’re getting {they.obj} ready to travel again."
        case "repair" if case.kind == "returned":
            return f"We’ll send {they.obj} to you again once we’ve checked the address with you."
        case "repair" if case.here:
            doing = "repairing the damage" if case.kind == "damaged" else "putting that right"
            return f"{they.head} {they.verb('is', 'are')} back with us, and we’re {doing}."
        case "repair":
            return (
                f"We’ll repair {they.obj}, and it doesn’t cost you anything. We’ll agree with "
                f"you how {they} {they.verb('travels', 'travel')} back to us."
            )
        case "nothing":
            return "What happens now is as we’ve agreed with you."
    if case.kind == "returned" and case.came:
        return f"We’ll look at {they.obj} and write to tell you what we’ll do."
    return {
        "lost": "We’re asking the carrier where it is, and we’ll write to tell you what we’ll do.",
        "returned": f"{they.head} {they.verb('is', 'are')} safe with us. Please check "
        "the address you gave us, and write to us if it isn’t right.",
    }.get(
        case.kind,
        "Please keep everything as it is, the packing too. We’ll write to tell you what we’ll do.",
    )


def _lent(case: CaseFacts, facts: OrderFacts) -> Iterable[str]:
    """What of the customer's was in a parcel that is lost. Nothing is promised of it."""
    if case.kind != "lost" or case.parcel_id is None:
        return
    inside = [lent for lent in facts.lent if lent.parcel_id == case.parcel_id]
    if inside:
        names = words.listed([called(lent) for lent in inside])
        yield f"In that parcel, too: {names}. We can’t make that again, and we’re sorry."
