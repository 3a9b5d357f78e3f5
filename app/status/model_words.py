"""What hands do with a model at finishing, and what is said of its photos, said plainly. Pure."""

from app.flow.steps import MoveKey, Step
from app.orders.facts.order import AnimalFacts, OrderFacts
from app.shared.web import words
from app.status.document import Block
from app.status.piece_words import goes_on, making, paused, since
from app.status.together import stands_with
from app.status.voice import Days, Subject, own, subject, surface, voice, whole


def finishing(animal: AnimalFacts, facts: OrderFacts, days: Days, blank_on: bool) -> list[Block]:
    """A model at finishing: the photos are settled, what hands do, what comes after."""
    blocks = [Block("text", (f"{passed(animal, facts, days)} {_at_the_screen(animal, days)}",))]
    if gap := gaps(animal):
        blocks.append(Block("text", (gap,)))
    if animal.copies:
        blocks.append(Block("quiet", (_made_by_hand(animal, blank_on),)))
    elif animal.shared:
        blocks.append(Block("quiet", (stands_with(animal, facts),)))
    others = [c for c in animal.made if c.model is not None and c.step is Step.NOT_BEGUN]
    return [*blocks, *(making(animal, facts, days, False, others) if others else ())]


def passed(animal: AnimalFacts, facts: OrderFacts, days: Days) -> str:
    """That the photos are settled, and when; or why none were needed."""
    one = voice(animal)
    photos = f"{animal.pictures} photos" if animal.pictures else "photos"
    if animal.passed_at is None:
        return f"{own(animal.name)} {photos} are good to work from."
    if animal.passed_at < facts.taken_at and not facts.imported:
        return f"We already have a model of {animal.name}, so we don’t need any photos."
    when = words.capital(days.on(animal.passed_at))
    if animal.outcome == MoveKey.BY_EYE:
        return (
            f"{when} we decided to shape {own(animal.name)} model ourselves from {one.his} "
            f"{photos}, rather than have a machine build it."
        )
    return f"{when} we found that {own(animal.name)} {photos} are good to work from."


def gaps(animal: AnimalFacts) -> str:
    """What the photos leave open, and how it is made all the same; empty where nothing is said."""
    if not animal.limits:
        return ""
    him = voice(animal).him
    agreed = ", as agreed with you" if animal.limits_agreed else ""
    lead = f"What the photos don’t show, we shape from what we know of {him}{agreed}"
    return words.with_said(lead, animal.limits)


def _at_the_screen(animal: AnimalFacts, days: Days) -> str:
    one, standing = voice(animal), animal.model
    cover = surface(animal.kind)[0]
    if standing.held:
        return paused(Subject(f"{one.his} model"), standing, days)
    if standing.unpaid is not None:
        return goes_on(Subject(f"{one.his} model"), standing.unpaid)
    begun = since(standing, days) if standing.in_hand else ""
    if standing.by and not begun:
        return f"{standing.by} has paused work on {one.his} model and will carry on."
    waits = f"{words.capital(one.his)} model is waiting to be"
    if animal.outcome == MoveKey.BY_EYE:
        if begun:
            return f"{begun} has been shaping {one.his} model on screen."
        return f"{waits} shaped on screen."
    see = f"where the photos couldn’t see through the {cover}"
    if begun:
        return (
            f"{begun} has been finishing {one.his} model on screen: repairing the surface {see}, "
            "and bringing out the face."
        )
    return (
        f"{waits} finished on screen. That’s where we repair the surface {see}, and bring out the "
        "face."
    )


def _made_by_hand(animal: AnimalFacts, blank_on: bool) -> str:
    count = len(animal.copies)
    them = {1: whole(animal.copies[0], animal).words, 2: "both copies"}.get(
        count, f"all {words.count(count, 'copy', 'copies')}"
    )
    its = [copy for copy in animal.made if copy.model is None]
    if its and len(its) < len(animal.made):
        count, them = len(its), subject(its, animal).words
    each = "" if count == 1 else " of each"
    shape = f"a rough shape{each} from the model"
    if all(copy.beside for copy in animal.copies):
        shape = "rough shapes from the models"
    begin = f"make {shape}, then " if blank_on else ""
    return (
        f"After that we {begin}shape and paint {them} by hand, and check every marking against "
        "your photos before anything leaves."
    )
