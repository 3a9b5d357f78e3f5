"""An order as it is typed: read from the form, checked field by field, nothing lost. Pure.

The form's fields are named by place: `a0_name` is the first animal's name, `a0c1_size` the size in
its second line of copies. A line is one copy, or as many alike as it says. Empty animals past the
first are passed over; a copy counts though nothing is known of it yet.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Annotated, Any, Literal, TypeVar

from pydantic import AfterValidator, BeforeValidator

from app.flow.steps import STARTS, STEPS, Of, Step
from app.orders.facts.sizes import Measured
from app.shared.errors import BadFields
from app.shared.text import fold, whole_number
from app.shared.web.fields import (
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

MOST_ANIMALS = 12
MOST_COPIES = 24
MOST_PICTURES = 20_000
SMALLEST_MM, LARGEST_MM = 5, 2000
LETTERS = "ABCDEFGHIJKL"
Sent = TypeVar("Sent", bound=Fields)
_PLACE = re.compile(r"^a(\d{1,2})(?:c(\d{1,2}))?_")


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


def _stored(value: Any) -> Any:
    if isinstance(value, bool):
        return int(value)
    return value.isoformat() if isinstance(value, date) else value


def _empty_step(value: object) -> object:
    return None if value == "" else value


class CustomerFields(Fields):
    """Who orders. `customer_id` names somebody who is known already; `someone_else` says that it
    is not the customer who is known under the same address."""

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
        found = {name: _stored(v) for name, v in self if name in OrderDetails.model_fields}
        # The column came later: nothing there is None, as in the orders before.
        return {**found, "bench_note": self.bench_note or None}


class OrderFields(OrderDetails):
    """An order as it is taken. `chance_told` says that the customer heard how likely the day is."""

    under_way: Tick
    taken_on: Day
    chance_told: Tick


StepChoice = Annotated[Step | None, BeforeValidator(_empty_step)]


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
    """An animal of a new order: its marks, and where its model stands if that is under way."""

    animal_id: Number
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


class AddedCopy(CopyDetails):
    """A copy that joins an order. `paid`: what that order is afterwards, if it was paid in full."""

    paid: Literal["", "part", "all"] = ""


@dataclass(frozen=True, slots=True)
class AnimalDraft:
    """An animal with its copies, one by one, as typed and checked."""

    fields: AnimalFields
    copies: list[CopyFields]


@dataclass(frozen=True, slots=True)
class Draft:
    """An order, as typed and checked."""

    customer: CustomerFields
    order: OrderFields
    animals: list[AnimalDraft]


@dataclass(slots=True)
class Shape:
    """How many animals the form shows, and how many copies of each."""

    copies: list[int] = field(default_factory=lambda: [1])

    @classmethod
    def of(cls, typed: Mapping[str, str]) -> "Shape":
        """The shape of a form that was sent."""
        counts: dict[int, int] = {}
        for name in typed:
            if (found := _PLACE.match(name)) is not None:
                animal = int(found[1])
                copy = int(found[2]) + 1 if found[2] else 1
                counts[animal] = max(counts.get(animal, 1), copy)
        most = min(max(counts, default=0) + 1, MOST_ANIMALS)
        return cls([min(counts.get(n, 1), MOST_COPIES) for n in range(most)])

    def more_animals(self) -> int:
        """Add an animal; gives its place."""
        if len(self.copies) < MOST_ANIMALS:
            self.copies.append(1)
        return len(self.copies) - 1

    def more_copies(self, animal: int) -> int:
        """Add a copy of an animal; gives its place."""
        if 0 <= animal < len(self.copies) and self.copies[animal] < MOST_COPIES:
            self.copies[animal] += 1
        return self.copies[animal] - 1 if 0 <= animal < len(self.copies) else 0


@dataclass(frozen=True, slots=True)
class CopyLine:
    """A line of copies on the form: what they will be called, how many, whether a size is there."""

    code: str
    many: int
    sized: bool


def copy_lines(typed: Mapping[str, str], shape: Shape) -> list[list[CopyLine]]:
    """The lines of every animal of a form: A1, A2–A4 where a line counts for three, B1."""
    found: list[list[CopyLine]] = []
    for n, count in enumerate(shape.copies):
        lines, last = [], 0
        for c in range(count):
            place = f"a{n}c{c}_"
            many = whole_number(typed.get(f"{place}many", "").strip(), MOST_COPIES) or 1
            first, last = last + 1, last + many
            code = f"{LETTERS[n]}{first}" + (f"–{LETTERS[n]}{last}" if many > 1 else "")
            lines.append(CopyLine(code, many, bool(typed.get(f"{place}size", "").strip())))
        found.append(lines)
    return found


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
    animals = _animals(typed, errors, bool(days and days.under_way), today)
    if days is not None:
        errors.fields |= _day_problems(days, today)
    if errors.fields or customer is None or order is None:
        raise BadFields(errors.fields)
    return Draft(customer, order, animals)


def _animals(
    typed: Mapping[str, str], errors: _Errors, under_way: bool, today: date
) -> list[AnimalDraft]:
    found: list[AnimalDraft] = []
    for n, count in enumerate(Shape.of(typed).copies):
        own = _under(typed, f"a{n}_")
        if n and not any(own.get(name, "").strip() for name in ("name", "kind", "marks")):
            continue
        fields = errors.check(AnimalFields, own, f"a{n}_")
        lines = [
            line
            for c in range(count)
            if (line := errors.check(CopyFields, _under(typed, f"a{n}c{c}_"), f"a{n}c{c}_"))
        ]
        if fields is None:
            continue
        if under_way:
            errors.fields |= _under_way_problems(n, fields, lines, today)
        copies = [line for line in lines for _ in range(line.many or 1)]
        if len(copies) > MOST_COPIES:
            said = f"{MOST_COPIES} copies of one animal at most; these are {len(copies)}."
            errors.fields.setdefault(f"a{n}c{count - 1}_many", said)
        found.append(AnimalDraft(fields, copies))
    return found


def _under(typed: Mapping[str, str], prefix: str) -> dict[str, str]:
    return {name.removeprefix(prefix): v for name, v in typed.items() if name.startswith(prefix)}


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
    n: int, animal: AnimalFields, copies: list[CopyFields], today: date
) -> dict[str, str]:
    """An order under way needs a step and a day for each piece, and they have to fit together."""
    found: dict[str, str] = {}
    if animal.step is None or animal.step not in STARTS[Of.MODEL]:
        found[f"a{n}_step"] = "Say where this animal's model is."
    found |= _since_problems(f"a{n}_since", animal.since, today)
    ready = animal.step is Step.READY
    for c, copy in enumerate(copies):
        name = f"a{n}c{c}_step"
        begun = copy.step is not None and copy.step is not Step.NOT_BEGUN
        if begun and not ready:
            found[name] = "A copy begins when its model is ready."
        elif ready and not begun:
            found[name] = "Say where this copy is: its model is ready."
        elif copy.step is not None and copy.step not in STARTS[Of.COPY]:
            found[name] = f"{STEPS[copy.step].name} is not a step of a copy."
        if begun:
            found |= _since_problems(f"a{n}c{c}_since", copy.since, today)
    return found


def _since_problems(name: str, since: date | None, today: date) -> dict[str, str]:
    if since is None:
        return {name: "Since which day?"}
    return {name: "That is in the future."} if since > today else {}
