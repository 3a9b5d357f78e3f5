"""An order at each row of what a customer's page can say: plain, as a gift, of a remembered animal.

    page = page_at("painting", "gift")

Moments are UTC seconds; NOW is Wednesday 4 March 2026, 10:00 in London.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from zoneinfo import ZoneInfo

from app.flow.steps import Step
from app.orders.facts.order import (
    AnimalFacts,
    CopyFacts,
    MarkFacts,
    OrderFacts,
    ParcelFacts,
    QuestionFacts,
    Standing,
    ViewFacts,
)
from app.orders.facts.ranges import FROM_THE_TRADE, Shown, Span
from app.shared.calendar import Calendar
from app.status.document import Document, StudioContact
from app.status.wording import Teller, document
from app.studio.rules import StudioSettings
from tests.making import DAY, HOUR, NOW

LONDON = Calendar(ZoneInfo("Europe/London"))
CONTACT = StudioContact("hello@saltmarsh-bench.example", "0000 555 0172", "weekdays from 9 to 17")
HOW_TO_SEND = StudioSettings().how_to_send_photos
TELLER = Teller("Saltmarsh Bench", CONTACT, LONDON, HOW_TO_SEND)
KINDS = ("plain", "gift", "remembered")
RANGE = Shown(date(2026, 3, 23), date(2026, 4, 20), None, "143 orders of our own")
WIDE = Shown(date(2026, 3, 18), date(2026, 5, 4), None, FROM_THE_TRADE)
MARKS = (
    MarkFacts("white stocking", "left", "hind leg"),
    MarkFacts("scar on the shoulder", "not_asked"),
)
HAND = {"by": "Ines", "in_hand": True, "hand_since": NOW - 2 * DAY}


def at(step: Step, days: float = 3, **more: object) -> Standing:
    """A piece that came to a step some days ago."""
    return Standing(step, NOW - int(days * DAY), **more)  # type: ignore[arg-type]


def copy(
    step: Step, days: float = 3, letter: str = "A", number: int = 1, **more: object
) -> CopyFacts:
    """A copy at a step; what Standing knows goes there, the rest to the copy."""
    own = {k: more.pop(k) for k in list(more) if k in Standing.__dataclass_fields__}
    values = {"size_mm": 60 + 20 * number, "pose": "standing", "base": "oak", **more}
    return CopyFacts(
        f"1172-{letter}{number}",
        letter,
        number,
        at(step, days, **own),
        **values,  # type: ignore[arg-type]
    )


def animal(step: Step, days: float = 3, **more: object) -> AnimalFacts:
    """Juniper, a mare, unless something else is said."""
    own = {k: more.pop(k) for k in list(more) if k in Standing.__dataclass_fields__}
    values: dict[str, object] = {
        "letter": "A", "name": "Juniper", "kind": "horse", "sex": "female", "life": "living",
        "marks": MARKS, **more,
    }  # fmt: skip
    return AnimalFacts(model=at(step, days, **own), **values)  # type: ignore[arg-type]


def order(*animals: AnimalFacts, **more: object) -> OrderFacts:
    """An order of some animals."""
    values: dict[str, object] = {
        "id": 7, "number": 1172, "address_as": "Ms Castellan", "taken_at": NOW - 30 * DAY,
        "open": True, "imported": False, "gift": False, "gift_day": None, "needed_by": None,
        "ship_part": False, "copy_deadline": None, "parcels": (), "questions": (),
        "last_news_at": NOW - 3 * DAY, "last_change_at": NOW - 3 * DAY, "steps_seen": 4,
        "weeks": Span(13.0, 35.0, FROM_THE_TRADE), **more,
    }  # fmt: skip
    return OrderFacts(animals=animals, **values)  # type: ignore[arg-type]


def pair(
    first: Step, second: Step, made: CopyFacts, life: str = "living", **more: object
) -> OrderFacts:
    """An order of two dogs on one base: where their models stand, and their one copy."""
    own = {**PASSED, "kind": "dog"}
    return order(
        animal(first, 9, name="Bracken", sex="male", copies=(replace(made, letters_beside="B"),),
               **own),
        animal(second, 6, letter="B", name="Thistle", life=life,
               **{**own, "marks": (MarkFacts("torn ear", "right"),)}),
        **more,
    )  # fmt: skip


PASSED = {
    "passed_at": NOW - 9 * DAY, "counted_at": NOW - 12 * DAY, "pictures": 82, "outcome": "good",
    "came_by": "good",
}  # fmt: skip
BEGUN = {**PASSED, "came_by": "model_finished"}
NOT_BEGUN = (copy(Step.NOT_BEGUN), copy(Step.NOT_BEGUN, number=2))
VIEWS = (
    ViewFacts(1, "From behind, at the height of her back"),
    ViewFacts(2, "The left ear from the front, close"),
)
PARCEL = ParcelFacts(1, "carrier", "Post", "JA473124829GB", NOW - 2 * DAY)


def _rows() -> dict[str, OrderFacts]:
    wanted = animal(Step.PHOTOS_WANTED, copies=(
        copy(Step.NOT_BEGUN, inscription="JUNIPER", spelling_confirmed=False),
        copy(Step.NOT_BEGUN, number=2, base="none"),
    ))  # fmt: skip
    told = replace(wanted, told_at=NOW - DAY, told_files=82, copies=NOT_BEGUN)
    counted = {"counted_at": NOW - DAY, "pictures": 82, "copies": NOT_BEGUN}
    built = animal(Step.READY, 8, **BEGUN)
    ends = NOW + 20 * HOUR

    def made(*copies: CopyFacts, **more: object) -> OrderFacts:
        return order(replace(built, copies=copies), shown=RANGE, **more)

    one = Step.SHAPING
    return {
        "order in": order(wanted, needed_by=date(2026, 4, 24)),
        "photos told": order(told),
        "photos in": order(animal(Step.PHOTOS_IN, 1, **counted)),
        "build": order(animal(Step.BUILDING, 0.5, build_ends_at=ends, **counted)),
        "build goes on": order(animal(Step.BUILDING, 2, build_ends_at=NOW - HOUR, **counted)),
        "assessing": order(
            animal(Step.ASSESSING, 0.2, came_by="build_finished", **HAND, **counted)
        ),
        "more views": order(
            animal(Step.PHOTOS_WANTED, 1, attempts=1, views=VIEWS, came_by="more_views", **counted)
        ),
        "model good": order(
            animal(Step.FINISHING, 9, copies=NOT_BEGUN, **PASSED),
            shown=WIDE,
            copy_deadline=date(2026, 3, 11),
        ),
        "finishing": order(
            animal(
                Step.FINISHING,
                9,
                copies=NOT_BEGUN,
                limits="the far side of the mane",
                limits_agreed=True,
                **HAND,
                **{**PASSED, "outcome": "limits"},
            ),
            shown=RANGE,
            copy_deadline=date(2026, 3, 11),
            needed_by=date(2026, 4, 10),
        ),
        "blank": made(copy(Step.BLANK), copy(Step.BLANK, number=2)),
        "shaping": made(copy(one, **HAND), copy(one, number=2)),
        "shaping waits": made(
            copy(one, 20),
            copy(one, 20, number=2),
            last_news_at=NOW - 20 * DAY,
            last_change_at=NOW - 20 * DAY,
        ),
        "painting": made(copy(Step.PAINTING, **HAND), copy(Step.PAINTING, number=2)),
        "drying": made(
            copy(Step.PAINTING, drying=True, by="Ines", aside_until=NOW + DAY),
            copy(Step.INSPECTION, number=2),
        ),
        "rework": made(
            copy(Step.PAINTING, rework=True, **HAND),
            copy(Step.PACKING, number=2, inspected_at=NOW - DAY),
        ),
        "remake": made(copy(Step.BLANK, remade_by=1), copy(Step.PAINTING, number=2)),
        "remade from the model": made(
            copy(Step.NOT_BEGUN, remade_by=1), copy(Step.PAINTING, number=2)
        ),
        "two poses": order(
            animal(
                Step.FINISHING,
                9,
                copies=(
                    copy(Step.NOT_BEGUN),
                    copy(Step.NOT_BEGUN, number=2, pose="lying", model=at(Step.FINISHING, **HAND)),
                ),
                **PASSED,
            ),
            shown=RANGE,
        ),
        "two poses, one begun": made(
            copy(Step.SHAPING),
            copy(Step.NOT_BEGUN, number=2, pose="lying", model=at(Step.FINISHING)),
        ),
        "longer": order(
            replace(built, copies=(copy(Step.SHAPING),)),
            shown=Shown(None, None, date(2026, 3, 11), "143 orders of our own"),
        ),
        "ready": made(
            copy(Step.PACKING, rests_until=NOW + 3 * DAY),
            copy(Step.PACKING, number=2, rests_until=NOW + 3 * DAY),
        ),
        "part sent": made(
            copy(Step.HANDED_OVER, 2, parcel_id=1, inscription="JUNIPER"),
            copy(Step.PAINTING, number=2),
            parcels=(PARCEL,),
            ship_part=True,
        ),
        "handed over": made(
            copy(Step.HANDED_OVER, 2, parcel_id=1),
            copy(Step.HANDED_OVER, 2, number=2, parcel_id=1),
            parcels=(PARCEL,),
        ),
        "received": replace(
            made(
                copy(Step.RECEIVED, 1, parcel_id=1),
                copy(Step.RECEIVED, 1, number=2, parcel_id=1),
                parcels=(replace(PARCEL, received_at=NOW - DAY),),
            ),
            open=False,
            shown=None,
        ),
        "assumed received": replace(
            made(copy(Step.RECEIVED, 1, parcel_id=1, received_assumed=True), parcels=(PARCEL,)),
            open=False,
            shown=None,
        ),
        "question": made(
            copy(Step.PAINTING),
            questions=(QuestionFacts("spelling", True, NOW - 2 * DAY, "letter", "A"),),
        ),
        "held": made(
            copy(Step.PAINTING, hold_whose="supplier", hold_look_on=date(2026, 3, 18), act=31)
        ),
        "eyes to come": made(
            copy(Step.PAINTING, part="glass eyes", part_due=date(2026, 3, 18)),
            copy(Step.PACKING, number=2, part="plate", part_due=date(2026, 3, 2)),
        ),
        "cancelled": replace(made(copy(Step.CANCELLED)), open=False, shown=None),
        "two animals": order(
            animal(Step.FINISHING, 9, copies=NOT_BEGUN, **HAND, **PASSED),
            animal(
                Step.PHOTOS_WANTED,
                letter="B",
                name="Otis",
                kind="tortoise",
                sex="not_said",
                marks=(),
                copies=(copy(Step.NOT_BEGUN, letter="B"),),
            ),
        ),
    }


ROWS = _rows()


def facts_at(row: str, kind: str = "plain") -> OrderFacts:
    """The facts of an order at a row, as one of KINDS."""
    return in_tone(ROWS[row], kind)


def in_tone(facts: OrderFacts, kind: str) -> OrderFacts:
    """The facts as one of KINDS."""
    if kind == "gift":
        return replace(facts, gift=True, gift_day=date(2026, 5, 1))
    if kind == "remembered":
        animals = tuple(replace(one, life="remembered") for one in facts.animals)
        return replace(facts, animals=animals)
    return facts


def sentences(page: Document) -> Iterator[str]:
    """Every piece of text on a page, in the order in which it is read."""
    yield from (page.studio, page.heading, page.todo.answer, page.todo.more)
    yield from page.todo.tasks
    for section in page.sections:
        yield section.heading
        for block in section.blocks:
            yield "".join(block.lines) if block.kind == "range" else "\n".join(block.lines)
    yield from (picture.caption for picture in page.pictures)
    contact = page.contact
    yield from (page.as_of, page.private, contact.mail, contact.phone, contact.hours)


def page_at(row: str, kind: str = "plain", now: int = NOW) -> Document:
    """The document of an order at a row."""
    return document(facts_at(row, kind), TELLER, now)
