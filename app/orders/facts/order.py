"""An order's facts, as plain data: what page, letter and ready text are written from.

No database here, so that the customers' site can be written from it. Moments are UTC seconds, days
the studio's own. Nothing of it names a customer's surname, mail, phone or address; of the staff
there are first names. `address_as` is for letters only and never goes on to a page.
"""

from dataclasses import dataclass, replace
from datetime import date

from app.flow.money import Paid
from app.flow.steps import PLACE, Step
from app.orders.facts.cases import CaseFacts
from app.orders.facts.changed import ChangeFacts, changed
from app.orders.facts.lent import LentFacts
from app.orders.facts.ranges import Shown, Span, ToldRange
from app.shared.carriers import Journey

ASKED, NOT_SHOWN = "asked", "not shown"


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a piece stands, and with whom.

    `by` is the first name of whoever has it in hand (since `hand_since`) or has set it aside,
    `drying` says that it is set aside because paint dries, `hold_whose` is empty where nothing
    holds it. `unpaid` is how much has to be paid before it goes on, if it waits for that. `answer`
    says that it waits for the customer's: NOT_SHOWN while they have seen no pictures yet. `part`
    is the kind of part that it waits for, due on `part_due` as far as is known. `act` is the act
    that holds it, or that has cancelled it.
    """

    step: Step
    since: int
    by: str = ""
    in_hand: bool = False
    hand_since: int | None = None
    drying: bool = False
    aside_until: int | None = None
    hold_whose: str = ""
    hold_look_on: date | None = None
    held_at: int | None = None
    act: int | None = None
    unpaid: Paid | None = None
    answer: str = ""
    part: str = ""
    part_due: date | None = None

    @property
    def held(self) -> bool:
        """Whether the piece is on hold."""
        return bool(self.hold_whose)


@dataclass(frozen=True, slots=True)
class MarkFacts:
    """Something on the animal that has to be matched; the side is the animal's own."""

    what: str
    side: str
    place: str = ""


@dataclass(frozen=True, slots=True)
class ViewFacts:
    """One numbered view that is asked for now."""

    number: int
    wish: str


@dataclass(frozen=True, slots=True)
class CopyFacts:
    """A copy as ordered, and where it stands.

    `rework` says that part of it is being made again. The whole of it is where an act (`remade_by`,
    at `remade_at`) began it anew. A copy that was received by assumption has `received_assumed`.
    `scale` is in words. `model` is a version of its own, for its pose or because it is made anew.
    The further animals that stand on its base (`letters_beside`) are in `beside`, without copies;
    the order's facts put them there. `case` says that it goes on for one that had left: repair or
    remake.
    """

    code: str
    letter: str
    number: int
    standing: Standing
    model: Standing | None = None
    size_mm: int | None = None
    measured: str = ""
    scale: str = ""
    pose: str = ""
    base: str = ""
    finish: str = ""
    inscription: str = ""
    spelling_confirmed: bool = True
    rework: bool = False
    remade_by: int | None = None
    remade_at: int = 0
    inspected_at: int | None = None
    rests_until: int | None = None
    parcel_id: int | None = None
    received_assumed: bool = False
    extras: str = ""
    letters_beside: str = ""
    beside: tuple["AnimalFacts", ...] = ()
    case: str = ""

    @property
    def step(self) -> Step:
        """Where the copy is."""
        return self.standing.step

    @property
    def gone(self) -> bool:
        """Whether it has left the house."""
        return self.step in (Step.HANDED_OVER, Step.RECEIVED)

    @property
    def remake(self) -> bool:
        """Whether the whole of it is made again."""
        return self.remade_by is not None

    @property
    def made_again(self) -> bool:
        """Whether something of it is being made again and has not passed yet."""
        before_packing = PLACE[self.step] < PLACE[Step.PACKING]
        return before_packing and (self.rework or self.remake)


