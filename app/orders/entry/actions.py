"""Taking an order in: customer, animals, marks, models, copies and link, in one transaction."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time

from sqlalchemy import Connection, func, insert, select, update

from app.flow import groups, payments
from app.flow import news_rows as news
from app.flow.actions import Entering, entering, new_version
from app.flow.approvals import requiring
from app.flow.approvals.rules import Approves
from app.flow.approvals.rules import usual as usual_approvals
from app.flow.changes import change_in, note
from app.flow.money import Paid
from app.flow.steps import PHOTO_STEPS, Of, Step
from app.flow.store import mark_stale
from app.flow.versions import in_pose, version_for
from app.orders.book import room, store
from app.orders.entry.form import AnimalDraft, CopyFields, Draft, OrderFields
from app.orders.entry.shape import LETTERS
from app.orders.entry.store import Known, by_mail, by_name
from app.orders.facts.sizes import usual
from app.orders.forecast.worker import chance_of_new
from app.orders.order import links
from app.orders.order.actions import animal_changed
from app.shared.errors import BadFields
from app.shared.people import Person, Role
from app.shared.text import fold
from app.shared.web import words
from app.studio.rules import StudioSettings
from app.studio.workshop import Workshop
from app.tables import (
    animals,
    contacts,
    customer_mails,
    customers,
    forecasts,
    marks,
    models,
    order_animals,
    orders,
    waiting_list,
)

_NOT_DIGIT = re.compile(r"\D")


@dataclass(frozen=True, slots=True)
class Taken:
    """An order that was taken in (or had been, when the form was sent twice)."""

    id: int
    number: int


class LooksKnown(Exception):
    """The email address or the name of somebody new is that of a customer, `known`: the same
    person? `by` says which of the two."""

    def __init__(self, known: Known, by: str) -> None:
        super().__init__(known.name)
        self.known, self.by = known, by


def take_in(
    workshop: Workshop, draft: Draft, who: Person, once: str, *,
    listed: int | None = None, why: str = "",
) -> Taken:  # fmt: skip
    """Save an order as typed; one of the waiting list, `listed` by its number, begins. A form that
    is sent twice makes one order.

    Raises BadFields where a customer or animal that the form names is not known any more, and
    LooksKnown where it has to be asked first who is meant; WeekFull where the week has no room for
    it, unless an owner says `why` it is taken on all the same.
    """
    now = workshop.now()
    with workshop.database.writing() as db:
        if (before := known(db, once)) is not None:
            return before
        waiting = store.the_listed(db, listed)
        if not draft.order.under_way:
            full = room.full(db, workshop.in_force(), now, draft.many, waiting)
            if full is not None and not (why and who.role is Role.OWNER):
                raise full
        taken = enter_order(db, workshop, draft, who, now, once, waiting=waiting)
        if not draft.order.under_way and full is not None:
            note(db, who.account_id, now, "orders", "over_limit", None, why, order_id=taken.id)
    workshop.changed.set()
    return taken


def known(db: Connection, once: str) -> Taken | None:
    """What a form that is sent again has made already."""
    row = db.execute(select(orders.c.id, orders.c.number).where(orders.c.once == once)).first()
    return Taken(row.id, row.number) if row is not None else None


def enter_order(
    db: Connection, workshop: Workshop, draft: Draft, who: Person, now: int, once: str | None,
    *, link: bool = True, waiting: store.Row | None = None,
) -> Taken:  # fmt: skip
    """Save an order inside an open transaction; without `link` it has no status page. One that has
    been `waiting` on the list begins now, under its number and with its link.

    Raises what `take_in` raises.
    """
    customer_id = customer_of(db, draft, now)
    taken = order_row(db, workshop, draft, customer_id, now, once, waiting=waiting)
    if not draft.order.under_way:
        needed = Paid(workshop.in_force().settings.starts_when)
        payments.ask(db, taken.id, needed, who, now)
    book = entering(db, who, now, imported=draft.order.under_way)
    lines = [
        _animal(db, workshop, book, taken.id, customer_id, letter, animal, draft, now)
        for letter, animal in zip(LETTERS, draft.animals, strict=False)
    ]
    for nth, line in enumerate(lines):
        _copies(db, workshop, book, taken.id, line, _beside(lines, nth), draft, now)
    if draft.order.approves is not None:
        # What is typed holds of a model that is ready, too.
        requiring.in_line(book.act, taken.id, draft.order.approves.topics)
    book.close()
    db.execute(insert(forecasts).values(order_id=taken.id, computed_at=now))
    if waiting is not None:
        at = waiting_list.c.order_id == taken.id
        db.execute(update(waiting_list).where(at).values(began_at=now, typed=""))
        mark_stale(db, [taken.id])
    elif link:
        links.make(db, workshop.folder.key, taken.id, who.account_id, now)
    if not draft.order.under_way:
        news.write(db, taken.id, "order_in", now)
        _chance(db, workshop, draft.order, customer_id, taken.id, who)
    return taken


def customer_of(db: Connection, draft: Draft, now: int) -> int:
    """The customer whom a form names, known already or written down now; raises BadFields and
    LooksKnown."""
    typed = draft.customer
    digits = _NOT_DIGIT.sub("", typed.phone)
    if typed.customer_id is not None:
        return _known_customer(db, typed.customer_id, draft, digits)
    if not typed.someone_else:
        if (known := by_mail(db, typed.mail)) is not None:
            raise LooksKnown(known, "email address")
        if (known := by_name(db, typed.name)) is not None:
            raise LooksKnown(known, "name")
    made = db.execute(
        insert(customers).values(
            name=typed.name,
            name_key=fold(typed.name),
            address_as=typed.address_as,
            phone=typed.phone,
            phone_digits=digits,
            made_at=now,
        )
    ).inserted_primary_key
    assert made is not None
    _mail(db, int(made[0]), typed.mail)
    return int(made[0])


def _known_customer(db: Connection, customer_id: int, draft: Draft, digits: str) -> int:
    typed = draft.customer
    row = db.execute(select(customers).where(customers.c.id == customer_id)).first()
    if row is None or row.joined_into_id is not None or row.erased_at is not None:
        raise BadFields({"name": "This customer's record is gone. Choose or type again."})
    if fold(typed.name) != row.name_key:
        raise BadFields(
            {"name": f"This is {row.name}'s record. “Not this customer” makes a new one."}
        )
    changed = {
        name: value
        for name, value in (
            ("address_as", typed.address_as),
            ("phone", typed.phone),
            ("phone_digits", digits),
        )
        if value and value != getattr(row, name)
    }
    if changed:
        db.execute(update(customers).where(customers.c.id == customer_id).values(**changed))
    _mail(db, customer_id, typed.mail)
    return customer_id


def _mail(db: Connection, customer_id: int, mail: str) -> None:
    """Add an address, or know it already; the first one receives."""
    if not mail:
        return
    own = customer_mails.c.customer_id == customer_id
    known = set(db.execute(select(customer_mails.c.mail_key).where(own)).scalars())
    if mail.casefold() not in known:
        db.execute(
            insert(customer_mails).values(
                customer_id=customer_id,
                mail=mail,
                mail_key=mail.casefold(),
                receives=int(not known),
            )
        )


def order_row(
    db: Connection, workshop: Workshop, draft: Draft, customer_id: int, now: int, once: str | None,
    *, open_: int = 1, waiting: store.Row | None = None,
) -> Taken:  # fmt: skip
    """The row of an order: a new one with the next number, or that of one that is `waiting`."""
    in_force = workshop.in_force()
    typed = draft.order
    number = _number(db, typed, in_force.settings.first_number)
    values = {"approves": _approves(draft, in_force.settings).stored, **typed.columns()}
    taken_at = now
    if typed.taken_on is not None and typed.taken_on != in_force.calendar.day_of(now):
        taken_at = in_force.calendar.start_of(typed.taken_on)
    values |= {
        "customer_id": customer_id, "taken_at": taken_at, "recorded_at": now, "once": once,
        "imported": int(typed.under_way), "open": open_,
    }  # fmt: skip
    if waiting is not None:
        db.execute(update(orders).where(orders.c.id == waiting["order_id"]).values(**values))
        return Taken(waiting["order_id"], waiting["number"])
    made = db.execute(insert(orders).values(number=number, **values)).inserted_primary_key
    assert made is not None
    return Taken(int(made[0]), number)


def _number(db: Connection, typed: OrderFields, first: int) -> int:
    """The order's number: the next one, or the one that it brings from before.

    Raises BadFields where another order has that.
    """
    brought = typed.own_number if typed.under_way else None
    if brought is None:
        last = db.execute(select(func.coalesce(func.max(orders.c.number), 0))).scalar_one()
        return max(int(last) + 1, first)
    taken = select(orders.c.id).where(orders.c.number == brought)
    if db.execute(taken).first() is not None:
        raise BadFields({"own_number": f"There is an order {brought} already."})
    return brought


def _approves(draft: Draft, settings: StudioSettings) -> Approves:
    """What the customer approves; of an order under way nothing, unless somebody says so."""
    typed = draft.order
    if typed.approves is not None or typed.under_way:
        return typed.approves or Approves.NOTHING
    drawn = [animal.fields for animal in draft.animals]
    return usual_approvals(
        Approves(settings.approves),
        remembered=any(animal.life == "remembered" for animal in drawn),
        model_known=all(animal.ready_model for animal in drawn),
    )


def _chance(
    db: Connection,
    workshop: Workshop,
    typed: OrderFields,
    customer_id: int,
    order_id: int,
    who: Person,
) -> None:
    """Keep how likely the needed day was when the order came, and whether the customer heard it."""
    if typed.needed_by is None:
        return
    said = chance_of_new(workshop, typed.needed_by, typed.ship_country)
    if not said:
        return
    now = workshop.now()
    today = workshop.in_force().calendar.day_of(now)
    asked = f"There by {words.day(typed.needed_by, today)}?"
    if not typed.chance_told:
        asked = f"{asked} Our estimate that day, not passed on: {said}"
    db.execute(
        insert(contacts).values(
            customer_id=customer_id,
            order_id=order_id,
            at=now,
            account_id=who.account_id,
            channel=typed.channel,
            asked=asked,
            told=said if typed.chance_told else "",
        )
    )


@dataclass(frozen=True, slots=True)
class _Line:
    """An animal of the order under its letter, with the versions of its model by pose, and whether
    each is ready. `pose` is the first copy's."""

    id: int
    letter: str
    typed: AnimalDraft
    versions: Mapping[str, tuple[int, bool]]
    pose: str


