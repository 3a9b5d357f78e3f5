"""What hands do with a model and its copies, step by step, said plainly. Pure.

Where nobody is at a piece it waits its turn, and the page says so; nothing is made up.
"""

from collections.abc import Callable, Iterable, Sequence

from app.flow.steps import ENDS, MAKING_STEPS, PLACE, MoveKey, Step
from app.orders.facts.order import AnimalFacts, CopyFacts, OrderFacts, Standing
from app.shared.web import words
from app.status.document import Block
from app.status.tasks import asks_about
from app.status.voice import Days, Subject, own, subject, surface, voice

SHORT_MARK = 3


def finishing(animal: AnimalFacts, facts: OrderFacts, days: Days, blank_on: bool) -> list[Block]:
    """A model at finishing: the photos passed, what hands do, what comes after."""
    blocks = [Block("text", (f"{passed(animal, facts, days)} {_at_the_screen(animal, days)}",))]
    if animal.limits:
        blocks.append(Block("text", (_limits(animal),)))
    if animal.copies:
        after = f"After that {_made_by_hand(animal, blank_on)}"
        blocks.append(Block("quiet", (after,)))
    return blocks


def passed(animal: AnimalFacts, facts: OrderFacts, days: Days) -> str:
    """That the photographs have passed, and when; or why none were needed."""
    one = voice(animal)
    if animal.passed_at is None:
        return f"{own(animal.name)} photographs are good to work from."
    if animal.passed_at < facts.taken_at and not facts.imported:
        return f"{own(animal.name)} model is one we have already, so no photographs are needed."
    if animal.outcome == MoveKey.BY_EYE:
        number = f": {animal.pictures} of them" if animal.pictures else ""
        return (
            f"Since {days.at(animal.passed_at)} it is settled that {own(animal.name)} model is "
            f"made by eye, from {one.his} photographs{number}."
        )
    which = f"{own(animal.name)} photographs"
    if animal.pictures:
        which = f"the {animal.pictures} photographs of {animal.name}"
    return f"Since {days.at(animal.passed_at)} we know that {which} are good to work from."


def _limits(animal: AnimalFacts) -> str:
    agreed = ", as agreed with you" if animal.limits_agreed else ""
    lead = f"What the photographs do not show is worked by eye{agreed}"
    return words.with_said(lead, animal.limits)


def _at_the_screen(animal: AnimalFacts, days: Days) -> str:
    one, standing = voice(animal), animal.model
    cover = surface(animal.kind)[0]
    if standing.held:
        return _hold(Subject(f"{one.his} model", False), standing, days)
    if standing.in_hand:
        who, since = standing.by or "one of us", days.at(standing.hand_since or standing.since)
        return (
            f"Since {since} {who} has been at {one.his} model on screen, mending the surface where "
            f"the pictures could not see through the {cover}, and bringing out the face."
        )
    if standing.by:
        return f"{words.capital(one.his)} model on screen is set aside, and {standing.by} goes on."
    return (
        f"{words.capital(one.his)} model waits its turn at the screen. There its surface is mended "
        f"where the pictures could not see through the {cover}, and the face is brought out."
    )


def _made_by_hand(animal: AnimalFacts, blank_on: bool) -> str:
    count = len(animal.copies)
    every = f"all {words.count(count, 'copy', 'copies')} are"
    which = {1: "the piece is", 2: "both copies are"}.get(count, every)
    blank = "a blank" if count == 1 else "a blank of each"
    begin = f"{blank} is made from the model, and {which}" if blank_on else which
    return (
        f"{begin} shaped and painted by hand, and looked over beside your photographs, mark by "
        "mark, before anything leaves."
    )


# ---------------------------------------------------------------- copies


def making(animal: AnimalFacts, facts: OrderFacts, days: Days, quiet: bool) -> list[Block]:
    """Where the copies of an animal are, those of which the same is said together."""
    copies = animal.made
    groups: dict[str, list[CopyFacts]] = {}
    for copy in sorted(copies, key=_furthest_first):
        # The sentence with one and the same subject tells which copies go together.
        said = _copy(copy, Subject("it", False), animal, facts, days)
        groups.setdefault(said, []).append(copy)
    blocks: list[Block] = []
    explained: set[Step] = set()
    for group in groups.values():
        them, first = subject(group, copies), group[0]
        if first.step in explained and _waits(first.standing) and not first.standing.by:
            said = _waits_there(first, them)
        else:
            said = _copy(first, them, animal, facts, days)
        explained.add(first.step)
        blocks.append(Block("text", (said,)))
    waiting = [copy for copy in copies if _waits(copy.standing)]
    if quiet and waiting:
        blocks.append(Block("quiet", (_still_waits(waiting, copies, days),)))
    return blocks


def _furthest_first(copy: CopyFacts) -> tuple[int, bool, int]:
    return -PLACE[copy.step], not copy.standing.in_hand, copy.number


def _waits_there(copy: CopyFacts, them: Subject) -> str:
    """For a copy behind a sister whose bench has been described."""
    said = f"{them.head} {them.verb('waits', 'wait')} {them.its} turn at the same bench."
    return f"{_again(copy, them)} {said}" if copy.made_again else said