@dataclass(frozen=True, slots=True)
class AnimalFacts:
    """An animal of the order: its model, what was sent and asked for, and its copies.

    `shared` are copies of other animals on whose base it stands; the order's facts put them there.
    `outcome` is good, limits or by_eye once the photos have passed; `limits` are the words for what
    is judged by eye, `limits_agreed` that the customer agreed to them. `came_by` is the move that
    led into the present step.
    """

    letter: str
    name: str
    kind: str
    sex: str
    life: str
    model: Standing
    came_by: str = ""
    told_at: int | None = None
    told_files: int | None = None
    counted_at: int | None = None
    pictures: int | None = None
    attempts: int = 0
    views: tuple[ViewFacts, ...] = ()
    marks: tuple[MarkFacts, ...] = ()
    build_ends_at: int | None = None
    passed_at: int | None = None
    outcome: str = ""
    limits: str = ""
    limits_agreed: bool = False
    copies: tuple[CopyFacts, ...] = ()
    shared: tuple[CopyFacts, ...] = ()

    @property
    def shown_in(self) -> tuple[CopyFacts, ...]:
        """Its copies, and those on whose base it stands, that were not cancelled."""
        every = (*self.copies, *self.shared)
        return tuple(copy for copy in every if copy.step is not Step.CANCELLED)

    @property
    def made(self) -> tuple[CopyFacts, ...]:
        """The copies that were not cancelled."""
        return tuple(copy for copy in self.copies if copy.step is not Step.CANCELLED)

    @property
    def left(self) -> bool:
        """Whether every copy has left the house."""
        return bool(self.shown_in) and all(copy.gone for copy in self.shown_in)

    @property
    def wanted(self) -> bool:
        """Whether its photographs are asked for, and nobody has told us of any."""
        asked = self.model.step is Step.PHOTOS_WANTED and self.told_at is None
        return asked and not self.model.held

    @property
    def remembered(self) -> bool:
        """Whether the animal is no longer alive."""
        return self.life == "remembered"

    @property
    def passed(self) -> bool:
        """Whether the photos have passed, or are not needed any more."""
        past = PLACE[self.model.step] >= PLACE[Step.FINISHING]
        return past or self.passed_at is not None

    @property
    def cancelled(self) -> bool:
        """Whether nothing of this animal will be made any more."""
        ordered = bool(self.copies or self.shared)
        return not self.shown_in and (ordered or self.model.step is Step.CANCELLED)


@dataclass(frozen=True, slots=True)
class ParcelFacts:
    """What left the house: how, when and under which number. Copies name it by its id.

    Of a carrier on the list: `link` is where it is followed, `usual` the first and the last day on
    which it is usually there, `claim_by` the last day for a claim. `corrected_at` is when carrier
    or number were put right after a letter had named them.
    """

    id: int
    way: str
    carrier: str
    number: str
    sent_at: int
    received_at: int | None = None
    corrected_at: int | None = None
    link: str = ""
    usual: tuple[date, date] | None = None
    claim_by: date | None = None


@dataclass(frozen=True, slots=True)
class QuestionFacts:
    """An open question. `letter` is empty for the order; `blocking` where it stops a piece now.

    `unpaid` is how much has to be paid, where that is what it is about.
    `asked` is the question as it was typed for the customer. `asked_at` is None until the letter
    that asks it has gone; `stopped` says that none will, unless somebody lets it.
    """

    topic: str
    blocking: bool
    asked_at: int | None
    channel: str
    letter: str = ""
    id: int = 0
    asked: str = ""
    stopped: bool = False
    unpaid: Paid | None = None


@dataclass(frozen=True, slots=True)
class WaitFacts:
    """That an order is on the waiting list, `since` when (UTC seconds): the Monday of the week in
    which its customer was last told that it begins, how often they were told, and whether it was
    struck `off` the list."""

    since: int
    begins_on: date
    round: int = 1
    off: bool = False