def _beside(lines: Sequence[_Line], nth: int) -> list[tuple[range, _Line]]:
    """The animals that stand on the bases of the nth one's copies, with these copies' numbers."""
    on = [(line.typed.beside, line) for line in lines]
    return [(where[1], line) for where, line in on if where is not None and where[0] == nth]


def _copies(
    db: Connection,
    workshop: Workshop,
    book: Entering,
    order_id: int,
    line: _Line,
    beside: Sequence[tuple[range, _Line]],
    whole: Draft,
    now: int,
) -> None:
    """The copies of an animal, with who stands on their bases."""
    for number, copy in enumerate(line.typed.copies, start=1):
        pose = copy.pose or line.pose
        model_id, ready = line.versions[pose]
        others = {
            other.id: other.versions[other.pose] for numbers, other in beside if number in numbers
        }
        ready = ready and all(theirs for _, theirs in others.values())
        first = _first_step(workshop, copy, ready, whole.order.under_way)
        values = {
            **copy.columns(), "order_id": order_id, "order_animal_id": line.id,
            "letter": line.letter, "number": number, "pose": pose, "model_id": model_id,
            "measured": copy.measured or usual(line.typed.fields.kind) or None,
            "spelling_confirmed_at": now if _confirmed(whole.order, copy) else None,
        }  # fmt: skip
        made = book.piece(Of.COPY, values, first, _since(workshop, copy.since, now))
        groups.put(db, made.id, {id_: model for id_, (model, _) in others.items()})


