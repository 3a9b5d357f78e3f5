"""From news and an order's facts to a letter: the sentences of the order's page, and few besides.

Pure: the facts and the moment come in. Each kind says its news; what the customer needs to do is
said once for the whole letter, and so is when the order is ready.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from app.flow.news import CHANGED, OFF_THE_LIST, ON_THE_LIST
from app.flow.steps import Step
from app.letters import own_words
from app.letters.letter import Part, WordedLetter
from app.letters.own_words import GREETING, SIGN_OFF
from app.letters.rules import ASKS, KINDS, says_when
from app.orders.facts.acts import (
    BY_A_PERSON,
    OF_AN_ACT,
    Touched,
    all_of_it,
    corrected,
    touched,
    whom,
)
from app.orders.facts.cases import AFTERCARE, CaseFacts
from app.orders.facts.order import AnimalFacts, OrderFacts, ParcelFacts, joining
from app.orders.facts.standing import at_a_bench
from app.shared.web import words
from app.status import (
    aftercare_words,
    approval_words,
    lent_words,
    model_words,
    parcel_words,
    photo_words,
    piece_words,
    range_words,
    waiting_words,
)
from app.status.change_words import what_changed
from app.status.document import Block, Section, StudioContact
from app.status.order_words import said_back
from app.status.tasks import first_wanted, in_letter, starts, tasks
from app.status.together import told_apart
from app.status.voice import Days, Subject, likenesses, named, own, several
from app.status.wording import CANCELLED, SURPRISED, Teller, more_copies, to_do

_SAY_WHEN = frozenset({
    "running_later", "order_in", "photos_passed", "making_begun", "photos_counted", AFTERCARE,
    *OF_AN_ACT,
})  # fmt: skip
_SAY_NOTHING_TO_DO = (_SAY_WHEN - {"running_later"}) | {ON_THE_LIST}
_HOW_TO = frozenset({"order_in", "photo_reminder"})
# Where somebody may ask themselves what became of what they lent.
_SAY_LENT = frozenset({"order_in", "photos_counted", "cancelled", "handed_over"})


@dataclass(frozen=True, slots=True)
class LetterContext:
    """A part of a letter with what it is worded from. `passed` are the letters of animals of which
    the same letter has the news that their photos have passed."""

    part: Part
    facts: OrderFacts
    animals: tuple[AnimalFacts, ...]
    passed: frozenset[str] = frozenset()

    @classmethod
    def of(cls, part: Part, facts: OrderFacts) -> "LetterContext":
        """The part of the animals that it names, that its act concerns, or of all."""
        if part.kind in BY_A_PERSON:
            return cls(part, facts, whom(touched(part.kind, part.round, facts), facts))
        if part.kind == AFTERCARE:
            about = {at for case in facts.cases if case.round == part.round for at in case.letters}
            return cls(part, facts, tuple(a for a in facts.animals if a.letter in about))
        spoken = (a for a in facts.alive if not part.letters or a.letter in part.letters)
        return cls(part, facts, tuple(spoken))

    @property
    def names(self) -> str:
        """Juniper and Otis."""
        return words.listed([animal.name for animal in self.animals])

    @property
    def whose(self) -> str:
        """Whom the subject names: only those in the parcel, or at finishing, if it is of these."""
        some: Sequence[AnimalFacts] = ()
        if self.part.kind == "handed_over" and self.parcel is not None:
            some = parcel_words.travellers(self.parcel, self.facts)
        elif self.part.kind == "last_call":
            some = self.joining
        return words.listed([animal.name for animal in some or self.animals])

    @property
    def remembered(self) -> bool:
        """Whether one of them is no longer alive."""
        return any(animal.remembered for animal in self.animals)

    @property
    def joining(self) -> tuple[AnimalFacts, ...]:
        """Those whose model is at finishing: of these a letter offers more copies."""
        return tuple(animal for animal in self.animals if animal.model.step is Step.FINISHING)

    @property
    def case(self) -> CaseFacts | None:
        """The case that it is about, of what had left."""
        its = (case for case in self.facts.cases if case.round == self.part.round)
        return next(its, None)

    @property
    def parcel(self) -> ParcelFacts | None:
        """The parcel that it is about."""
        return next((one for one in self.facts.parcels if one.id == self.part.round), None)


def letter_of(parts: Sequence[Part], facts: OrderFacts, teller: Teller, now: int) -> WordedLetter:
    """The letter, its days said as on the day of `now` (UTC seconds)."""
    days = Days(teller.calendar, now, dated=True)
    told = [LetterContext.of(part, facts) for part in parts]
    good = (one for one in told if one.part.kind == "photos_passed")
    passed = frozenset(animal.letter for one in good for animal in one.animals)
    said = _once(_SAY[one.part.kind](replace(one, passed=passed), days, teller) for one in told)

    def own(field: str) -> str:
        return own_words.filled(
            teller.own_words, field, facts.address_as, facts.number, teller.name
        )

    paragraph = own(parts[0].kind)
    found = [
        Section("", tuple(said)),
        Section("", (_text(paragraph),) if paragraph else ()),
        *_sections(parts, facts, days, teller),
    ]
    return WordedLetter(
        facts.number,
        own(GREETING),
        tuple(own(SIGN_OFF).split("\n")),
        _contact(teller.contact),
        facts.gift,
        tuple(section for section in found if section.blocks),
    )


def _once(parts: Iterable[Iterable[Block]]) -> Iterator[Block]:
    """What was said already is not said again but under another name; a list belongs to what
    stands before it, and stays."""
    seen: set[tuple[Block | None, Block]] = set()
    for blocks in parts:
        name = unsaid = None
        for block in blocks:
            if block.kind == "name":
                name = unsaid = block
            elif block.kind in ("points", "steps") or (name, block) not in seen:
                seen.add((name, block))
                if unsaid is not None:
                    yield unsaid
                    unsaid = None
                yield block


def _contact(contact: StudioContact) -> str:
    phone = contact.phone
    if phone and contact.hours:
        phone += f" on {contact.hours}"
    ways = [way for way in (contact.mail, phone) if way]
    return f"{', or '.join(ways)}." if ways else ""


def _sections(
    parts: Sequence[Part], facts: OrderFacts, days: Days, teller: Teller
) -> Iterator[Section]:
    """What is said once: what was ordered, what to do, how to photograph, when, care."""
    kinds = {part.kind for part in parts}
    if kinds & {"order_in", ON_THE_LIST}:
        yield Section("What you ordered", tuple(said_back(facts, days)))
    reminders = [LetterContext.of(part, facts) for part in parts if part.kind == "photo_reminder"]
    gently = not reminders or any(telling.remembered for telling in reminders)
    needed = [task for task in tasks(facts, days) if gently or not task.gently]
    if needed:
        yield Section("What we need from you", in_letter(needed))
    elif facts.alive and kinds & _SAY_NOTHING_TO_DO and not kinds & (ASKS | {"last_call"}):
        todo = to_do(facts, days)
        yield Section("", (_text(f"{todo.answer} {todo.more}".strip()),))
    if kinds & _HOW_TO:
        yield from photo_words.how_to(_to_photograph(parts, facts), teller.how_to_send)
    if kinds & _SAY_WHEN and says_when(facts):
        yield Section("When", tuple(range_words.when(facts, days)))
    if kinds & _SAY_LENT:
        here = [lent for lent in facts.lent if lent.here]
        yield Section("", tuple(_text(said) for said in lent_words.still_here(here, facts)))
    if "received" in kinds and facts.copies:
        yield from parcel_words.care(facts, days)


def _to_photograph(parts: Sequence[Part], facts: OrderFacts) -> list[AnimalFacts]:
    """A reminder of one animal asks nothing of another."""
    of = {letter for part in parts if part.kind == "photo_reminder" for letter in part.letters}
    all_ = any(part.kind == "order_in" for part in parts) or not of
    return [animal for animal in first_wanted(facts) if all_ or animal.letter in of]


def _each(
    telling: LetterContext, *, together: bool = False
) -> Iterator[tuple[AnimalFacts, list[Block]]]:
    """The animals, each with the line that names it where there are several: the page's sentences
    stand under its name. Those of one piece are told `together`."""
    shown = told_apart(telling.animals) if together else [(a.name, a) for a in telling.animals]
    for names, animal in shown:
        yield animal, [Block("name", (f"{names}:",))] if len(shown) > 1 else []


def _text(*said: str) -> Block:
    return Block("text", (" ".join(filter(None, said)),))


# ---------------------------------------------------------------- what each kind tells


def _question(telling: LetterContext, days: Days, teller: Teller) -> Iterable[Block]:
    attached = approval_words.attached(telling.facts, telling.part.round)
    yield _text("We have a question for you. You can simply reply to this email.", attached)


def _more_views(telling: LetterContext, days: Days, teller: Teller) -> Iterable[Block]:
    for animal in telling.animals:
        yield from photo_words.more_views(animal)
    as_they_come = "the files as they come from the camera"
    files = "the largest files you have" if telling.remembered else as_they_come
    yield _text(f"Please send {files}. You can simply reply to this email.")


def _on_the_list(telling: LetterContext, days: Days, teller: Teller) -> Iterable[Block]:
    first, waits = telling.part.round <= 1, telling.facts.waits
    if first:
        yield _text(f"Thank you for your order. Its number is {telling.facts.number}.")
    else:
        yield _text("The week in which we expect to begin on your order has changed.")
    if waits is not None:
        yield from waiting_words.on_the_list(telling.facts, waits, days)


def _off_the_list(telling: LetterContext, days: Days, teller: Teller) -> Iterable[Block]:
    yield _text(f"{waiting_words.OFF} {SURPRISED}")


def _order_in(telling: LetterContext, days: Days, teller: Teller) -> Iterable[Block]:
    number = telling.facts.number
    if telling.facts.waited_since is not None:
        yield _text(f"It’s your turn: we’ve taken on your order {number}, and can begin.")
    else:
        yield _text(f"Thank you for your order. Its number is {number}.")
    for animal in telling.animals:
        if animal.told_at is not None or (animal.counted_at is not None and not animal.passed):
            yield from photo_words.until_passed(animal, days)
        elif animal.passed and animal.passed_at is not None and animal.letter not in telling.passed:
            yield _text(model_words.passed(animal, telling.facts, days))
    if first_wanted(telling.facts):
        yield _text("We’ll write when your photos are here.")


def _approval_reminder(telling: LetterContext, days: Days, teller: Teller) -> Iterable[Block]:
    yield _text(approval_words.REMINDER)


def _photo_reminder(telling: LetterContext, days: Days, teller: Teller) -> Iterable[Block]:
    first = words.listed([animal.name for animal in telling.animals if not animal.attempts])
    again = [animal for animal in telling.animals if animal.attempts]
    if telling.remembered:
        yield _text(
            f"We have your order for {likenesses(telling.animals)} and will begin when you’re "
            "ready. There’s no hurry. Whatever photos you have will help, old and small ones too. "
            "Reply to this email when it suits you."
        )
    else:
        if first:
            yield _text(
                f"We don’t have any photos of {first} yet, or they haven’t reached us. Work begins "
                f"{starts(telling.facts)}. If you’ve already sent them, let us know and we’ll look "
                "for them."
            )
        if again:
            names = words.listed([animal.name for animal in again])
            yield _text(f"The extra views of {names} haven’t reached us yet.")
        yield _text(
            "If they’re hard to take, tell us, and we’ll find a way together. And if you’d rather "
            "wait, tell us until when, and we’ll keep your order for you."
        )
    for animal in again:
        yield from photo_words.more_views(animal)


def _running_later(telling: LetterContext, days: Days, teller: Teller) -> Iterable[Block]:
    yield _text(
        "Your order is taking longer than the dates we gave you, and you should hear that from us."
    )
    if telling.facts.cause:
        yield _text(telling.facts.cause)
    yield _text(
        "If you need it by a certain day, or would rather not wait, reply to this email and tell "
        "us, and we’ll see together what can be done."
    )


def _handed_over(telling: LetterContext, days: Days, teller: Teller) -> Iterable[Block]:
    parcel = telling.parcel
    if parcel is None:
        yield _text("Your order is finished and has left the workshop.")
        return
    inside = parcel_words.travellers(parcel, telling.facts)
    if inside:
        yield _text(parcel_words.finished(inside, travel=parcel.way != "collected"))
    yield from parcel_words.sent(parcel, telling.facts, days)
    if parcel.way == "carrier":
        yield _text(parcel_words.OPENING)
    if not telling.facts.left:
        yield _text("The rest of your order is still being made, and we’ll write when it leaves.")


def _received(telling: LetterContext, days: Days, teller: Teller) -> Iterable[Block]:
    parcel, facts = telling.parcel, telling.facts
    if parcel is not None and parcel_words.assumed(parcel, facts):
        yield _text("By now your parcel should be with you. If it isn’t, please write to us.")
    elif parcel is not None and parcel.received_at is not None:
        yield _text(f"Your parcel arrived {days.on(parcel.received_at)}.")
    else:
        yield _text("Your parcel has arrived.")
    if not facts.remembered and not facts.gift:
        yield _text("If you tell us what you think, we’ll pass it on to everyone at the benches.")


def _photos_passed(telling: LetterContext, days: Days, teller: Teller) -> Iterable[Block]:
    for animal, name in _each(telling):
        yield from name
        if animal.model.step is Step.FINISHING:
            yield from model_words.finishing(animal, telling.facts, days, teller.blank_on)
        else:
            yield _text(model_words.passed(animal, telling.facts, days))
    open_models = [a for a in telling.joining if a in joining(telling.facts, days.today)]
    if open_models and telling.facts.copy_deadline is not None:
        yield _text(more_copies(open_models, telling.facts, days))


def _last_call(telling: LetterContext, days: Days, teller: Teller) -> Iterable[Block]:
    yield _text(more_copies(telling.joining or telling.animals, telling.facts, days))
    yield _text("If you don’t want any more, there’s no need to write.")


def _making_begun(telling: LetterContext, days: Days, teller: Teller) -> Iterable[Block]:
    many = len(telling.animals) > 1
    yield _text(
        f"The {'models' if many else 'model'} of {telling.names} {'are' if many else 'is'} "
        "finished, and we’ve started the work by hand."
    )
    for animal, name in _each(telling, together=True):
        yield from name
        yield from piece_words.making(animal, telling.facts, days, quiet=False)


def _photos_counted(telling: LetterContext, days: Days, teller: Teller) -> Iterable[Block]:
    for animal in telling.animals:
        yield from photo_words.until_passed(animal, days)


# ---------------------------------------------------------------- what a person tells of an act


def _of_an_act(telling: LetterContext, days: Days, teller: Teller) -> Iterable[Block]:
    part = telling.part
    return of_an_act(part.kind, part.round, telling.facts, days, part.line)


def of_an_act(
    kind: str, act: int, facts: OrderFacts, days: Days, line: str = ""
) -> Iterator[Block]:
    """What is said of a cancellation, a hold or a remake, to be followed by when it is ready.

    `line` are the own words of the person who tells it.
    """
    found = touched(kind, act, facts)
    if not found:
        return
    lead, more = {"cancelled": _cancelled, "on_hold": _on_hold, "made_again": _made_again}[kind](
        found, facts, days
    )
    yield _text(*lead)
    yield from (_text(said) for said in (line, more) if said)


def _cancelled(
    found: Sequence[Touched], facts: OrderFacts, days: Days
) -> tuple[Iterable[str], str]:
    if not facts.alive:
        return [CANCELLED], SURPRISED
    stopped = words.listed([str(named(one.animal, one.copies)) for one in found])
    goes_on = any(not one.held and one.step is not Step.HANDED_OVER for one in at_a_bench(facts))
    rest = "The rest of your order goes on as before." if goes_on else ""
    return [piece_words.stopped(stopped)], rest


def _on_hold(found: Sequence[Touched], facts: OrderFacts, days: Days) -> tuple[Iterable[str], str]:
    """All pieces of one act are held on the same account until the same day."""
    held = [them for one in found for them in held_of(one)]
    them = several(words.listed(list(map(str, held)))) if len(held) > 1 else held[0]
    if len(facts.copies) > 1 and all_of_it(found, facts):
        them = Subject("your order")
    standing = found[0].animal.model if found[0].model else found[0].copies[0].standing
    return [piece_words.paused(them, standing, days)], ""


def held_of(one: Touched) -> Iterator[Subject]:
    """What of an animal a hold concerns; a copy not begun waits with its model."""
    if one.model:
        yield Subject(f"{own(one.animal.name)} model")
    models = one.model or any(a.model.held for copy in one.copies for a in copy.beside)
    copies = [copy for copy in one.copies if not models or copy.step is not Step.NOT_BEGUN]
    if copies:
        yield named(one.animal, copies)


def _made_again(
    found: Sequence[Touched], facts: OrderFacts, days: Days
) -> tuple[Iterable[str], str]:
    lead = ["You should hear this from us."]
    lead += [piece_words.again(one.copies[0], named(one.animal, one.copies)) for one in found]
    since = max(copy.remade_at for one in found for copy in one.copies)
    told = facts.told
    moved = (
        told is not None
        and told.at >= since
        and told.to_day is not None
        and told.end_before is not None
        and told.to_day > told.end_before
    )
    later = " It does move the dates we gave you." if moved else ""
    return lead, f"It doesn’t cost you anything extra.{later}"


def _number_corrected(telling: LetterContext, days: Days, teller: Teller) -> Iterable[Block]:
    found = corrected(telling.part.round, telling.facts)
    yield _text("What we told you about how your parcel travels wasn’t right, and we’re sorry.")
    if telling.part.line:
        yield _text(telling.part.line)
    for parcel in found:
        yield from parcel_words.sent(parcel, telling.facts, days)


def _aftercare(telling: LetterContext, days: Days, teller: Teller) -> Iterable[Block]:
    case = telling.case
    if case is not None:
        yield from aftercare_words.blocks(case, telling.facts, days)


_SAY: Mapping[str, Callable[[LetterContext, Days, Teller], Iterable[Block]]] = {
    **dict.fromkeys(OF_AN_ACT, _of_an_act),
    AFTERCARE: _aftercare,
    "number_corrected": _number_corrected,
    "question": _question,
    "more_views": _more_views,
    OFF_THE_LIST: _off_the_list,
    ON_THE_LIST: _on_the_list,
    "order_in": _order_in,
    CHANGED: lambda telling, days, _: what_changed(telling.facts, telling.part.round, days),
    "photo_reminder": _photo_reminder,
    "approval_reminder": _approval_reminder,
    "running_later": _running_later,
    "handed_over": _handed_over,
    "received": _received,
    "photos_passed": _photos_passed,
    "last_call": _last_call,
    "making_begun": _making_begun,
    "photos_counted": _photos_counted,
}
assert set(_SAY) == set(KINDS)