@dataclass(frozen=True, slots=True)
class OrderFacts:
    """Everything about one order that may be told to its customer.

    `weeks` is the span of days counted from the day on which the photos pass. `computed` is what
    is left of the way as computed now: None before the photos have passed, after the last piece
    has left, and for the minutes in which it is being computed again. `told` is the range told
    last, `shown` what is said now: `decision` of the same facts. `steps_seen` counts the step
    changes of all pieces. `cause` is the reason last given for taking longer, in words for the
    customer. `to_approve` are the topics of what the customer approves, to which their yes is
    still wanted, `to_redo` what they said no to and are yet to be shown anew. `journey` are the
    usual days on the way to them, of what has yet to leave. `runs_over` says that the end as
    computed now lies beyond the told one, `later_since` since when, as far as that was kept.
    `waits` is there while nothing of it has begun: its animals are then as they were typed.
    `waited_since` is since when one that has begun had been on the waiting list.
    """

    id: int
    number: int
    address_as: str
    taken_at: int
    open: bool
    imported: bool
    gift: bool
    gift_day: date | None
    needed_by: date | None
    ship_part: bool
    copy_deadline: date | None
    animals: tuple[AnimalFacts, ...]
    parcels: tuple[ParcelFacts, ...]
    questions: tuple[QuestionFacts, ...]
    last_news_at: int
    last_change_at: int
    steps_seen: int
    weeks: Span
    computed: Span | None = None
    told: ToldRange | None = None
    shown: Shown | None = None
    runs_over: bool = False
    later_since: date | None = None
    caused_at: int = 0
    cause: str = ""
    to_approve: frozenset[str] = frozenset()
    to_redo: tuple[QuestionFacts, ...] = ()
    changes: tuple[ChangeFacts, ...] = ()
    lent: tuple[LentFacts, ...] = ()
    journey: Journey | None = None
    cases: tuple[CaseFacts, ...] = ()
    waits: WaitFacts | None = None
    waited_since: int | None = None

    def __post_init__(self) -> None:
        """Let the copies with several animals know them, and these animals the copies."""
        if any(copy.letters_beside for animal in self.animals for copy in animal.copies):
            object.__setattr__(self, "animals", _on_one_base(self.animals))

    @property
    def working_out(self) -> bool:
        """Whether something happened since the days were told, and no new ones are computed yet."""
        told = self.told
        return self.computed is None and told is not None and told.at < self.last_change_at

    def changed(self, since: int) -> list[ChangeFacts]:
        """The changes from one on of which the customer has yet to be told."""
        return changed(self.changes, since, {copy.code for copy in self.copies})

    @property
    def unpaid(self) -> Paid | None:
        """How much has to be paid and is not, if work waits for that."""
        return next((q.unpaid for q in self.questions if q.unpaid is not None), None)

    @property
    def alive(self) -> tuple[AnimalFacts, ...]:
        """The animals of which something is or was made."""
        return tuple(animal for animal in self.animals if not animal.cancelled)

    @property
    def copies(self) -> tuple[CopyFacts, ...]:
        """Every copy that was not cancelled, in the order of their codes."""
        return tuple(copy for animal in self.animals for copy in animal.made)

    @property
    def passed(self) -> bool:
        """Whether the photos of every animal have passed."""
        return all(animal.passed for animal in self.alive)

    @property
    def received(self) -> bool:
        """Whether everything has arrived."""
        copies = self.copies
        return bool(copies) and all(copy.step is Step.RECEIVED for copy in copies)

    @property
    def left(self) -> bool:
        """Whether everything has at least left the house."""
        copies = self.copies
        return bool(copies) and all(copy.gone for copy in copies)

    @property
    def remembered(self) -> bool:
        """Whether an animal of the order is no longer alive."""
        return any(animal.remembered for animal in self.animals)


def _on_one_base(animals: tuple[AnimalFacts, ...]) -> tuple[AnimalFacts, ...]:
    bare = {animal.letter: replace(animal, copies=(), shared=()) for animal in animals}
    copies_of = {
        animal.letter: tuple(
            replace(copy, beside=tuple(bare[letter] for letter in copy.letters_beside))
            for copy in animal.copies
        )
        for animal in animals
    }
    every = [copy for copies in copies_of.values() for copy in copies]
    return tuple(
        replace(
            animal,
            copies=copies_of[animal.letter],
            shared=tuple(copy for copy in every if animal.letter in copy.letters_beside),
        )
        for animal in animals
    )


def joining(facts: OrderFacts, today: date) -> tuple[AnimalFacts, ...]:
    """The animals of which more copies may still join the order and travel with it."""
    past = facts.copy_deadline is not None and facts.copy_deadline < today
    if past or not facts.open:
        return ()
    ends = (Step.READY, Step.CANCELLED)
    return tuple(animal for animal in facts.alive if animal.model.step not in ends)


def has_range(facts: OrderFacts) -> bool:
    """Whether days are named to the customer at all: all photos passed, not all has left,
    and what is still here is more than a repair."""
    mended = all(copy.gone or copy.case == "repair" for copy in facts.copies)
    waits = facts.open and bool(facts.alive) and facts.passed and not facts.left
    return waits and not (facts.copies and mended)
