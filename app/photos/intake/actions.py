"""What is done about pictures: deliveries noted and asked for again, pictures given and counted."""

from collections.abc import Sequence

from sqlalchemy import Connection, select, update

from app.flow.steps import MoveKey, Of
from app.flow.store import Ref, mark_stale
from app.flow.store import load as load_piece
from app.moving.effects import MoveDetails
from app.moving.perform import Seen, perform_in
from app.orders.order import asking
from app.orders.order import store as order_store
from app.orders.order.asking import FROM_HERE, QuestionFields
from app.photos import store
from app.photos.intake.deliveries import TOPIC, WAYS, lapsed_question
from app.photos.store import Beast, Delivery
from app.shared.errors import BadFields, Refused
from app.shared.people import Person
from app.studio.workshop import Workshop
from app.tables import models, photo_checks, photo_deliveries, picture_models, pictures


def came(workshop: Workshop, number: int, way: str, who: Person) -> int:
    """Note a delivery that nobody told of; gives its id. Raises BadFields, NotFound."""
    if way not in WAYS:
        raise BadFields({"way": "Choose one from the list."})
    with workshop.database.writing() as db:
        order_id = order_store.by_number(db, number)
        if not store.beasts(db, order_id):
            raise BadFields({"number": "This order needs no photos any more."})
        return store.new_delivery(db, order_id, way, workshop.now(), who)


def ask_again(workshop: Workshop, delivery_id: int, who: Person, once: str) -> Delivery:
    """Put the prepared question about a lapsed link to the customer, in one tap.

    Raises AlreadyMoved where it is asked already, Refused where nothing is wanted any more.
    """
    today = workshop.in_force().calendar.day_of(workshop.now())
    with workshop.database.reading() as db:
        delivery = store.delivery(db, delivery_id)
        wanting = [beast for beast in store.beasts(db, delivery.order_id) if beast.wanted]
    if delivery.counted or not wanting:
        raise Refused("We no longer need these photos.")
    about = str(Ref(Of.MODEL, wanting[0].model_id)) if len(wanting) == 1 else "order"
    typed = QuestionFields(
        topic=TOPIC,
        asked=lapsed_question([beast.name for beast in wanting], delivery.row["lapses_on"], today),
        about=about,
        channel="letter",
        waits=FROM_HERE,
    )
    asking.ask(workshop, delivery.order_id, typed, who, once)
    return delivery


def give(
    workshop: Workshop, delivery_id: int, picture_ids: Sequence[int], model_id: int | None, *,
    also: bool = False,
) -> int:  # fmt: skip
    """Give pictures of a delivery to an animal's model, or to nobody; gives how many.

    Raises BadFields where nothing is ticked, or the model is not of this order.
    """
    with workshop.database.writing() as db:
        delivery = store.delivery(db, delivery_id)
        mine = set(
            db.execute(select(pictures.c.id).where(pictures.c.delivery_id == delivery_id)).scalars()
        )
        chosen = [id_ for id_ in picture_ids if id_ in mine]
        if not chosen:
            raise BadFields({"tick": "Tick some photos first, or type a range."})
        known = {beast.model_id for beast in store.beasts(db, delivery.order_id)}
        if model_id is not None and model_id not in known:
            raise BadFields({"tick": "That animal needs no photos now."})
        store.give(db, chosen, model_id, also=also)
    return len(chosen)


def count(workshop: Workshop, delivery_id: int, leave: bool, who: Person, once: str) -> list[Beast]:
    """Whose is which is settled: count each animal's pictures, and let the flow know.

    Models that wait for photos move on, with the number counted; the others keep their step and
    get the pictures. Gives the animals that got some. Raises BadFields where pictures are
    nobody's and `leave` does not say that this is meant, and what `perform` raises.
    """
    now = workshop.now()
    with workshop.database.writing() as db:
        delivery = store.delivery(db, delivery_id)
        given = store.given(db, delivery_id)
        here = len(store.of_delivery(db, delivery_id))
        if here > len(given) and not leave:
            raise BadFields({"leave": f"{here - len(given)} of {here} are still unassigned."})
        got = [
            (beast, many)
            for beast in store.beasts(db, delivery.order_id)
            if (many := sum(beast.model_id in models_ for models_ in given.values()))
        ]
        if not got:
            raise BadFields({"leave": "No photo is assigned to an animal yet."})
        counted = {Ref(Of.MODEL, beast.model_id): many for beast, many in got if beast.wanted}
        for beast, _ in got:
            _note_number(db, beast, delivery)
        db.execute(
            update(photo_deliveries)
            .where(photo_deliveries.c.id == delivery_id)
            .values(fetched_at=delivery.row["fetched_at"] or now, files_counted=here)
        )
        if counted:
            said = MoveDetails(counted=counted, delivery=delivery_id)
            seen = [Seen(ref) for ref in counted]
            perform_in(db, workshop, seen, MoveKey.PHOTOS_COUNTED, said, who, once)
        mark_stale(db, [delivery.order_id])
    workshop.changed.set()
    return [beast for beast, _ in got]


def _note_number(db: Connection, beast: Beast, delivery: Delivery) -> None:
    """A model's number of pictures: those here, and those counted by hand before, if asked again.

    Earlier pictures stay when more views come; a set counted anew is not added twice.
    """
    before = db.execute(select(models.c.pictures).where(models.c.id == beast.model_id)).scalar()
    here = {row["id"]: row["delivery_id"] for row in store.of_model(db, beast.model_id)}
    counted = set(
        db.execute(
            select(photo_deliveries.c.id).where(
                photo_deliveries.c.id.in_(set(here.values())),
                photo_deliveries.c.fetched_at.is_not(None),
            )
        ).scalars()
    )
    kept = sum(1 for of in here.values() if of in counted)
    attempts = load_piece(db, Ref(Of.MODEL, beast.model_id)).state.attempts
    by_hand = max(0, (before or 0) - kept) if attempts or not beast.wanted else 0
    total = by_hand + sum(1 for of in here.values() if of in counted or of == delivery.id)
    db.execute(update(models).where(models.c.id == beast.model_id).values(pictures=total))


def check_again(workshop: Workshop, model_id: int) -> None:
    """Let the worker check a model's set once more. Raises Refused where it has no pictures."""
    with workshop.database.writing() as db:
        some = db.execute(
            select(picture_models.c.id).where(picture_models.c.model_id == model_id).limit(1)
        ).first()
        if some is None:
            raise Refused("There are no photos of this animal here.")
        db.execute(
            update(photo_checks).where(photo_checks.c.model_id == model_id).values(set_key="")
        )
    workshop.changed.set()
