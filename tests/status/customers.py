"""Every sentence that a customer can read, composed from states, tones and numbers.

The same program composes the same text: nothing here looks at a clock or a database.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from itertools import product
from pathlib import Path
from typing import Any

from app.desk.answers import answers
from app.flow.approvals.rules import BEFORE, MODEL_APPROVAL, PAINT_APPROVAL
from app.flow.money import Paid
from app.flow.steps import Step
from app.letters import previews, wording
from app.letters.letter import Part, WordedLetter
from app.letters.rules import KINDS as LETTERS
from app.letters.sentences import letter_of
from app.orders.facts.order import (
    ASKED,
    NOT_SHOWN,
    CopyFacts,
    OrderFacts,
    ParcelFacts,
    QuestionFacts,
    ViewFacts,
    WaitFacts,
)
from app.orders.facts.ranges import FROM_OUR_WEEKS, TOLD_BY_A_PERSON, Shown, Span, ToldRange
from app.photos.check.wording import ADVICE, BY_EYE
from app.shared.carriers import Journey
from app.status import site
from app.status.document import Document, Section
from app.status.picture_words import CaptionedPicture
from app.status.voice import Days
from app.status.wording import document
from tests.making import DAY, HOUR, NOW
from tests.status.rows import (
    HAND,
    KINDS,
    LONDON,
    NOT_BEGUN,
    PASSED,
    RANGE,
    ROWS,
    TELLER,
    animal,
    copy,
    in_tone,
    order,
    pair,
)
from tests.status.rows_after import after_rows

APPROVED = Path(__file__).parent / "approved" / "customers.txt"
_SENTENCE = re.compile(r"(?<=[^0-9]\.) (?=[A-Z])|\n+")
_LINK = "https://pages.saltmarsh-bench.example/LINK/"
_SAMPLE = {
    "more": 24, "count": 31, "core": 19, "bad": 4, "arc": 120, "gap": 70, "side": 800,
    "first": "IMG_0012", "second": "IMG_0019",
}  # fmt: skip


def _more_rows() -> dict[str, OrderFacts]:
    """States that the rows of tests.status.rows leave out."""
    counted = {"counted_at": NOW - DAY, "pictures": 82, "copies": NOT_BEGUN}
    paused = {"by": "Ines"}
    held = {"hold_look_on": date(2026, 3, 18), "act": 31}
    for_them = {"hold_whose": "customer", "act": 31}
    moved = ToldRange(NOW, RANGE.from_day, RANGE.to_day, None, RANGE.basis, 4, date(2026, 4, 2))

    def model(**more: object) -> OrderFacts:
        return order(animal(Step.FINISHING, 9, copies=NOT_BEGUN, **PASSED | more), shown=RANGE)

    def made(*copies: CopyFacts, **more: object) -> OrderFacts:
        return order(animal(Step.READY, 8, copies=copies, **PASSED), shown=RANGE, **more)

    def wanted(*views: str, **more: object) -> OrderFacts:
        asked = tuple(ViewFacts(n, wish) for n, wish in enumerate(views, 1))
        values = {"attempts": 1, "views": asked, **counted, **more}
        return order(animal(Step.PHOTOS_WANTED, 1, **values))

    def unpaid(needed: Paid) -> QuestionFacts:
        return QuestionFacts("payment", True, NOW - DAY, "other", unpaid=needed)

    asked = QuestionFacts("colour", False, None, "letter", "A", 4, "Which eye is the blue one?")
    return {
        "photos told today": order(
            animal(Step.PHOTOS_WANTED, told_at=NOW - HOUR, copies=NOT_BEGUN)
        ),
        "views told": wanted("From behind", told_at=NOW - DAY, told_files=6),
        "a whole round again": wanted("The whole round again, outdoors"),
        "a second set counted": order(animal(Step.PHOTOS_IN, 1, attempts=1, **counted)),
        "assessing waits": order(animal(Step.ASSESSING, 1, came_by="build_finished", **counted)),
        "assessing without a build": order(animal(Step.ASSESSING, 1, **HAND, **counted)),
        "photos held": order(animal(Step.PHOTOS_IN, 1, hold_whose="studio", **held, **counted)),
        "finishing since this morning": model(**HAND | {"hand_since": NOW - HOUR}),
        "finishing paused": model(**paused),
        "made without a build": model(outcome="by_eye"),
        "gaps not agreed": model(outcome="limits", limits="the far ear"),
        "finishing held": model(hold_whose="supplier", **held),
        "earlier model": model(passed_at=NOW - 90 * DAY),
        "shaping paused": made(copy(Step.SHAPING, **paused), copy(Step.SHAPING, number=2)),
        "painting paused": made(copy(Step.PAINTING, **paused)),
        "painting waits": made(copy(Step.PAINTING, number=2), copy(Step.SHAPING)),
        "checking": made(copy(Step.INSPECTION, **HAND)),
        "not shown yet": made(copy(Step.BLANK, answer=NOT_SHOWN)),
        "shown": made(
            copy(Step.BLANK, answer=ASKED),
            questions=(
                QuestionFacts("model approval", True, NOW - DAY, "letter", "A", 5, "Is this him?"),
            ),
        ),
        "paint shown": made(
            copy(Step.INSPECTION, answer=ASKED), copy(Step.INSPECTION, number=2, answer=NOT_SHOWN)
        ),
        "packing": made(copy(Step.PACKING, **HAND)),
        "packed next": made(copy(Step.PACKING), ship_part=True),
        "three copies": made(*(copy(Step.BLANK, number=n) for n in (1, 2, 3))),
        "held for the customer": made(copy(Step.PAINTING, **for_them)),
        "one copy held": made(copy(Step.PAINTING, **for_them), copy(Step.PAINTING, number=2)),
        "all held": made(copy(Step.PAINTING, **for_them), copy(Step.SHAPING, number=2, **for_them)),
        "a copy cancelled": made(copy(Step.PAINTING), copy(Step.CANCELLED, number=2, act=32)),
        "an animal cancelled": order(
            animal(Step.READY, 8, copies=(copy(Step.SHAPING),), **PASSED),
            animal(
                Step.CANCELLED,
                letter="B",
                name="Otis",
                kind="tortoise",
                sex="not_said",
                act=32,
                copies=(copy(Step.CANCELLED, letter="B", act=32),),
            ),
            shown=RANGE,
        ),
        "a remake that moves the dates": made(copy(Step.BLANK, remade_by=33), told=moved),
        "a remake, before new dates are worked out": made(
            copy(Step.BLANK, remade_by=33), told=replace(moved, at=NOW - 4 * DAY)
        ),
        "held by the studio": made(copy(Step.PAINTING, hold_whose="studio", **held)),
        "unread inscription at packing": made(
            copy(Step.PACKING, inscription="JUNIPER", spelling_confirmed=False)
        ),
        "two inscriptions": made(
            copy(Step.BLANK, inscription="JUNIPER", spelling_confirmed=False),
            copy(Step.BLANK, number=2, inscription="JUNI", spelling_confirmed=False),
        ),
        "both to approve": replace(model(), to_approve=frozenset(BEFORE)),
        "the paint to approve": made(copy(Step.PAINTING), to_approve=frozenset({PAINT_APPROVAL})),
        "no to the model": replace(
            model(),
            to_approve=frozenset(BEFORE),
            to_redo=(QuestionFacts(MODEL_APPROVAL, False, None, "letter", "A"),),
        ),
        "no to the painting": made(
            copy(Step.PAINTING),
            to_approve=frozenset({PAINT_APPROVAL}),
            to_redo=(QuestionFacts(PAINT_APPROVAL, False, None, "letter", "A"),),
        ),
        "a question being written": made(copy(Step.SHAPING), questions=(asked,)),
        "questions by phone": made(
            copy(Step.SHAPING),
            questions=tuple(
                replace(asked, topic=topic, asked_at=NOW - HOUR, channel="phone")
                for topic in ("address", "customs", "approval", "pose", "size", "other")
            ),
        ),
        "the deposit before the photos": order(
            animal(Step.PHOTOS_WANTED, copies=NOT_BEGUN), questions=(unpaid(Paid.PART),)
        ),
        "the deposit before the build": order(
            animal(Step.PHOTOS_IN, 1, unpaid=Paid.PART, **counted), questions=(unpaid(Paid.PART),)
        ),
        "the payment before the blank": made(
            copy(Step.BLANK, unpaid=Paid.ALL), questions=(unpaid(Paid.ALL),)
        ),
        "a payment taken back": replace(model(unpaid=Paid.ALL), questions=(unpaid(Paid.ALL),)),
        "working out the dates": replace(made(copy(Step.SHAPING)), shown=None),
        "dates on a word": replace(
            made(copy(Step.SHAPING)), shown=replace(RANGE, basis=TOLD_BY_A_PERSON)
        ),
        "dates partly from the trade": replace(
            made(copy(Step.SHAPING)),
            shown=replace(RANGE, basis="partly from what is usual in the trade"),
        ),
        "dates from our usual weeks": replace(
            made(copy(Step.SHAPING)), shown=replace(RANGE, basis="from our usual weeks")
        ),
        "dates partly from our usual weeks": replace(
            made(copy(Step.SHAPING)), shown=replace(RANGE, basis="partly from our usual weeks")
        ),
        "weeks that are our usual ones": replace(
            ROWS["order in"], weeks=Span(42.0, 70.0, FROM_OUR_WEEKS)
        ),
        "dates that have begun": replace(
            made(copy(Step.SHAPING)),
            shown=Shown(date(2026, 3, 2), date(2026, 4, 20), None, RANGE.basis),
        ),
        "asked for a later day": made(copy(Step.SHAPING), needed_by=date(2026, 5, 1)),
        "asked for a day that has passed": made(copy(Step.SHAPING), needed_by=date(2026, 2, 27)),
        "asked for the last day": made(copy(Step.SHAPING), needed_by=RANGE.to_day),
        "asked for a near day": replace(ROWS["order in"], needed_by=date(2026, 3, 20)),
        "asked for a day with time for the journey": made(
            copy(Step.SHAPING), needed_by=date(2026, 5, 1), journey=Journey(2, 4)
        ),
        "asked for a day too near for the journey": made(
            copy(Step.SHAPING), needed_by=date(2026, 4, 22), journey=Journey(2, 4)
        ),
        "asked for a near day abroad": replace(
            ROWS["order in"], needed_by=date(2026, 4, 9), journey=Journey(5, 9, working=False)
        ),
        "on the waiting list": _listed(date(2026, 3, 30)),
        "on the waiting list, with a day": _listed(date(2026, 3, 30), needed_by=date(2026, 9, 1)),
        "on the waiting list, with a near day": _listed(
            date(2026, 3, 30), needed_by=date(2026, 4, 24)
        ),
        "on the waiting list, its week over": _listed(date(2026, 2, 16)),
        "told another week": _listed(date(2026, 4, 6), round=2),
        "off the waiting list": _listed(date(2026, 3, 30), off=True),
        "taken on from the waiting list": replace(ROWS["order in"], waited_since=NOW - 40 * DAY),
        **_groups(),
        "on its way": _under_way((date(2026, 3, 5), date(2026, 3, 9))),
        "on its way into the next month": _under_way((date(2026, 3, 30), date(2026, 4, 2))),
        "on its way until a day": _under_way((date(2026, 3, 6), date(2026, 3, 6))),
        "later than usual": _under_way((date(2026, 2, 27), date(2026, 3, 3))),
        "received, with a day for claims": order(
            animal(Step.READY, 8, copies=(copy(Step.RECEIVED, 1, parcel_id=1),), **PASSED),
            parcels=(replace(_FOLLOWED, received_at=NOW - DAY, claim_by=date(2026, 3, 23)),),
            open=False,
        ),
        "collected": _parcel("collected"),
        "brought": _parcel("brought"),
    }


def _listed(begins: date, needed_by: date | None = None, **more: Any) -> OrderFacts:
    waits = WaitFacts(NOW - 9 * DAY, begins, **more)
    return replace(ROWS["order in"], open=False, waits=waits, needed_by=needed_by)


def _groups() -> dict[str, OrderFacts]:
    """Two dogs on one base, from the models to the parcel."""
    waits, ready, one = copy(Step.NOT_BEGUN), Step.READY, "inscription"
    gone = {"parcels": (ParcelFacts(1, "carrier", "Post", "JA473124829GB", NOW - DAY),)}
    return {
        "a group, both at finishing": pair(Step.FINISHING, Step.FINISHING, waits, shown=RANGE),
        "a group, the second ready": pair(Step.FINISHING, ready, waits, shown=RANGE),
        "a group, the first ready": pair(ready, Step.FINISHING, waits, shown=RANGE),
        "a group at the blank": pair(ready, ready, copy(Step.BLANK), shown=RANGE),
        "a group at painting": pair(ready, ready, copy(Step.PAINTING, **HAND), shown=RANGE),
        "a group, one of them remembered": pair(
            ready, ready, copy(Step.SHAPING), "remembered", shown=RANGE
        ),
        "a group at packing": pair(
            ready, ready, copy(Step.PACKING, spelling_confirmed=False, **{one: "BRACKEN & THISTLE"}),
            shown=RANGE,
        ),
        "a group made again": pair(ready, ready, copy(Step.BLANK, remade_by=33), shown=RANGE),
        "a group held": pair(
            ready, ready, copy(Step.PAINTING, hold_whose="studio", act=31), shown=RANGE
        ),
        "a group sent": pair(ready, ready, copy(Step.HANDED_OVER, 1, parcel_id=1), **gone),
    }  # fmt: skip


_FOLLOWED = ParcelFacts(
    1, "carrier", "Tern Parcels", "TE1234567890", NOW - DAY,
    link="https://track.ternparcels.example/find?number=TE1234567890",
)  # fmt: skip


def _under_way(usual: tuple[date, date]) -> OrderFacts:
    gone = copy(Step.HANDED_OVER, 1, parcel_id=1)
    parcels = (replace(_FOLLOWED, usual=usual),)
    return order(animal(Step.READY, 8, copies=(gone,), **PASSED), parcels=parcels, shown=RANGE)


def _parcel(way: str) -> OrderFacts:
    parcel = ParcelFacts(1, way, "", "", NOW - DAY)
    gone = copy(Step.HANDED_OVER, 1, parcel_id=1)
    return order(animal(Step.READY, 8, copies=(gone,), **PASSED), parcels=(parcel,), shown=RANGE)


def _numbers(row: str, facts: OrderFacts) -> Iterator[tuple[str, OrderFacts]]:
    """The order as it is, with one copy of its animal, and with a second animal."""
    yield row, facts
    if len(facts.animals) > 1:
        return
    [one] = facts.animals
    if len(one.copies) > 1:
        yield f"{row}, one copy", replace(facts, animals=(replace(one, copies=one.copies[:1]),))
    copies = tuple(replace(c, letter="B") for c in one.copies)
    other = replace(one, letter="B", name="Otis", kind="tortoise", sex="not_said", copies=copies)
    yield f"{row}, several animals", replace(facts, animals=(one, other))


@dataclass(slots=True)
class _Text:
    """Lines under headings; what was said already under the same tone is not said again."""

    lines: list[str] = field(default_factory=list)
    said: set[str] = field(default_factory=set)

    def head(self, mark: str, heading: str) -> None:
        self.lines += ["", f"{mark} {heading}"]

    def add(self, heading: str, found: Iterator[str] | Sequence[str]) -> None:
        # The same of the other animal says nothing new.
        known = {line.replace("Otis", "Juniper"): line for line in found if line}
        new = [line for alike, line in known.items() if alike not in self.said]
        if new:
            self.head("###", heading)
            self.lines += new
            self.said.update(known)


def _of_sections(sections: Sequence[Section]) -> Iterator[str]:
    for section in sections:
        yield f"[{section.heading}]" if section.heading else ""
        for block in section.blocks:
            if block.kind == "range":
                yield "".join(block.lines)
            elif block.kind in ("points", "steps"):
                yield from (f"- {line}" for line in block.lines)
            else:
                yield from block.lines


def _of_page(page: Document) -> Iterator[str]:
    yield f"[{page.title}] {page.heading}"
    yield f"{page.todo.answer} {page.todo.more}".strip()
    yield from (f"- {task}" for task in page.todo.tasks)
    yield from _of_sections(page.sections)
    yield from (picture.caption for picture in page.pictures)
    yield f"{page.as_of} {page.private}"


def _letters(kind: str, facts: OrderFacts) -> Iterator[tuple[WordedLetter, str]]:
    """A kind of email as if the order stood there; two may also go when it has moved on."""
    forms = [previews.as_if(kind, facts, NOW)]
    if kind in ("order_in", "running_later"):
        forms.append((Part(kind), facts))
    for part, there in forms:
        if there.alive or kind == "cancelled":
            yield letter_of([part], there, TELLER, NOW), wording.subject([part], there)


def compose() -> str:
    """The whole text, one sentence or paragraph a line, under headings."""
    text = _Text()
    rows = [
        case
        for row, facts in {**ROWS, **_more_rows(), **after_rows()}.items()
        for case in _numbers(row, facts)
    ]
    for tone in KINDS:
        # What a gift says beyond a plain order is enough; of the remembered everything is shown.
        if tone == "remembered":
            text.said.clear()
        cases = [(name, in_tone(facts, tone)) for name, facts in rows]
        text.head("#", tone)
        _pages(text, tone, cases)
        _emails(text, tone, cases)
        _ready_texts(text, tone, cases)
        _others(text, tone)
    return "\n".join(text.lines).lstrip() + "\n"


def _pages(text: _Text, tone: str, cases: Sequence[tuple[str, OrderFacts]]) -> None:
    text.head("##", f"{tone}: page")
    for name, facts in cases:
        text.add(name, _of_page(document(facts, TELLER, NOW)))
    later = NOW + 20 * DAY
    text.add("20 days after", _of_page(document(in_tone(ROWS["received"], tone), TELLER, later)))
    closed = frozenset(LONDON.day_of(NOW) + timedelta(days=n) for n in (20, 21, 22))
    teller = replace(TELLER, calendar=replace(LONDON, closed=closed))
    text.add("closed days", _of_page(document(in_tone(ROWS["blank"], tone), teller, NOW)))
    for shows, by in product(("model", "painting"), ("Ines", "")):
        shown = CaptionedPicture("Juniper", shows, by, NOW - DAY, 800, 600, tone == "remembered")
        page = document(in_tone(ROWS["blank"], tone), TELLER, NOW, [shown])
        text.add(f"picture of the {shows}", _of_page(page))


def _emails(text: _Text, tone: str, cases: Sequence[tuple[str, OrderFacts]]) -> None:
    text.head("##", f"{tone}: email")
    for kind in LETTERS:
        for name, facts in cases:
            for letter, subject in _letters(kind, facts):
                text.add(f"{kind}: {name}", [f"Subject: {subject}", *_of_sections(letter.sections)])
    letter, _ = next(_letters("question", cases[0][1]))
    bare = replace(letter, sections=())
    text.add("frame", wording.words_of(bare, "", _LINK).text.splitlines())


def _ready_texts(text: _Text, tone: str, cases: Sequence[tuple[str, OrderFacts]]) -> None:
    text.head("##", f"{tone}: ready text")
    for name, facts in cases:
        for answer in answers(facts, Days(LONDON, NOW), _LINK):
            found = _SENTENCE.split(answer.text)
            text.add(f"{answer.question} {name}", found)


def _others(text: _Text, tone: str) -> None:
    if tone == "gift":
        return
    text.head("##", f"{tone}: advice on photos")
    said = BY_EYE if tone == "remembered" else ADVICE
    for code, line in said.items():
        text.add(code, [line.format_map(_SAMPLE)])
    if tone == "plain":
        text.add("no page", [site.NOT_FOUND.strip(), site.NOT_NOW.strip()])
