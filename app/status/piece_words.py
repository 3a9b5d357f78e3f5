"""What hands do with the copies of a model, step by step, said plainly. Pure.

Where nobody is at a piece it waits its turn, and the page says so; nothing is made up.
"""

from collections.abc import Callable, Iterable, Sequence

from app.flow.money import Paid
from app.flow.steps import ENDS, MAKING_STEPS, PLACE, Step
from app.orders.facts import sizes
from app.orders.facts.order import ASKED, NOT_SHOWN, AnimalFacts, CopyFacts, OrderFacts, Standing
from app.shared.web import words
from app.status.document import Block
from app.status.tasks import asks_about
from app.status.together import models_of, on_a_base
from app.status.voice import Days, Subject, own, subject, surface, voice

SHORT_MARK = 3


def since(standing: Standing, days: Days) -> str:
    """ "Since Monday Ines", of a piece that somebody is working on."""
    day = days.since(standing.hand_since or standing.since)
    return f"{words.capital(day)} {standing.by or 'one of us'}"


# ---------------------------------------------------------------- copies


def making(
    animal: AnimalFacts, facts: OrderFacts, days: Days, quiet: bool,
    some: Sequence[CopyFacts] | None = None,
) -> list[Block]:  # fmt: skip
    """Where the copies of an animal (or `some`) are, those of which the same is said together."""
    groups: dict[str, list[CopyFacts]] = {}
    for copy in sorted(animal.made if some is None else some, key=_furthest_first):
        # The sentence with one and the same subject tells which copies go together.
        said = _copy(copy, Subject("it"), animal, facts, days)
        groups.setdefault(said, []).append(copy)
    blocks: list[Block] = []
    explained: set[Step] = set()
    for group in groups.values():
        them, first = subject(group, animal), group[0]
        if first.step in explained and _waits(first.standing) and not first.standing.by:
            said = _waits_there(first, them)
        else:
            said = _copy(first, them, animal, facts, days)
        explained.add(first.step)
        blocks.append(Block("text", (said,)))
    waiting = [copy for copy in animal.made if _waits(copy.standing)]
    if quiet and waiting:
        since = max(copy.standing.since for copy in waiting)
        blocks.append(_still_waits(subject(waiting, animal), since, days))
    return blocks


def _furthest_first(copy: CopyFacts) -> tuple[int, bool, int]:
    return -PLACE[copy.step], not copy.standing.in_hand, copy.number


def _waits_there(copy: CopyFacts, them: Subject) -> str:
    """For a copy behind a sister whose bench has been described."""
    lead = f"{again(copy, them)} " if copy.made_again else ""
    return f"{lead}{them.head} {them.verb('is', 'are')} waiting for the same bench."


def _waits(standing: Standing) -> bool:
    at_work = standing.step in MAKING_STEPS or standing.step is Step.FINISHING
    return at_work and not (standing.in_hand or standing.held or standing.unpaid or standing.answer)


def model_still_waits(animal: AnimalFacts, facts: OrderFacts, days: Days) -> list[Block]:
    """For a model that has not moved for 14 days: it waits its turn."""
    standing = animal.model
    if standing.in_hand or standing.held or standing.step in (*ENDS, Step.PHOTOS_WANTED):
        return []
    return [_still_waits(Subject(f"{own(animal.name)} model"), facts.last_change_at, days)]


def _still_waits(them: Subject, since: int, days: Days) -> Block:
    text = (
        f"Nothing has changed here since {days.day(days.calendar.day_of(since))}: {them} "
        f"{them.verb('is', 'are')} still waiting, and your place is kept."
    )
    return Block("quiet", (text,))


def _copy(
    copy: CopyFacts, them: Subject, animal: AnimalFacts, facts: OrderFacts, days: Days
) -> str:
    if copy.standing.held:
        return paused(them, copy.standing, days)
    if copy.standing.unpaid is not None and copy.step is not Step.NOT_BEGUN:
        return goes_on(them, copy.standing.unpaid)
    lead, named_ = (f"{again(copy, them)} ", them.again) if copy.made_again else ("", them)
    where = COPY_WORDS[copy.step](copy, named_, animal, facts, days)
    return f"{lead}{where}{_stopped_for(copy, days)}"


def _stopped_for(copy: CopyFacts, days: Days) -> str:
    """What a copy waits for at a bench, beside its turn."""
    at_a_bench = copy.step in MAKING_STEPS and copy.step is not Step.PACKING
    if not at_a_bench or copy.standing.in_hand:
        return ""
    if copy.standing.part and not copy.standing.answer:
        return f" {_waits_for_part(copy.standing, days)}"
    return _ANSWERS.get(copy.standing.answer, "")


