"""Whatever is typed into an order, only what is meant for the customer's page gets there."""

from hypothesis import example, given, settings
from hypothesis import strategies as st
from sqlalchemy import insert, select, update

from app.flow.actions import Wish, record
from app.flow.offers import offers as rules_offers
from app.flow.rules import Kind, Policy, Whose
from app.flow.steps import MoveKey
from app.flow.store import load
from app.publishing.pages_file import read_all
from app.publishing.worker import rewrite_stale, want_all
from app.shared.people import Role
from app.shared.tokens import token_hash
from app.studio.workshop import Workshop
from app.tables import (
    accounts,
    animals,
    contacts,
    copies,
    customer_mails,
    customers,
    marks,
    models,
    news,
    orders,
    parcels,
    photo_deliveries,
    questions,
    views_asked,
)
from tests.making import CAST, NOW, Wanted
from tests.publishing.orders import linked_order

# Columns whose words are meant for the page. Everything else of type text is given a canary.
PUBLIC = {
    animals: {"name", "kind", "sex", "life"},
    marks: {"what", "place", "side"},
    copies: {"inscription", "pose", "base", "finish", "extras"},
    models: {"limits"},
    views_asked: {"wish"},
    parcels: {"carrier", "number", "way"},
    questions: {"topic", "channel", "asked"},
}
KEPT = {
    "step", "letter", "number_key", "channel", "paid", "copy_deadline", "needed_by", "gift_day",
    "usual_first", "usual_last",
    "hold_look_on", "lapses_on", "kind", "way", "side", "sex", "life", "role", "language", "once",
    "mail_key", "name_key", "hold_whose", "gates", "before_step", "until_paid", "approves",
}  # fmt: skip


def canaries(db, table, made: list[str]) -> None:
    """Put a canary of its own into every text column that is not meant for the page."""
    public = PUBLIC.get(table, set()) | KEPT
    for column in table.c:
        if column.type.python_type is str and column.name not in public:
            # What looks like a first name stays one: a surname is what comes after it.
            word = f"zq{len(made)}canary"
            text = f"Vesna {word}" if table is accounts and column.name == "name" else word
            db.execute(update(table).values({column.name: text}))
            made.append(word)


def fill(workshop: Workshop, order, now: int) -> list[str]:
    made: list[str] = []
    with workshop.database.writing() as db:
        db.execute(
            insert(customer_mails).values(
                customer_id=order.customer_id, mail="a@b.example", mail_key="k", receives=1
            )
        )
        db.execute(
            insert(contacts).values(customer_id=order.customer_id, order_id=order.id, at=now)
        )
        db.execute(insert(photo_deliveries).values(order_id=order.id, told_at=now))
        db.execute(insert(marks).values(animal_id=order.animal_ids["A"], what="white blaze"))
        db.execute(
            insert(questions).values(order_id=order.id, topic="spelling", asked="x", asked_at=now)
        )
        parcel = db.execute(
            insert(parcels).values(carrier="Post", number="JA1", sent_at=now)
        ).inserted_primary_key[0]
        db.execute(update(copies).where(copies.c.order_id == order.id).values(parcel_id=parcel))
        for table in (
            accounts, animals, contacts, copies, customer_mails, customers, marks, models, orders,
            parcels, photo_deliveries, questions,
        ):  # fmt: skip
            canaries(db, table, made)
    return made


def wander(workshop: Workshop, order, choices: list[int], now: int) -> int:
    """Do some of what may be done to the order's pieces, with a canary as every reason."""
    refs = list(order.pieces.values())
    for choice in choices:
        with workshop.database.reading() as db:
            piece = load(db, refs[choice % len(refs)])
            studio = Policy(remembered=piece.remembered)
        # A copy begins with its model, never by itself.
        offered = rules_offers(piece.state, Role.OWNER, studio)
        possible = [offer for offer in offered if offer.key != MoveKey.BEGUN]
        if not possible:
            continue
        offer = possible[choice // len(refs) % len(possible)]
        now += 3_600
        wish = Wish(
            piece.ref, offer.kind, offer.key if offer.kind is Kind.MOVE else "",
            reason="zqreasoncanary", cause="zqcausecanary", whose=Whose.STUDIO,
            until=now + 7_200, look_on="2026-04-01",
            amount=7 if "parcel" in offer.needs else None,
        )  # fmt: skip
        record(workshop.database, [wish], CAST.owner, now)
    return now


@example(choices=[0, 0, 0, 180], gift=0, life="remembered")
@settings(max_examples=25)
@given(
    choices=st.lists(st.integers(0, 10_000), max_size=30),
    gift=st.integers(0, 1),
    life=st.sampled_from(["living", "remembered", "not_said"]),
)
def test_no_private_word_ever_reaches_a_page(
    workshop, choices: list[int], gift: int, life: str
) -> None:
    order, token = linked_order(workshop, Wanted(copies=2, life=life), Wanted("Otis"), gift=gift)
    made = fill(workshop, order, NOW)
    workshop.moment = wander(workshop, order, choices, NOW)
    want_all(workshop)
    rewrite_stale(workshop)
    row = {row.token_hash: row for row in read_all(workshop.folder.pages)}[token_hash(token)]
    assert len(made) > 30
    page = row.html.decode()
    assert "canary" not in page
    for person in CAST.everybody:
        assert person.name.split(" ")[1] not in page
    assert token not in page


def test_the_canaries_reach_what_they_are_meant_to_test(workshop) -> None:
    order, _ = linked_order(workshop)
    made = fill(workshop, order, NOW)
    with workshop.database.reading() as db:
        assert db.execute(select(customers.c.name)).scalar() in made
        assert db.execute(select(orders.c.ship_lines)).scalar() in made
        assert db.execute(select(questions.c.answer)).scalar() in made
        assert db.execute(select(news.c.id)).first() is None
