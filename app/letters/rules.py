"""When a letter goes and what of the news stands in it. Pure: clock and chance come in.

News that asks for something, or that belongs to one day, goes with the next posting window. What
is merely good to know waits up to three working days for the order's other animals, so that nine
pieces do not make fifty letters.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from datetime import time as day_time

from app.flow.news import CHANGED, OFF_THE_LIST, ON_THE_LIST
from app.flow.steps import MAKING_STEPS, Step
from app.letters.letter import Part
from app.orders.facts.acts import BY_A_PERSON, touched
from app.orders.facts.cases import AFTERCARE
from app.orders.facts.order import AnimalFacts, OrderFacts, joining
from app.shared.calendar import Calendar

GRACE = 15 * 60
WAIT_WORKING_DAYS = 3
# The second letter of a kind is its last: it waits longer for those that are still missing.
LAST_WAIT_WORKING_DAYS = 10
EACH_KIND = 2
MOST_LETTERS = 8
# Common practice in surveys and appointments: three reminders, further and further apart.
REMIND_AFTER_DAYS = (3, 7, 14)
# Of what waits for a yes, work stands still: twice, then a person decides.
REMIND_OF_APPROVAL_AFTER_DAYS = (3, 7)
LAST_CALL_WORKING_DAYS = 2

# In the order in which they stand in a letter: what is not made, what is asked, what is told.
KINDS = (
    "cancelled", OFF_THE_LIST, ON_THE_LIST, AFTERCARE, "question", "more_views", "on_hold",
    "made_again", "order_in", CHANGED,
    "photo_reminder", "approval_reminder", "running_later", "handed_over", "number_corrected",
    "received",
    "photos_passed", "last_call", "making_begun", "photos_counted",
)  # fmt: skip
# What waits for the order's other animals.
PLAIN = frozenset({"photos_counted", "photos_passed", "making_begun"})
# What does not count among an order's few letters.
ASKS = frozenset({"question", "more_views", "photo_reminder", "approval_reminder"})
OF_THE_LIST = frozenset({ON_THE_LIST, OFF_THE_LIST})
PER_ANIMAL = frozenset({*PLAIN, "more_views", "photo_reminder"})
_AT_MACHINES = (Step.PHOTOS_IN, Step.BUILDING, Step.ASSESSING)


@dataclass(frozen=True, slots=True)
class Posting:
    """The hours in which letters go: from and until a full hour of every working day."""

    calendar: Calendar
    from_hour: int
    until_hour: int

    def opens(self, day: date) -> int:
        """The moment at which the window of a day opens, if it does."""
        return self._at(day, self.from_hour)

    def is_open(self, now: int) -> bool:
        """Whether letters go now."""
        day = self.calendar.day_of(now)
        return self._posts(day) and self.opens(day) <= now < self._at(day, self.until_hour)

    def next(self, moment: int) -> int:
        """The first moment at or after another one at which letters go."""
        day = self.calendar.day_of(moment)
        for _ in range(800):
            if self._posts(day) and moment < self._at(day, self.until_hour):
                return max(moment, self.opens(day))
            day += timedelta(days=1)
        return moment

    def _posts(self, day: date) -> bool:
        # A house without working hours would never write at all.
        never = not any(self.calendar.hours.values())
        return never or self.calendar.is_working_day(day)

    def _at(self, day: date, hour: int) -> int:
        if hour >= 24:
            day, hour = day + timedelta(days=1), 0
        return int(datetime.combine(day, day_time(hour), self.calendar.zone).timestamp())


@dataclass(frozen=True, slots=True)
class Pending:
    """News that no letter has told yet. `at` is when it was noted, UTC seconds."""

    id: int
    kind: str
    letter: str
    round: int
    at: int
    held: bool = False
    line: str = ""

    @property
    def ripe(self) -> int:
        """From when on it may go: until then an undo takes it back unseen."""
        return self.at + GRACE


@dataclass(frozen=True, slots=True)
class Gone:
    """What an order has had: letters that went because of a kind, letters in all (those that ask
    not counted), and every (kind, animal) of which there is news, told or not."""

    because_of: Mapping[str, int] = field(default_factory=dict)
    letters: int = 0
    known: frozenset[tuple[str, str]] = frozenset()


@dataclass(frozen=True, slots=True)
class LetterPlan:
    """What to do with an order's news now: the parts of a letter (none: no letter yet), the news
    that it tells, and the news that nobody needs any more."""

    parts: tuple[Part, ...] = ()
    news: tuple[int, ...] = ()
    moot: tuple[int, ...] = ()


def plan(
    pending: Sequence[Pending],
    facts: OrderFacts,
    gone: Gone,
    posting: Posting,
    now: int,
    *,
    at_once: bool = False,
) -> LetterPlan:
    """What becomes of an order's news now. `at_once` is a person's word: all of it goes."""
    ripe = [one for one in pending if at_once or (not one.held and _ripe(one, pending) <= now)]
    today = posting.calendar.day_of(now)
    moot = {one.id for one in ripe if _is_moot(one, ripe, facts, gone, today)}
    live = [one for one in ripe if one.id not in moot]
    causes = set()
    for one in live:
        due = due_at(one, pending, facts, gone, posting)
        if at_once or (due is not None and due <= now):
            causes.add(one.id)
    if not causes:
        return LetterPlan(moot=tuple(sorted(moot)))
    return LetterPlan(_parts(live, causes), tuple(one.id for one in live), tuple(sorted(moot)))


def due_at(
    one: Pending, pending: Sequence[Pending], facts: OrderFacts, gone: Gone, posting: Posting
) -> int | None:
    """From when on a piece of news makes a letter go; None where it only comes along with one."""
    if one.kind not in PLAIN:
        return _ripe(one, pending)
    before = gone.because_of.get(one.kind, 0)
    if before >= EACH_KIND or gone.letters + 1 + _to_come(facts, gone) > MOST_LETTERS:
        return None
    same = [other for other in pending if other.kind == one.kind and not other.held] or [one]
    missing = [a for a in facts.alive if (one.kind, a.letter) not in gone.known and not a.left]
    if not missing:
        return max(other.ripe for other in same)
    since = posting.calendar.day_of(min(other.at for other in same))
    wait = LAST_WAIT_WORKING_DAYS if before else WAIT_WORKING_DAYS
    last_day = posting.calendar.add_working_days(since, wait)
    return max(min(other.ripe for other in same), posting.opens(last_day))


def _ripe(one: Pending, pending: Sequence[Pending]) -> int:
    """From when on news may go; changes of an order go together, when the last of them may."""
    if one.kind != CHANGED:
        return one.ripe
    return max(other.ripe for other in pending if other.kind == CHANGED)


def _to_come(facts: OrderFacts, gone: Gone) -> int:
    """The letters that are still owed: handed over (twice where it leaves in parts), received,
    and the last call."""
    owed = 3 if facts.ship_part else 2
    last_call_ahead = ("last_call", "") not in gone.known
    return owed + (last_call_ahead and any(not _begun(animal) for animal in facts.alive))


def goes_at(
    pending: Sequence[Pending], facts: OrderFacts, gone: Gone, posting: Posting, now: int
) -> int | None:
    """When the next letter of an order goes by itself; None where nothing makes one go."""
    today = posting.calendar.day_of(now)
    live = [
        one for one in pending if not one.held and not _is_moot(one, pending, facts, gone, today)
    ]
    found = [due_at(one, pending, facts, gone, posting) for one in live]
    due = [moment for moment in found if moment is not None]
    return posting.next(max(now, min(due))) if due else None


def _parts(live: Sequence[Pending], causes: set[int]) -> tuple[Part, ...]:
    grouped: dict[tuple[str, int], list[Pending]] = {}
    for one in live:
        # Reminders of several animals may be the first of one and the third of another.
        own_round = 0 if one.kind in PER_ANIMAL or one.kind == CHANGED else one.round
        grouped.setdefault((one.kind, own_round), []).append(one)
    parts = [
        Part(
            kind,
            tuple(sorted({one.letter for one in group if one.letter})),
            # Changes are told from the first of them on.
            (min if kind == CHANGED else max)(one.round for one in group),
            any(one.id in causes for one in group),
            group[0].line,
        )
        for (kind, _), group in grouped.items()
    ]
    return tuple(sorted(parts, key=lambda part: (KINDS.index(part.kind), part.round)))


def _is_moot(
    one: Pending, others: Sequence[Pending], facts: OrderFacts, gone: Gone, today: date
) -> bool:
    """Whether it need not be told any more: overtaken, or nothing of it is made any more."""
    if one.kind in OF_THE_LIST:
        return not still_so(one.kind, one.round, facts)
    if one.kind in BY_A_PERSON:
        return not touched(one.kind, one.round, facts)
    if one.kind == AFTERCARE:
        # What was lost and is not made again is told all the same.
        return all(case.round != one.round for case in facts.cases)
    if not facts.alive or one.kind not in KINDS:
        return True
    if one.kind in PER_ANIMAL:
        animal = next((a for a in facts.alive if a.letter == one.letter), None)
        return animal is None or _overtaken(one, animal)
    match one.kind:
        case "last_call":
            named = any(o.kind == "photos_passed" and not o.held for o in others)
            finishing = (a.model.step is Step.FINISHING for a in joining(facts, today))
            return named or not any(finishing)
        case "running_later":
            return facts.left or not says_when(facts)
        case "handed_over":
            lost = any(c.kind == "lost" and c.parcel_id == one.round for c in facts.cases)
            return lost or all(p.id != one.round or p.received_at for p in facts.parcels)
        case "received":
            # How to look after it is said once.
            told = gone.because_of.get("received", 0) > 0
            return told or all(p.id != one.round or p.received_at is None for p in facts.parcels)
        case _ if one.kind == CHANGED:
            since = min(other.round for other in others if other.kind == CHANGED)
            return facts.left or not facts.changed(since)
        case "question":
            return all(question.id != one.round for question in facts.questions)
        case "approval_reminder":
            return all(question.id != one.round // 10 for question in facts.questions)
    return False


def still_so(kind: str, round_: int, facts: OrderFacts) -> bool:
    """Whether an order is still on the waiting list with the week that was told, or off it."""
    waits = facts.waits
    if waits is None or waits.off != (kind == OFF_THE_LIST):
        return False
    return waits.off or round_ == waits.round


def _overtaken(one: Pending, animal: AnimalFacts) -> bool:
    match one.kind:
        case "photos_counted":
            return animal.model.step not in _AT_MACHINES
        case "more_views":
            return not animal.wanted or animal.attempts != one.round
        case "photo_reminder":
            return not animal.wanted or animal.attempts != one.round // 10
        case "making_begun":
            return not _begun(animal) or animal.left
        case "photos_passed":
            return not animal.passed or animal.left
    raise ValueError(f"nothing says when news of the kind {one.kind} is overtaken")


def _begun(animal: AnimalFacts) -> bool:
    """Whether a copy has left its model behind."""
    return any(copy.step in MAKING_STEPS or copy.gone for copy in animal.shown_in)


def says_when(facts: OrderFacts) -> bool:
    """Whether there are days to speak of; while they are being worked out there are none."""
    waits = facts.open and bool(facts.alive) and not facts.left
    return waits and (not facts.passed or facts.shown is not None)


def counted(parts_of_letters: Iterable[Sequence[Part]]) -> tuple[dict[str, int], int]:
    """Of an order's letters: how many went because of each kind, and how many in all, those that
    only ask not counted."""
    because: dict[str, int] = {}
    letters = 0
    for parts in parts_of_letters:
        caused = {part.kind for part in parts if part.cause}
        for kind in caused:
            because[kind] = because.get(kind, 0) + 1
        letters += bool(caused - ASKS)
    return because, letters


# ---------------------------------------------------------------- reminders


def reminder_days(
    asked_on: date, calendar: Calendar, gaps: Iterable[int] = REMIND_AFTER_DAYS
) -> list[date]:
    """The working days on which what was asked for on a day is reminded of, so many days after."""
    return [_working(asked_on + timedelta(days=gap), calendar) for gap in gaps]


def reminder_to_note(
    asked_on: date, today: date, calendar: Calendar, gaps: Iterable[int] = REMIND_AFTER_DAYS
) -> tuple[int, date] | None:
    """Which reminder to note today, and its day: a working day ahead, so that it can be stopped.

    One whose day has passed is not made up for: no house that was switched off for a month
    writes three at once.
    """
    for number, day in enumerate(reminder_days(asked_on, calendar, gaps), start=1):
        if calendar.add_working_days(day, -1) <= today <= day:
            return number, day
    return None


def _working(day: date, calendar: Calendar) -> date:
    if calendar.is_working_day(day) or not any(calendar.hours.values()):
        return day
    return calendar.add_working_days(day, 1)


# ---------------------------------------------------------------- sending

MOST_TRIES = 24
TOO_OLD = 5 * 86_400
LEASE = 20 * 60


def wait_after(tries: int, jitter: float) -> int:
    """Seconds until the next try after so many. `jitter` is a number from 0 to 1.

    Five minutes, doubling, six hours at most, a fifth more or less by chance: 24 tries take four
    to five days, after which RFC 5321 section 4.5.4.1 has a message given up. The first waits are
    shorter than the half hour it asks of servers, because this is a desk's own mail server.
    """
    plain = min(6 * 3600, 300 << min(max(tries, 1) - 1, 10))
    return round(plain * (0.8 + 0.4 * jitter))
