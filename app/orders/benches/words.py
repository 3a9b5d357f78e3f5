"""What a row of the Benches page says: who has the piece, why it waits, what matters. Pure.

Days are the studio's own. What is said of a day or a place in the order of work repeats from row
to row and from one request to the next, so it is kept.
"""

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import lru_cache, partial
from zoneinfo import ZoneInfo

from app.flow.gates import Gate
from app.flow.money import Paid
from app.flow.offers import Offer, offers
from app.flow.queue import FALLING, QueueFacts, place
from app.flow.rules import Policy, State
from app.flow.steps import Of, Step
from app.orders.benches.lines import Asked, OpenPiece
from app.orders.forecast.chances import PASSED, how_likely
from app.shared.calendar import Calendar
from app.shared.people import Role, first_name
from app.shared.web import words

_QUARTER = 900  # no zone's offset is finer than a quarter of an hour


@lru_cache(maxsize=8192)
def _day(zone: ZoneInfo, quarter: int) -> date:
    return datetime.fromtimestamp(quarter * _QUARTER, zone).date()


def day_of(zone: ZoneInfo, moment: int) -> date:
    """The studio's day that holds a moment (UTC seconds)."""
    return _day(zone, moment // _QUARTER)


@lru_cache(maxsize=8192)
def _placed(
    remake: bool,
    mends: bool,
    reworks: int,
    needed_by: str | None,
    chance: float | None,
    accepted: date | None,
    counted: date | None,
    began: date,
    this_year: int,
) -> tuple[tuple[int, int, int], str]:
    today = date(this_year, 1, 1)
    day = date.fromisoformat(needed_by) if needed_by else None
    found = place(
        QueueFacts(remake, reworks, day, chance, accepted, counted, began),
        lambda value: words.short_day(value, today),
    )
    # The day itself is said among what matters; twice in a row would be noise.
    by_day = found.rank[0] == 1
    if mends:
        return found.rank, "a repair goes first"
    return found.rank, "its day comes first" if by_day else found.reason


def placed(
    line: OpenPiece, zone: ZoneInfo, chance: float | None, this_year: int
) -> tuple[tuple[int, int, int], str]:
    """A piece's place in the order of work (smaller is sooner) and the reason in words."""
    return _placed(
        line.making > 1,
        bool(line.mends),
        line.reworks,
        line.needed_by,
        chance,
        _day(zone, line.passed_at // _QUARTER) if line.passed_at is not None else None,
        _day(zone, line.counted_at // _QUARTER) if line.counted_at is not None else None,
        _day(zone, line.taken_at // _QUARTER),
        this_year,
    )


@lru_cache(maxsize=1024)
def main_offer(
    of: Of, step: Step, in_hand: bool, aside: bool, held: bool, stopped: bool, role: Role,
    blank_on: bool,
) -> Offer | None:  # fmt: skip
    """The main button of a piece in this situation, as the rules offer it; None for no button."""
    state = State(
        of, step, 0, 0, in_hand=in_hand, aside_until=1 if aside else None,
        hold_whose="studio" if held else "", gates=(Gate(0),) if stopped else (),
    )  # fmt: skip
    found = offers(state, role, Policy(blank_on))
    return next((offer for offer in found if offer.main), None)


def waits_for_customer(line: OpenPiece) -> bool:
    """Whether the next word is the customer's: photos wanted, a question open, their own hold."""
    unanswered = line.asked or line.hold_whose == "customer"
    return unanswered or (line.step == Step.PHOTOS_WANTED and line.told_at is None)


@dataclass(frozen=True, slots=True)
class Clock:
    """This moment, and how the studio says it."""

    now: int
    zone: ZoneInfo
    today: date

    def short(self, moment: int) -> str:
        """Mon 9 Nov."""
        return words.short_day(day_of(self.zone, moment), self.today)

    def when(self, moment: int) -> str:
        """Tomorrow 9:00."""
        return words.when(moment, self.now, self.zone).replace(", ", " ")

    def long(self, day: str) -> str:
        """An ISO day as 12 December."""
        return words.day(date.fromisoformat(day), self.today)


def where(piece: State | OpenPiece, hand: str, me: int | None, clock: Clock) -> str:
    """Who has the piece, until when it is set aside, or what it waits for; "" where it is free.

    `hand` is the name of who has it or has set it aside, `me` the account that is told "you".
    """
    who = "you" if me is not None and piece.hand_id == me else first_name(hand or "somebody")
    if piece.hold_whose:
        return _held(piece, clock)
    if piece.in_hand and piece.step == Step.BLANK:
        return _machine(piece, clock) if isinstance(piece, OpenPiece) else "in a batch"
    if piece.in_hand:
        return "you have it" if who == "you" else f"{who} has it"
    if piece.aside_until is not None or piece.aside_reason:
        return _aside(piece, who, clock)
    match piece.step:
        case Step.PHOTOS_WANTED if piece.told_at is not None:
            return f"photos announced on {clock.short(piece.told_at)}, not yet counted"
        case Step.PHOTOS_WANTED:
            return "waiting for photos"
        case Step.BUILDING if isinstance(piece, OpenPiece):
            return _machine(piece, clock)
        case Step.HANDED_OVER:
            return f"in transit since {clock.short(piece.entered_at)}"
        case Step.PACKING if (piece.rests_until or 0) > clock.now:
            assert piece.rests_until is not None
            return f"curing until {clock.when(piece.rests_until)}"
        case _:
            return ""


def stopped(until_paid: str | None, *, asked: bool) -> str:
    """What is said where a piece is that an open question stops, or a payment that is missing, or
    what nobody has `asked` the customer to approve yet."""
    if until_paid:
        return f"waiting for {Paid(until_paid).called}"
    return "waiting for the customer’s answer" if asked else "pictures to send to the customer"


# The same of a part that is not here.
LACKING = "waiting for a part"
# Who a piece on hold waits for, by what its log says.
WAITING_ON = {"customer": "the customer", "studio": "us", "supplier": "a supplier"}


def _held(piece: State | OpenPiece, clock: Clock) -> str:
    said = f"on hold, waiting on {WAITING_ON[piece.hold_whose]}: {piece.hold_reason}"
    if piece.hold_look_on is None:
        return said
    return f"{said}; check again on {clock.long(piece.hold_look_on)}"


def _aside(piece: State | OpenPiece, who: str, clock: Clock) -> str:
    why = f", {piece.aside_reason}" if piece.aside_reason else ""
    if piece.aside_until is None:
        return f"set aside by {who}{why}"
    come = ": that time has come" if piece.aside_until <= clock.now else ""
    return f"set aside by {who} until {clock.when(piece.aside_until)}{why}{come}"


def _machine(line: OpenPiece, clock: Clock) -> str:
    on = f"on {line.machine}" if line.machine else "on a machine"
    if line.build_ends_at is None:
        return f"{on}, since {clock.when(line.entered_at)}"
    if line.build_ends_at < clock.now:
        return f"{on}, should have ended by {clock.when(line.build_ends_at)}: check the machine"
    return f"{on}, ends by {clock.when(line.build_ends_at)}"


Notes = tuple[str, str, str]
_NONE: Notes = ("", "", "")


def notes(line: OpenPiece, question: Asked | None, chance: float | None, clock: Clock) -> Notes:
    """In words what matters: what is late, what is pressing, and the rest.

    That is: remake and rework, needed by, question, gift, remembered, pictures, copy deadline.
    """
    photos = line.pictures is not None and line.step in _LOOKED_AT
    if not (
        line.making > 1 or line.reworks or line.needed_by or line.gates or line.gift or photos
        or line.life == "remembered" or line.attempts or line.sizeless
        or line.step == Step.FINISHING
    ):  # fmt: skip
        return _NONE
    late = ""
    if line.making > 1:
        late = "New version" if line.of != "copy" else "Repair" if line.mends else "Remake"
    elif line.reworks:
        late = "Rework"
    soon, rest = _needed(line, chance, clock)
    if line.pose:
        rest.append(words.capital(line.pose))
    if line.sizeless:
        rest.append("Size missing")
    if line.lacks:
        rest.append("Part not here")
    # Where a payment that is missing stops a piece, its row says so already.
    if line.asks and not (question and question.until_paid and line.stopped):
        rest.append(_question(question, clock))
    if line.gift:
        rest.append(f"Gift, given on {clock.long(line.gift_day)}" if line.gift_day else "Gift")
    if line.life == "remembered":
        rest.append("Has died")
    rest.extend(_photo_notes(line, photos=photos))
    if line.step == Step.FINISHING:
        rest.append(_deadline(line, clock))
    return late, soon, ". ".join(rest)


_LOOKED_AT = frozenset({Step.PHOTOS_IN, Step.BUILDING, Step.ASSESSING})


def _needed(line: OpenPiece, chance: float | None, clock: Clock) -> tuple[str, list[str]]:
    """What is said of the day an order is needed by: pressing, or merely noted."""
    if line.needed_by is None:
        return "", []
    said = f"Needed by {clock.long(line.needed_by)}"
    likely = how_likely(line.needed_by, chance, clock.today)
    if not likely:
        return said, []
    if likely == PASSED or (chance is not None and chance < FALLING):
        return said, [words.capital(likely)]
    return "", [f"{said}, {likely}"]


def _question(question: Asked | None, clock: Clock) -> str:
    if question is None:
        return "Question open"
    if question.until_paid:
        return f"Waits for {Paid(question.until_paid).called}"
    topic = question.topic.replace("_", " ")
    if question.unasked:
        return f"To be approved: {topic.removesuffix(' approval')}"
    return f"Question open: {topic}, asked {clock.short(question.asked_at)}"


def _photo_notes(line: OpenPiece, *, photos: bool) -> list[str]:
    said: list[str] = []
    if line.attempts and line.step == Step.PHOTOS_WANTED:
        times = {1: "once", 2: "twice"}.get(line.attempts, f"{line.attempts} times")
        said.append(f"More views asked for {times}")
    if photos and line.pictures is not None:
        said.append(words.capital(words.count(line.pictures, "photo")))
    return said


def _deadline(line: OpenPiece, clock: Clock) -> str:
    if line.copy_deadline and line.copy_deadline >= clock.today.isoformat():
        return f"More copies may join until {clock.long(line.copy_deadline)}"
    return "Last day for more copies is when this ends"


_SAID_BY_BREED = frozenset({"dog", "cat", "horse"})


def kind_words(kind: str, breed: str) -> str:
    """Pygmy goat, Jersey cow; whippet and Friesian need no more words."""
    if not breed or not kind or "," in breed or kind in _SAID_BY_BREED or kind in breed:
        return breed or kind
    return f"{breed} {kind}"


def pace_words(usual: float, slow: float) -> str:
    """Usual 4 days, slow 9; in whole days, as the age bar says them."""
    whole = round(usual)
    said = "usual under a day" if whole < 1 else f"usual {whole} {'day' if whole == 1 else 'days'}"
    return f"{said}, slow {max(1, round(slow))}"


@dataclass(frozen=True, slots=True)
class Until:
    """A choice of how long a piece is set aside."""

    key: str
    words: str
    moment: int


ASIDE_REASONS = (
    "drying",
    "waiting for material",
    "waiting for a tool",
    "other work first",
    "end of the day",
)


def untils(now: int, calendar: Calendar) -> list[Until]:
    """The usual times until which a piece is set aside: a quarter of an hour, an hour, and the
    morning of the next day on which anybody works. A day and an hour can be typed instead.

    Mornings are when the house opens that day, or 9:00 where it does not open at all.
    """
    today = calendar.day_of(now)
    day = calendar.add_working_days(today, 1)
    morning = calendar.moment(day, opening(day, calendar))
    clock = partial(words.clock, zone=calendar.zone)
    name = "tomorrow" if day == today + timedelta(days=1) else words.short_day(day, today)
    return [
        Until("quarter", f"in 15 minutes, {clock(now + 900)}", now + 900),
        Until("hour", f"in an hour, {clock(now + 3_600)}", now + 3_600),
        Until("morning", f"{name}, {clock(morning)}", morning),
    ]


def opening(day: date, calendar: Calendar) -> time:
    """When work begins on a day; 9:00 on a free one."""
    hours = calendar.hours.get(day.weekday(), ())
    return hours[0][0] if hours else time(9)
