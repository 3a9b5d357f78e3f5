"""Writing to a customer about an act: it is cancelled, on hold, made again, or a parcel's number
was put right."""

from sqlalchemy import Connection

from app.desk.longer import OwnLine, with_new_days
from app.flow import news_rows as news
from app.flow.store import mark_stale
from app.letters import previews, store
from app.letters.letter import Part
from app.letters.wording import CALLED, LetterWords
from app.orders.facts import told as tellings
from app.orders.facts.acts import BY_A_PERSON, OF_AN_ACT, touched
from app.orders.facts.gather import facts_of
from app.orders.facts.order import OrderFacts
from app.orders.facts.standing import decision
from app.shared.errors import AlreadyMoved, NotFound
from app.shared.people import Person
from app.shared.web.fields import Fields
from app.studio.workshop import InForce, Workshop


class LineFields(Fields):
    """What the person adds in their own words. May be left out."""

    line: OwnLine


def letter(
    facts: OrderFacts, part: Part, in_force: InForce, now: int, link: str | None
) -> LetterWords:
    """The letter as it would go now."""
    return previews.words_of([part], _as_told(facts, part.kind, in_force, now), in_force, now, link)


def _as_told(facts: OrderFacts, kind: str, in_force: InForce, now: int) -> OrderFacts:
    """A remake that moves the days given tells the new ones, as “it takes longer” does."""
    late = kind == "made_again" and decision(facts, in_force.calendar, now).tell_them
    return with_new_days(facts, in_force, now) if late else facts


def check_open(db: Connection, facts: OrderFacts, part: Part) -> None:
    """Raises NotFound for what is no act to write of, AlreadyMoved where it is over or told."""
    if part.kind not in BY_A_PERSON:
        raise NotFound("There is no such email.")
    if not touched(part.kind, part.round, facts):
        raise AlreadyMoved("That is no longer the case, so there is nothing to write about.")
    if (part.kind, part.round) in store.acts_told(db, facts.id):
        raise AlreadyMoved("They have been told already, or somebody decided not to tell them.")


def tell(workshop: Workshop, order_id: int, part: Part, who: Person) -> None:
    """A person's yes: the order's next letter tells it, unless the act is undone before it goes.

    Raises NotFound and AlreadyMoved as `check_open` does.
    """
    in_force, now = workshop.in_force(), workshop.now()
    with workshop.database.writing() as db:
        facts = facts_of(db, order_id, in_force, now)
        check_open(db, facts, part)
        said = _as_told(facts, part.kind, in_force, now)
        if said is not facts and said.shown is not None:
            tellings.tell(
                db, order_id, said.shown, channel="letter", account_id=who.account_id, now=now
            )
        # An act is named by its first entry, so that an undo of it takes this back.
        news.write(
            db, order_id, part.kind, now,
            round_=part.round, line=part.line,
            transition_id=part.round if part.kind in OF_AN_ACT else None,
        )  # fmt: skip
        store.note(db, who, now, order_id, 0, f"{CALLED[part.kind]} told")
        mark_stale(db, [order_id])
    workshop.changed.set()
