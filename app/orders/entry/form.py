"""An order as it is typed: read from the form, checked field by field, nothing lost. Pure.

The form's fields are named by place: `a0_name` is the first animal's name, `a0c1_size` the size in
its second line of copies. A line is one copy, or as many alike as it says. Empty animals past the
first are passed over; a copy counts though nothing is known of it yet.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Any, Literal, TypeVar

from pydantic import AfterValidator, BeforeValidator

from app.flow.approvals.rules import Approves
from app.flow.changes import AskedBy
from app.flow.steps import STARTS, STEPS, Of, Step
from app.orders.entry.shape import MOST_COPIES, Shape, not_made, under
from app.orders.facts.sizes import Measured
from app.shared.errors import BadFields
from app.shared.text import fold
from app.shared.web.fields import (
    Asker,
    Day,
    Fields,
    Line,
    Mail,
    Name,
    Number,
    OrderChannel,
    Short,
    Tick,
    Words,
)
from app.shared.web.forms import check

MOST_PICTURES = 20_000
SMALLEST_MM, LARGEST_MM = 5, 2000
LARGEST_NUMBER = 9_999_999
Sent = TypeVar("Sent", bound=Fields)


def _size(value: int | None) -> int | None:
    if value is not None and not SMALLEST_MM <= value <= LARGEST_MM:
        raise ValueError(f"Between {SMALLEST_MM} and {LARGEST_MM} mm, please.")
    return value


# A copy's size in mm, or nothing yet.
Size = Annotated[Number, AfterValidator(_size)]


def _many(value: int | None) -> int | None:
    if value is not None and not 1 <= value <= MOST_COPIES:
        raise ValueError(f"Between 1 and {MOST_COPIES}, please.")
    return value


def _pictures(value: int | None) -> int | None:
    if value is not None and not 0 <= value <= MOST_PICTURES:
        raise ValueError("How many photos are there?")
    return value


def _order_number(value: int | None) -> int | None:
    if value is not None and not 1 <= value <= LARGEST_NUMBER:
        raise ValueError(f"A number from 1 to {LARGEST_NUMBER}, please, or leave it empty.")
    return value


def _stored(value: Any) -> Any:
    if isinstance(value, bool):
        return int(value)
    return value.isoformat() if isinstance(value, date) else value


def _unless_empty(value: object) -> object:
    return None if value == "" else value


# What the customer approves, or nothing said: as is usual, or as it was.
ChosenApproves = Annotated[Approves | None, BeforeValidator(_unless_empty)]


class CustomerFields(Fields):
    """Who orders. `customer_id` names somebody who is known already; `someone_else` says that it
    is not the customer who is known under the same address or name."""

    customer_id: Number
    name: Name
    address_as: Short
    mail: Mail
    phone: Short
    someone_else: Tick


class OrderDays(Fields):
    """The days of an order, which are checked even where something else of it is wrong."""

    gift_day: Day
    needed_by: Day
    under_way: Tick
    taken_on: Day


class OrderDetails(Fields):
    """What concerns an order as a whole, when it is taken and whenever it is edited."""

    shop_reference: Short
    channel: OrderChannel = "shop"
    paid: Literal["none", "part", "all"] = "none"
    approves: ChosenApproves = None
    gift: Tick
    gift_day: Day
    needed_by: Day
    needed_reason: Line
    ship_name: Line
    ship_lines: Words
    ship_postcode: Short
    ship_country: Short
    ship_phone: Short
    parcel_note: Line
    note: Words
    bench_note: Words

    def columns(self) -> dict[str, Any]:
        """The values as they lie in the database: a tick is 0 or 1, a day ISO text."""
        names = OrderDetails.model_fields.keys() - {"approves"}
        found = {name: _stored(v) for name, v in self if name in names}
        # These columns came later: nothing there is None, as in the orders before.
        found |= {"bench_note": self.bench_note or None}
        return found if self.approves is None else found | {"approves": self.approves.stored}


class OrderFields(OrderDetails):
    """An order as it is taken. `chance_told` says that the customer heard how likely the day is.

    One that is under way may bring its number from before, and inscriptions that the customer has
    confirmed.
    """

    under_way: Tick
    taken_on: Day
    own_number: Annotated[Number, AfterValidator(_order_number)]
    spelling_confirmed: Tick
    chance_told: Tick


StepChoice = Annotated[Step | None, BeforeValidator(_unless_empty)]


class AnimalDetails(Fields):
    """An animal, when it is first ordered and whenever it is edited."""

    name: Name
    kind: Line
    breed: Line
    sex: Literal["female", "male", "not_said"] = "not_said"
    life: Literal["living", "remembered", "not_said"] = "not_said"
    age_shown: Short
    height: Short
    colours: Line
    note: Words

    def columns(self) -> dict[str, Any]:
        """The values as they lie in the database."""
        found = {name: value for name, value in self if name in AnimalDetails.model_fields}
        return {**found, "name_key": fold(self.name)}


class AnimalFields(AnimalDetails):
    """An animal of a new order: its marks, and where its model stands if that is under way.

    `beside` names the line of copies of an earlier animal on whose base it stands: a0c1.
    """

    animal_id: Number
    beside: Short
    marks: Words
    ready_model: Tick
    step: StepChoice = None
    since: Day
    pictures: Annotated[Number, AfterValidator(_pictures)]


class CopyDetails(Fields):
    """A copy, when it is ordered and whenever it is edited."""

    size: Size
    measured: Measured = ""
    pose: Short
    base: Short
    finish: Short
    inscription: Line
    extras: Line
    note: Line

    def columns(self) -> dict[str, Any]:
        """The values by the names that they have in the database."""
        found = {COPY_COLUMNS[name]: value for name, value in self if name in COPY_COLUMNS}
        return {**found, "measured": self.measured or None}


COPY_COLUMNS = {name: name for name in CopyDetails.model_fields} | {
    "size": "size_mm",
    "note": "bench_note",
}


class CopyFields(CopyDetails):
    """A line of copies alike, and where they stand if the order is under way."""

    many: Annotated[Number, AfterValidator(_many)]
    step: StepChoice = None
    since: Day


class ChangeAsked(Fields):
    """Who asked for a change, and whether the customer gets an email that says what changed."""

    asked_by: Asker = "us"
    tell: Tick

    @property
    def asked(self) -> AskedBy:
        """As the notes of change keep it."""
        return AskedBy(self.asked_by, self.tell)


class AddedCopy(CopyDetails):
    """A copy that joins an order. `paid`: what that order is afterwards, if it was paid in full."""

    paid: Literal["", "part", "all"] = ""


@dataclass(frozen=True, slots=True)
class AnimalDraft:
    """An animal with its copies, one by one, as typed and checked.

    `beside` is which animal's copies it stands beside on one base, by place, and their numbers.
    """

    fields: AnimalFields
    copies: list[CopyFields]
    beside: tuple[int, range] | None = None


@dataclass(frozen=True, slots=True)
class Draft:
    """An order, as typed and checked."""

    customer: CustomerFields
    order: OrderFields
    animals: list[AnimalDraft]

    @property
    def many(self) -> int:
        """How many copies it is."""
        return sum(len(animal.copies) for animal in self.animals)


class _Errors:
    """Everything that is wrong, gathered before the form is shown again."""

    def __init__(self) -> None:
        self.fields: dict[str, str] = {}

    def check(self, model: type[Sent], values: Mapping[str, str], prefix: str) -> Sent | None:
        try:
            return check(model, values, prefix)
        except BadFields as why:
            self.fields |= why.fields
            return None


def read(typed: Mapping[str, str], today: date) -> Draft:
    """The order that a form holds.

    Raises BadFields with a sentence at every field that is wrong.
    """
    errors = _Errors()
    customer = errors.check(CustomerFields, typed, "")
    order = errors.check(OrderFields, typed, "")
    days = errors.check(OrderDays, typed, "")
    animals = _animals(typed, errors, days if days and days.under_way else None, today)
    if days is not None:
        errors.fields |= _day_problems(days, today)
    if errors.fields or customer is None or order is None:
        raise BadFields(errors.fields)
    return Draft(customer, order, animals)


@dataclass(frozen=True, slots=True)
class _TypedAnimal:
    """An animal at its place on the form, with its lines of copies by theirs."""

    place: int
    fields: AnimalFields
    lines: dict[int, CopyFields]

    def numbers(self, line: int) -> range:
        """The numbers of the copies of a line."""
        before = sum(other.many or 1 for place, other in self.lines.items() if place < line)
        return range(before + 1, before + 1 + (self.lines[line].many or 1))


def _animals(
    typed: Mapping[str, str], errors: _Errors, under_way: OrderDays | None, today: date
) -> list[AnimalDraft]:
    found: list[_TypedAnimal] = []
    for n, count in enumerate(Shape.of(typed).copies):
        own = under(typed, f"a{n}_")
        if n and not any(own.get(name, "").strip() for name in ("name", "kind", "marks")):
            continue
        fields = errors.check(AnimalFields, own, f"a{n}_")
        lines = {}
        for c in range(count):
            place = f"a{n}c{c}_"
            if not_made(typed, n, c):
                continue
            if (line := errors.check(CopyFields, under(typed, place), place)) is not None:
                lines[c] = line
        if fields is not None:
            found.append(_TypedAnimal(n, fields, lines))
    beside = _on_bases(found, errors)
    drafts: list[AnimalDraft] = []
    for animal in found:
        if under_way:
            errors.fields |= _under_way_problems(animal, found, under_way.taken_on, today)
        copies = [line for line in animal.lines.values() for _ in range(line.many or 1)]
        if len(copies) > MOST_COPIES:
            said = f"{MOST_COPIES} copies of one animal at most; these are {len(copies)}."
            errors.fields.setdefault(f"a{animal.place}c{max(animal.lines)}_many", said)
        drafts.append(AnimalDraft(animal.fields, copies, beside.get(animal.place)))
    return drafts


_LINE = re.compile(r"a(\d{1,2})c(\d{1,2})")


def _stands_on(animal: _TypedAnimal) -> tuple[int, int] | None:
    """The place of an animal and of its line of copies that another one stands beside."""
    if (named := _LINE.fullmatch(animal.fields.beside)) is None:
        return None
    return int(named[1]), int(named[2])


def _on_bases(animals: list[_TypedAnimal], errors: _Errors) -> dict[int, tuple[int, range]]:
    """Which copies animals stand beside; what is chosen and not there is said at its field."""
    by_place = {animal.place: (nth, animal) for nth, animal in enumerate(animals)}
    found: dict[int, tuple[int, range]] = {}
    for animal in animals:
        if not animal.fields.beside:
            continue
        place, line = _stands_on(animal) or (animal.place, 0)
        nth, first = by_place.get(place, (0, None))
        if first is None or place >= animal.place or line not in first.lines:
            errors.fields[f"a{animal.place}_beside"] = (
                "That copy is not made by itself. Choose a copy of an animal above."
            )
        else:
            found[animal.place] = nth, first.numbers(line)
    return found


def _day_problems(order: OrderDays, today: date) -> dict[str, str]:
    """Days that cannot be: the past where the future is meant, and the other way round."""
    found: dict[str, str] = {}
    for name in ("needed_by", "gift_day"):
        day: date | None = getattr(order, name)
        if day is not None and day <= today and not order.under_way:
            found[name] = "That day is past. A day after today, or leave it empty."
        elif day is not None and (day - today).days > 1500:
            found[name] = "That is years away. Is the year right?"
    if order.taken_on is not None and order.taken_on > today:
        found["taken_on"] = "That is in the future. An order is taken today or before."
    return found


def _under_way_problems(
    animal: _TypedAnimal, animals: list[_TypedAnimal], taken_on: date | None, today: date
) -> dict[str, str]:
    """An order under way needs a step and a day for each piece, and they have to fit together."""
    found: dict[str, str] = {}
    n, fields = animal.place, animal.fields
    if fields.step is None or fields.step not in STARTS[Of.MODEL]:
        found[f"a{n}_step"] = "Say where this animal's model is."
    found |= _since_problems(f"a{n}_since", fields.since, taken_on, today)
    for c, copy in animal.lines.items():
        beside = [other.fields.step for other in animals if _stands_on(other) == (n, c)]
        ready = all(step is Step.READY for step in (fields.step, *beside))
        name = f"a{n}c{c}_step"
        begun = copy.step is not None and copy.step is not Step.NOT_BEGUN
        if begun and not ready:
            found[name] = (
                "It begins when the models of all on its base are ready."
                if beside
                else "A copy begins when its model is ready."
            )
        elif ready and not begun:
            found[name] = "Say where this copy is: its model is ready."
        elif copy.step is not None and copy.step not in STARTS[Of.COPY]:
            found[name] = f"{STEPS[copy.step].name} is not a step of a copy."
        if begun:
            found |= _since_problems(f"a{n}c{c}_since", copy.since, taken_on, today)
    return found


def _since_problems(
    name: str, since: date | None, taken_on: date | None, today: date
) -> dict[str, str]:
    if since is None:
        return {name: "Since which day?"}
    if taken_on is not None and since < taken_on <= today:
        return {name: "That is before the order was taken on."}
    return {name: "That is in the future."} if since > today else {}
