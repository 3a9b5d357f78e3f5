"""A staff site with the benches alone, and a house full of pieces to look at.

The person comes from a header instead of a session: who may do what at the door is tested there.
"""

import asyncio
import random
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path

import httpx
from fastapi import Depends, FastAPI, Request
from sqlalchemy import insert, text, update
from starlette.staticfiles import StaticFiles

from app.flow.actions import Wish, entering, record
from app.flow.rules import Kind
from app.flow.steps import MAKING_STEPS, PHOTO_STEPS, Of, Step
from app.flow.store import Ref
from app.orders.benches import pages as benches_pages
from app.orders.benches import store as benches_store
from app.orders.order import undo_pages as moves_pages
from app.shared.database import Database
from app.shared.people import Person
from app.shared.places import DataFolder, shipped
from app.shared.web import refusals
from app.shared.web.headers import Guard
from app.shared.web.templating import environment
from app.staff import gate
from app.studio.workshop import Workshop
from app.tables import animals, customers, models, order_animals, orders, questions
from tests.making import CAST, DAY, HOUR, NOW

ORIGIN = "http://testserver"


class TestShop(Workshop):
    """A workshop whose clock stands where the test puts it."""

    __test__ = False
    at = NOW

    def now(self) -> int:
        return self.at


def open_shop(folder: Path) -> TestShop:
    """A workshop over a folder that holds a migrated studio.db."""
    data = DataFolder(folder)
    data.prepare()
    return TestShop(data)


def site(workshop: Workshop) -> Guard:
    """The benches' own routes behind the house's guard; `x-person` names who asks."""
    people = {str(person.account_id): person for person in CAST.everybody}

    async def door(request: Request) -> None:
        person = people[request.headers.get("x-person", "5")]
        request.state.person = person
        request.state.may = lambda name: gate.may(person.role, name)
        with workshop.database.reading() as db:
            request.state.version = benches_store.version(db)
        request.state.studio = workshop.in_force
        request.state.banners = list

    app = FastAPI(dependencies=[Depends(door)])
    app.state.workshop = workshop
    app.state.templates = environment()
    app.include_router(benches_pages.router)
    app.include_router(moves_pages.router)
    app.mount("/static", StaticFiles(directory=shipped("static")))
    refusals.install(app)
    return Guard(app, hosts=None, referrer="same-origin")


class Browser:
    """Asks a site as one person would: `get`, and `post` of a form."""

    def __init__(self, app: Guard, who: Person = CAST.painter, *, htmx: bool = False) -> None:
        self.app = app
        self.headers = {"origin": ORIGIN, "x-person": str(who.account_id)}
        if htmx:
            self.headers["hx-request"] = "true"

    def get(self, address: str) -> httpx.Response:
        return self._ask(lambda client: client.get(address))

    def post(
        self, address: str, form: Mapping[str, str | list[str]], *, follow: bool = False
    ) -> httpx.Response:
        return self._ask(lambda client: client.post(address, data=form, follow_redirects=follow))

    def _ask(self, ask: Callable[[httpx.AsyncClient], Awaitable[httpx.Response]]) -> httpx.Response:
        async def run() -> httpx.Response:
            transport = httpx.ASGITransport(app=self.app)
            async with httpx.AsyncClient(
                transport=transport, base_url=ORIGIN, headers=self.headers
            ) as client:
                return await ask(client)

        return asyncio.run(run())


NAMES = (
    ("Juniper", "Arab mare"), ("Otis", "old lurcher"), ("Biscuit", "pygmy goat"),
    ("Marlow", "grey parrot"), ("Sorrel", "Exmoor pony"), ("Pepper", "border terrier"),
    ("Hettie", "donkey"), ("Admiral", "tortoise"), ("Fern", "whippet"), ("Clover", "Jersey cow"),
    ("Rufus", "red setter"), ("Wilhelmina", "Shetland pony"), ("Bramble", "pygmy goat"),
    ("Captain", "cockatiel"), ("Tansy", "Welsh cob"), ("Mossop", "basset hound"),
)  # fmt: skip
_MODEL_AT = (*PHOTO_STEPS, Step.FINISHING)


def fill(
    database: Database, pieces: int, *, seed: int = 7, now: int = NOW, first_number: int = 1101
) -> None:
    """Put orders into a house until about `pieces` stand on its benches, in every situation."""
    dice = random.Random(seed)
    standing = 0
    with database.writing() as db:
        customer = db.execute(
            insert(customers).values(name="Imre Castellan", name_key="imre castellan", made_at=now)
        ).inserted_primary_key[0]
        book = entering(db, CAST.desk, now - 5 * HOUR)
        number = first_number - 1
        while standing < pieces:
            number += 1
            standing += _order(db, book, dice, int(customer), number, now, pieces - standing)
        book.close()
    _busy(database, dice, now)