def _waits_for_part(standing: Standing, days: Days) -> str:
    """What a supplier is still to send. A day that has passed is not said."""
    what = "a part" if standing.part == "part" else f"the {standing.part}"
    due = standing.part_due
    if due is None or due < days.today:
        return f"We’re waiting for {what} to come from our supplier."
    are = "are" if standing.part.endswith("s") else "is"
    return f"We’re waiting for {what}, which {are} due here on {days.day(due)}."


_ANSWERS = {
    ASKED: " We’ll go on as soon as we have your answer.",
    NOT_SHOWN: " Before we go on, we’ll send you pictures to look at.",
}


def again(copy: CopyFacts, them: Subject) -> str:
    """That a copy, or part of it, is made again."""
    if copy.case == "repair":
        return f"We’re repairing {them}."
    if copy.case and copy.step is not Step.NOT_BEGUN:
        return f"We’re making {them} again from the start."
    if copy.remake and copy.step is Step.NOT_BEGUN:
        return f"We’re making {them} again, starting with the model, to get everything right."
    if copy.remake:
        return f"We’re making {them} again from the start, to get everything right."
    return f"We’re redoing part of {them}, to get everything right."


def goes_on(them: Subject, missing: Paid) -> str:
    """That work on something goes ahead once it is paid for."""
    return f"Work on {them.obj} goes ahead as soon as {missing.called} is in."


def paused(them: Subject, standing: Standing, days: Days) -> str:
    """That something is on hold, for whom, and when it is looked at again."""
    look = standing.hold_look_on
    then = f" We’ll look at this again on {days.day(look)}." if look and look > days.today else ""
    if standing.hold_whose == "customer":
        return f"We’ve paused work on {them.obj} until we hear from you.{then}"
    if standing.hold_whose == "supplier":
        return (
            f"{them.head} {them.verb('is', 'are')} waiting for material we’ve ordered. Your place "
            f"is kept.{then}"
        )
    return f"We’ve paused work on {them.obj} for now. Your place is kept.{then}"


def _not_begun(
    copy: CopyFacts, them: Subject, animal: AnimalFacts, facts: OrderFacts, days: Days
) -> str:
    if copy.model is not None and not copy.remake:
        return f"{_other_pose(copy, them)} {_at_its_model(copy.model, days)}"
    when = "that’s done" if copy.remake else f"{models_of(copy)} finished"
    return f"We’ll start making {them.obj} when {when}."


def _other_pose(copy: CopyFacts, them: Subject) -> str:
    """Why a copy does not wait for the model that its sisters are made from."""
    pose = f", {copy.pose.strip()}," if copy.pose.strip() else ""
    return (
        f"{them.head} {them.verb('is', 'are')} in another pose{pose} and "
        f"{them.verb('gets', 'get')} a model of {them.verb('its', 'their')} own."
    )


def _at_its_model(model: Standing, days: Days) -> str:
    then = "We’ll start making it when the model is finished."
    if model.held:
        return f"{paused(Subject('that model'), model, days)} {then}"
    if model.in_hand:
        return f"{since(model, days)} has been finishing that model on screen. {then}"
    if model.by:
        return f"{model.by} has paused work on that model and will carry on. {then}"
    return f"That model is waiting to be finished on screen. {then}"


_BATCH_WAITS = "We make several together, so there can be a wait for the next batch."
_BATCH_RUNS = "It’s being made now, in one batch with others."


def _blank(
    copy: CopyFacts, them: Subject, animal: AnimalFacts, facts: OrderFacts, days: Days
) -> str:
    shape = "rough shapes are" if them.plural else "a rough shape is"
    model = "models" if copy.beside else "model"
    if copy.standing.answer:
        return (
            f"{them.head} {them.verb('comes', 'come')} to the first stage next, where {shape} made "
            f"from the {model}."
        )
    return (
        f"{them.head} {them.verb('is', 'are')} at the first stage: {shape} made from the {model}, "
        f"cleaned up and left to harden. {_BATCH_RUNS if copy.standing.in_hand else _BATCH_WAITS}"
    )


def _shaping(
    copy: CopyFacts, them: Subject, animal: AnimalFacts, facts: OrderFacts, days: Days
) -> str:
    cut = surface(animal.kind)[1]
    standing = copy.standing
    if standing.in_hand:
        return (
            f"{since(standing, days)} has been shaping {them.obj}: cleaning up the form with "
            f"small rotary tools, and cutting the {cut} by hand from your photos."
        )
    if standing.by:
        return _paused("partly shaped", standing.by, them)
    return (
        f"{them.head} {them.verb('is', 'are')} waiting for the shaping bench. There we clean up "
        f"the form with small rotary tools, and cut the {cut} by hand from your photos."
    )