def _waits(standing: Standing) -> bool:
    at_work = standing.step in MAKING_STEPS or standing.step is Step.FINISHING
    return at_work and not standing.in_hand and not standing.held


def model_still_waits(animal: AnimalFacts, facts: OrderFacts, days: Days) -> list[Block]:
    """For a model that has not moved for 14 days: it waits its turn."""
    standing = animal.model
    if standing.in_hand or standing.held or standing.step in (*ENDS, Step.PHOTOS_WANTED):
        return []
    since = days.day(days.calendar.day_of(facts.last_change_at))
    text = f"Nothing has changed here since {since}: it waits its turn, and its place is kept."
    return [Block("quiet", (text,))]


def _still_waits(waiting: Sequence[CopyFacts], sisters: Sequence[CopyFacts], days: Days) -> str:
    them = subject(waiting, sisters)
    since = days.day(days.calendar.day_of(max(copy.standing.since for copy in waiting)))
    return (
        f"Nothing has changed here since {since}: {them} {them.verb('waits', 'wait')} "
        f"{them.its} turn, and {them.its} place is kept."
    )


def _copy(
    copy: CopyFacts, them: Subject, animal: AnimalFacts, facts: OrderFacts, days: Days
) -> str:
    if copy.standing.held:
        return _hold(them, copy.standing, days)
    words_of_step = COPY_WORDS[copy.step]
    if copy.made_again:
        again = Subject("they" if them.plural else "it", them.plural)
        return f"{_again(copy, them)} {words_of_step(copy, again, animal, facts, days)}"
    return words_of_step(copy, them, animal, facts, days)


def _again(copy: CopyFacts, them: Subject) -> str:
    if copy.remake and copy.step is Step.NOT_BEGUN:
        return f"We are making {them} anew, from the model on, so that all of it comes out right."
    if copy.remake:
        return f"We are making {them} anew from the start, so that all of it comes out right."
    return f"We are making part of {them} again, so that it comes out right."


def _hold(them: Subject, standing: Standing, days: Days) -> str:
    look = standing.hold_look_on
    then = f" We look at it again on {days.day(look)}." if look and look > days.today else ""
    if standing.hold_whose == "customer":
        return f"{them.head} {them.verb('rests', 'rest')} with us until we hear from you.{then}"
    if standing.hold_whose == "supplier":
        return (
            f"{them.head} {them.verb('waits', 'wait')} for material that is on order, and "
            f"{them.verb('keeps', 'keep')} {them.its} place.{then}"
        )
    return (
        f"{them.head} {them.verb('is', 'are')} set aside in the workshop for now, and "
        f"{them.verb('keeps', 'keep')} {them.its} place.{then}"
    )


def _not_begun(
    copy: CopyFacts, them: Subject, animal: AnimalFacts, facts: OrderFacts, days: Days
) -> str:
    when = "that is done" if copy.remake else "the model is finished"
    return f"{them.head} {them.verb('begins', 'begin')} when {when}."


def _blank(
    copy: CopyFacts, them: Subject, animal: AnimalFacts, facts: OrderFacts, days: Days
) -> str:
    return (
        f"{them.head} {them.verb('is', 'are')} at the blank: {them.its} rough form is made from "
        "the model, then cleaned and left to harden. Blanks are made several together, so now and "
        "then one waits for the next round."
    )


def _shaping(
    copy: CopyFacts, them: Subject, animal: AnimalFacts, facts: OrderFacts, days: Days
) -> str:
    cut = surface(animal.kind)[1]
    standing = copy.standing
    if standing.in_hand:
        who, since = standing.by or "one of us", days.at(standing.hand_since or standing.since)
        return (
            f"Since {since} {who} has had {them.obj} in hand at the shaping bench: cleaning the "
            f"form with small rotary tools, and cutting {cut} by hand, beside your photographs."
        )
    if standing.by:
        return (
            f"{them.head} {them.verb('is', 'are')} half shaped. {standing.by} has set {them.it} "
            "aside and takes it up again."
        )
    return (
        f"{them.head} {them.verb('waits', 'wait')} {them.its} turn at the shaping bench. There the "
        f"form is cleaned with small rotary tools, and {cut} are cut by hand, beside your "
        "photographs."
    )


def _painting(
    copy: CopyFacts, them: Subject, animal: AnimalFacts, facts: OrderFacts, days: Days
) -> str:
    his, standing = voice(animal).his, copy.standing
    # What is said of a mark at length would break the sentence; the ticket has it in full.
    marks = [mark.what for mark in animal.marks if len(mark.what.split()) <= SHORT_MARK][:2]
    among = f", {words.listed(marks)} among them" if marks else ""
    if standing.drying:
        return (
            f"Paint is drying on {them.obj}. The colour goes on in thin layers, and each has to be "
            "hard before the next."
        )
    if standing.in_hand:
        who, since = standing.by or "one of us", days.at(standing.hand_since or standing.since)
        return (
            f"Since {since} {who} has been painting {them.obj}, in thin layers, matching {his} "
            f"marks to your photographs one by one{among}."
        )
    if standing.by:
        return (
            f"{them.head} {them.verb('is', 'are')} partly painted. {standing.by} has set "
            f"{them.it} aside and takes it up again."
        )
    return (
        f"{them.head} {them.verb('is', 'are')} shaped and {them.verb('waits', 'wait')} "
        f"{them.its} turn at the painting bench. There the colour goes on by hand in thin layers, "
        f"each dry before the next, and {his} marks are matched one by one{among}."
    )