def _animal(
    db: Connection,
    workshop: Workshop,
    book: Entering,
    order_id: int,
    customer_id: int,
    letter: str,
    draft: AnimalDraft,
    whole: Draft,
    now: int,
) -> _Line:
    typed = draft.fields
    animal_id = _animal_row(db, customer_id, draft, book.act.who, now)
    _marks(db, animal_id, typed.marks)
    poses = _poses(draft)
    known = _ready_model(db, animal_id) if typed.ready_model and typed.animal_id else None
    at = _since(workshop, typed.since, now)
    of, first = (order_id, letter), known
    if first is None:
        first = _new_model(book, draft, of, animal_id, whole.order.under_way, at)
    stands = known is None or whole.order.under_way
    versions = {pose: _version(book, first, of, pose, at, as_it_stands=stands) for pose in poses}
    made = db.execute(
        insert(order_animals).values(
            order_id=order_id, letter=letter, animal_id=animal_id, model_id=versions[poses[0]][0]
        )
    ).inserted_primary_key
    assert made is not None
    return _Line(int(made[0]), letter, draft, versions, poses[0])


def _poses(draft: AnimalDraft) -> list[str]:
    """The poses of an animal's copies, the first copy's first; one that names none has that."""
    named = list(dict.fromkeys(copy.pose for copy in draft.copies if copy.pose))
    return named or [""]