def _paused(how_far: str, who: str, them: Subject) -> str:
    """Of copies on which somebody has begun and not finished."""
    return (
        f"{them.head} {them.verb('is', 'are')} {how_far}. {who} has paused work on {them.him} and "
        "will carry on."
    )


def _painting(
    copy: CopyFacts, them: Subject, animal: AnimalFacts, facts: OrderFacts, days: Days
) -> str:
    standing = copy.standing
    his = "their" if copy.beside else voice(animal).his
    markings = f"{his} markings{_some_marks((animal, *copy.beside))}"
    if standing.drying:
        return (
            f"Paint is drying on {them.obj}. The colour goes on in thin layers, and each has to "
            "be dry before the next."
        )
    if standing.in_hand:
        return (
            f"{since(standing, days)} has been painting {them.obj} in thin layers, matching "
            f"{markings} to your photos."
        )
    if standing.by:
        return _paused("partly painted", standing.by, them)
    return (
        f"{them.head} {them.verb('is', 'are')} shaped and waiting for the painting bench. There "
        "the colour goes on by hand in thin layers, each dry before the next, and we match "
        f"{markings} to your photos."
    )


def _some_marks(animals: Iterable[AnimalFacts]) -> str:
    """A marking or two, where they are short enough for a sentence; the ticket has them all."""
    short = [
        f"the {mark.what}"
        for animal in animals
        for mark in animal.marks
        if 1 < len(mark.what.split()) <= SHORT_MARK and mark.what.replace(" ", "").isalpha()
    ]
    return f" ({words.listed(short[:2])} among them)" if short else ""


def _inspection(
    copy: CopyFacts, them: Subject, animal: AnimalFacts, facts: OrderFacts, days: Days
) -> str:
    who = copy.standing.by
    if copy.standing.in_hand and who:
        return f"{who} is checking every marking on {them.obj} against your photos."
    return (
        f"{them.head} {them.verb('is', 'are')} painted. Next one of us checks every marking "
        "against your photos."
    )


def _packing(
    copy: CopyFacts, them: Subject, animal: AnimalFacts, facts: OrderFacts, days: Days
) -> str:
    begin = (
        f"{them.head} {them.verb('is', 'are')} finished, and we’ve checked every marking against "
        "your photos."
    )
    # Whether it stops the work or not, an open question keeps the piece here.
    waits = any(asks_about(question, copy) for question in facts.questions)
    if waits or not copy.spelling_confirmed:
        return f"{begin} We need your answer before we can pack {them.him}."
    if copy.rests_until is not None and copy.rests_until > days.now:
        ready = days.on(copy.rests_until)
        return (
            f"{begin} The finish is still hardening, so we’ll pack {them.him} {ready} at the "
            "earliest."
        )
    if copy.standing.part and not copy.standing.in_hand:
        return f"{begin} {_waits_for_part(copy.standing, days)}"
    if copy.standing.in_hand and copy.standing.by:
        return f"{begin} {copy.standing.by} is packing {them.him}."
    if not facts.ship_part and any(_far(other) for other in facts.copies):
        return f"{begin} We’re keeping {them.him} here so that the whole order travels together."
    return f"{begin} Next we pack {them.him}."


def _far(copy: CopyFacts) -> bool:
    return PLACE[copy.step] < PLACE[Step.PACKING]


def _handed_over(
    copy: CopyFacts, them: Subject, animal: AnimalFacts, facts: OrderFacts, days: Days
) -> str:
    return (
        f"{them.head} {them.verb('is', 'are')} finished and {them.verb('has', 'have')} left the "
        "workshop."
    )


def _received(
    copy: CopyFacts, them: Subject, animal: AnimalFacts, facts: OrderFacts, days: Days
) -> str:
    if copy.received_assumed:
        return f"By now {them} should be with you. If not, please write to us."
    return f"{them.head} arrived {days.on(copy.standing.since)}."


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
    return paused(Subject(f"{own(animal.name)} model"), animal.model, days)


def stopped(named: str) -> str:
    """That nothing more is made of an animal, or of some copies."""
    return f"We’ve stopped work on {named}."


def inside(facts: OrderFacts, parcel_id: int) -> list[str]:
    """What is in a parcel, a line for each copy."""
    return [
        f"{on_a_base(copy, animal)}: {described(copy)}"
        for animal in facts.alive
        for copy in animal.copies
        if copy.parcel_id == parcel_id
    ]


def _size(copy: CopyFacts) -> str:
    if not copy.size_mm:
        return ""
    scale = f" ({copy.scale})" if copy.scale else ""
    return f"{sizes.said(copy.size_mm, copy.measured)}{scale}"


def described(copy: CopyFacts) -> str:
    """A copy in the words of its order: size, pose, base, finish, extras, inscription."""
    base = copy.base.strip()
    bare = base.casefold() in ("none", "no base", "without")
    parts = [
        _size(copy),
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