def _order(db, book, dice, customer: int, number: int, now: int, room: int) -> int:
    """One order of one to three animals; gives how many pieces it puts on benches."""
    begun = now - dice.randint(2, 40) * DAY
    needed = dice.random() < 0.2
    gift = dice.random() < 0.15
    order = db.execute(
        insert(orders).values(
            number=number,
            customer_id=customer,
            taken_at=begun,
            recorded_at=begun,
            gift=int(gift),
            gift_day="2026-04-12" if gift and dice.random() < 0.7 else None,
            needed_by=f"2026-04-{dice.randint(10, 28)}" if needed else None,
        )
    ).inserted_primary_key[0]
    standing = 0
    for letter in "ABC"[: min(room, 1 + (dice.random() < 0.25) + (dice.random() < 0.1))]:
        name, kind = dice.choice(NAMES)
        animal = db.execute(
            insert(animals).values(
                customer_id=customer,
                name=name,
                name_key=name.casefold(),
                kind=kind,
                life="remembered" if dice.random() < 0.15 else "living",
            )
        ).inserted_primary_key[0]
        making = dice.random() < 0.6
        step = Step.READY if making else dice.choice(_MODEL_AT)
        at = now - int(dice.expovariate(1 / 5) * DAY) - 6 * HOUR
        model = book.piece(
            Of.MODEL,
            {"animal_id": animal, "order_id": order, "letter": letter,
             "pictures": dice.randint(12, 40)},
            step, at, accepted=begun + DAY,
        )  # fmt: skip
        in_order = db.execute(
            insert(order_animals).values(
                order_id=order, letter=letter, animal_id=animal, model_id=model.id
            )
        ).inserted_primary_key[0]
        standing += not making
        for copy in range(1, (5 if dice.random() < 0.04 else 1 + (dice.random() < 0.3)) + 1):
            first = dice.choice(MAKING_STEPS) if making else Step.NOT_BEGUN
            if copy > 2:
                first = Step.SHAPING
            if making and standing >= room:
                break
            book.piece(
                Of.COPY,
                {"order_id": order, "order_animal_id": in_order, "model_id": model.id,
                 "letter": letter, "number": copy},
                first, at,
            )  # fmt: skip
            standing += making
    return standing


def _busy(database: Database, dice: random.Random, now: int) -> None:
    """Hands, drying, holds, questions and rework, through the real action."""
    with database.reading() as db:
        hands = db.execute(
            text(
                "SELECT 'copy', id, order_id FROM copies WHERE open = 1 AND version = 1 AND step IN"
                " ('shaping', 'painting', 'inspection', 'packing')"
                " UNION ALL SELECT 'model', id, order_id FROM models WHERE open = 1 AND version = 1"
                " AND step IN ('assessing', 'finishing')"
            )
        ).all()
    for of, id_, order in hands:
        piece, luck = Ref(Of(of), id_), dice.random()
        who = dice.choice((CAST.finisher, CAST.shaper, CAST.painter))
        if luck < 0.25:
            record(database, [Wish(piece, Kind.START)], who, now - 2 * HOUR)
        elif luck < 0.33:
            until = now + dice.choice((-1, 3, 23)) * HOUR
            wish = Wish(piece, Kind.ASIDE, until=until, reason="drying", happened_at=now - 3 * HOUR)
            record(database, [wish], who, now)
        elif luck < 0.36:
            wish = Wish(piece, Kind.HOLD, reason="the oak is late", whose="supplier",
                        look_on="2026-03-20")  # fmt: skip
            record(database, [wish], CAST.desk, now - HOUR)
        elif luck < 0.41:
            ask(database, piece, int(order), "the yellow of the shell", now - 2 * DAY)
        elif luck < 0.45 and of == "copy":
            wish = Wish(piece, Kind.FINDING, reason="a scratch on the hoof")
            record(database, [wish], CAST.shaper, now - HOUR)


def ask(database: Database, ref, order: int, topic: str, at: int) -> None:
    """A question to the customer about one piece."""
    with database.writing() as db:
        question = db.execute(
            insert(questions).values(
                order_id=order,
                topic=topic,
                asked="Which one is it?",
                asked_at=at,
                **{f"{ref.of}_id": ref.id},
            )
        ).inserted_primary_key[0]
    record(database, [Wish(ref, Kind.ASK, question_id=int(question))], CAST.desk, NOW)


def set_order(database: Database, order: int, **values: object) -> None:
    """Change columns of an order."""
    with database.writing() as db:
        db.execute(update(orders).where(orders.c.id == order).values(**values))


def set_models(database: Database, **values: object) -> None:
    """Change columns of every model."""
    with database.writing() as db:
        db.execute(update(models).values(**values))