def _new_model(
    book: Entering, draft: AnimalDraft, of: tuple[int, str], animal_id: int, under_way: bool,
    at: int,
) -> int:  # fmt: skip
    """A model of an animal, at its photos or where it stands already."""
    typed = draft.fields
    step = typed.step if under_way and typed.step else Step.PHOTOS_WANTED
    pose = _poses(draft)[0] or None
    values: dict[str, object] = {
        "animal_id": animal_id, "order_id": of[0], "letter": of[1], "pictures": typed.pictures,
        "pose": None if step in PHOTO_STEPS else pose,
    }  # fmt: skip
    return book.piece(Of.MODEL, values, step, at).id


def _version(
    book: Entering, model_id: int, of: tuple[int, str], pose: str, at: int, *, as_it_stands: bool
) -> tuple[int, bool]:
    """The version of a model in a pose, and whether it is ready; `as_it_stands` lets a new one in
    where the model itself is, of an order under way."""
    db = book.act.db
    found = in_pose(db, model_id, pose)
    if found is None and as_it_stands:
        old = db.execute(select(models).where(models.c.id == model_id)).mappings().one()
        new_version(book.act, old, of, pose, at, step=Step(old["step"]))
    version = version_for(book.act, model_id, of, pose, at)
    step = db.execute(select(models.c.step).where(models.c.id == version)).scalar_one()
    return version, step == Step.READY


def _animal_row(db: Connection, customer_id: int, draft: AnimalDraft, who: Person, now: int) -> int:
    typed = draft.fields
    if typed.animal_id is not None:
        known = db.execute(select(animals).where(animals.c.id == typed.animal_id)).first()
        if known is None:
            raise BadFields({"": "An animal on this form is no longer here. Type it again."})
        # Another name over a known animal's is another animal.
        if known.name_key == fold(typed.name):
            new = {
                name: value
                for name, value in typed.columns().items()
                if name != "name" and value not in ("", "not_said", getattr(known, name))
            }
            if new:
                change_in(db, animals, typed.animal_id, None, new, who, now)
                animal_changed(db, typed.animal_id)
            return typed.animal_id
    made = db.execute(
        insert(animals).values(customer_id=customer_id, **typed.columns())
    ).inserted_primary_key
    assert made is not None
    return int(made[0])


_SIDES = ("left", "right", "both")
_NO_SIDE = re.compile(r"[,\s(]*\bno side\b\)?", re.IGNORECASE)


def _marks(db: Connection, animal_id: int, typed: str) -> None:
    """Marks as the customer says them, but for those that are known."""
    known = set(db.execute(select(marks.c.what).where(marks.c.animal_id == animal_id)).scalars())
    for what, side in marks_said(typed):
        if what not in known:
            db.execute(insert(marks).values(animal_id=animal_id, what=what, side=side))


def marks_said(typed: str) -> Iterator[tuple[str, str]]:
    """Marks as somebody types them, and the side of each: one a line, or set apart by semicolons.

    A mark that says left or right is taken at its word, and one that says "no side" has none;
    where it says nothing, the side is still to be asked, because some phones mirror their pictures.
    """
    for part in re.split(r"[;\n]", typed):
        what = _NO_SIDE.sub("", part).strip()
        if not what:
            continue
        said = [side for side in _SIDES if re.search(rf"\b{side}\b", what.lower())]
        side = said[0] if len(said) == 1 else "not_asked"
        yield what[:200], "none" if _NO_SIDE.search(part) else side


def _ready_model(db: Connection, animal_id: int) -> int | None:
    """The animal's newest model that is ready or on its way."""
    query = (
        select(models.c.id)
        .where(models.c.animal_id == animal_id, models.c.step != str(Step.CANCELLED))
        .order_by((models.c.step == str(Step.READY)).desc(), models.c.id.desc())
        .limit(1)
    )
    return db.execute(query).scalar()


def _confirmed(order: OrderFields, copy: CopyFields) -> bool:
    """Whether a copy came with an inscription that the customer has confirmed."""
    return order.under_way and order.spelling_confirmed and bool(copy.inscription)


def _since(workshop: Workshop, since: date | None, now: int) -> int:
    """The moment from which a piece under way counts: noon of its day, or now."""
    if since is None:
        return now
    return min(now, workshop.in_force().calendar.moment(since, time(12)))


def _first_step(workshop: Workshop, copy: CopyFields, ready: bool, under_way: bool) -> Step:
    if under_way and copy.step is not None:
        return copy.step
    if not ready:
        return Step.NOT_BEGUN
    return Step.BLANK if workshop.in_force().settings.blank_on else Step.SHAPING