def _inspection(
    copy: CopyFacts, them: Subject, animal: AnimalFacts, facts: OrderFacts, days: Days
) -> str:
    who = copy.standing.by
    if copy.standing.in_hand and who:
        return f"{who} is looking {them.obj} over beside your photographs, mark by mark."
    return (
        f"{them.head} {them.verb('is', 'are')} painted. Next somebody looks {them.it} over beside "
        "your photographs, mark by mark."
    )


def _packing(
    copy: CopyFacts, them: Subject, animal: AnimalFacts, facts: OrderFacts, days: Days
) -> str:
    begin = (
        f"{them.head} {them.verb('is', 'are')} finished: we have looked {them.it} over for the "
        "last time, mark by mark."
    )
    waits = any(question.blocking and asks_about(question, copy) for question in facts.questions)
    if waits or not copy.spelling_confirmed:
        return (
            f"{begin} {'They wait' if them.plural else 'It waits'} for your answer before "
            f"{'they are' if them.plural else 'it is'} packed."
        )
    if copy.rests_until is not None and copy.rests_until > days.now:
        return f"{begin} The paint hardens for some days before anything may touch it."
    if copy.standing.in_hand and copy.standing.by:
        return f"{begin} {copy.standing.by} is packing {them.it}."
    if not facts.ship_part and any(_far(other) for other in facts.copies):
        return (
            f"{begin} {'They wait' if them.plural else 'It waits'} here for the rest of your "
            "order, so that everything travels together."
        )
    return f"{begin} Next {'they are' if them.plural else 'it is'} packed."


def _far(copy: CopyFacts) -> bool:
    return PLACE[copy.step] < PLACE[Step.PACKING]


def _handed_over(
    copy: CopyFacts, them: Subject, animal: AnimalFacts, facts: OrderFacts, days: Days
) -> str:
    return f"{them.head} {them.verb('is', 'are')} finished and {them.verb('has', 'have')} left us."


def _received(
    copy: CopyFacts, them: Subject, animal: AnimalFacts, facts: OrderFacts, days: Days
) -> str:
    if copy.received_assumed:
        return (
            f"By now {them} should be with you. If {them.verb('it is', 'they are')} not, please "
            "write to us."
        )
    return f"{them.head} arrived on {days.at(copy.standing.since)}."


_Words = Callable[[CopyFacts, Subject, AnimalFacts, OrderFacts, Days], str]
COPY_WORDS: dict[Step, _Words] = {
    Step.NOT_BEGUN: _not_begun,
    Step.BLANK: _blank,
    Step.SHAPING: _shaping,
    Step.PAINTING: _painting,
    Step.INSPECTION: _inspection,
    Step.PACKING: _packing,
    Step.HANDED_OVER: _handed_over,
    Step.RECEIVED: _received,
}


def model_hold(animal: AnimalFacts, days: Days) -> str:
    """A model that is on hold at the photo steps."""
    return _hold(Subject(f"{own(animal.name)} model", False), animal.model, days)


def inside(facts: OrderFacts, parcel_id: int) -> list[str]:
    """What is in a parcel, a line for each copy."""
    return [
        f"{animal.name}: {described(copy)}"
        for animal in facts.alive
        for copy in animal.copies
        if copy.parcel_id == parcel_id
    ]


def ordered(animals: Iterable[AnimalFacts]) -> list[Block]:
    """What was ordered, spelled back, a line for each copy."""
    lines: list[str] = []
    for animal in animals:
        for copy in animal.made:
            name = animal.name
            if len(animal.made) > 1:
                name += f", copy {copy.number}"
            lines.append(f"{name}: {described(copy)}")
    return [Block("points", tuple(lines))] if lines else []


def described(copy: CopyFacts) -> str:
    """A copy in the words of its order: size, pose, base, finish, extras, inscription."""
    base = copy.base.strip()
    bare = base.casefold() in ("none", "no base", "without")
    parts = [
        f"{copy.size_mm} mm" if copy.size_mm else "",
        copy.pose.strip(),
        "without a base" if bare else f"{base} base" if base else "",
        copy.finish.strip(),
        f"with {copy.extras.strip()}" if copy.extras.strip() else "",
    ]
    said = ", ".join(part for part in parts if part) or "as agreed"
    if copy.inscription:
        said += f". Inscription: “{copy.inscription}”"
        if not copy.spelling_confirmed:
            said += ", spelling not yet confirmed"
    return said + "."
