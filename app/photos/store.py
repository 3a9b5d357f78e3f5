"""Deliveries, pictures and checks, as they lie in the database."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, ScalarSelect, delete, exists, func, literal, select, text
from sqlalchemy.dialects.sqlite import insert
from sqlalchemy.engine import RowMapping

from app.flow.steps import PHOTO_STEPS, Step
from app.flow.store import mark_pages_stale
from app.shared.errors import NotFound
from app.shared.people import Person
from app.tables import (
    animals,
    customers,
    models,
    order_animals,
    orders,
    photo_checks,
    photo_deliveries,
    picture_models,
    pictures,
    pictures_not_read,
)

# While a model is at one of these, pictures of it are still looked at.
TAKES_PICTURES = (*PHOTO_STEPS, Step.FINISHING)


@dataclass(frozen=True, slots=True)
class Delivery:
    """A delivery with its order's number and customer."""

    id: int
    order_id: int
    number: int
    customer: str
    row: RowMapping

    @property
    def counted(self) -> bool:
        """Whether its pictures were counted, here or by hand."""
        return self.row["fetched_at"] is not None


@dataclass(frozen=True, slots=True)
class Beast:
    """An animal of an order as pictures are given to it: by its letter, to its model."""

    letter: str
    model_id: int
    animal_id: int
    name: str
    life: str
    step: Step
    order_id: int

    @property
    def wanted(self) -> bool:
        """Whether photos are wanted of it now."""
        return self.step is Step.PHOTOS_WANTED


def delivery(db: Connection, id_: int) -> Delivery:
    """One delivery. Raises NotFound."""
    query = (
        select(photo_deliveries, orders.c.number, customers.c.name.label("customer"))
        .join(orders, orders.c.id == photo_deliveries.c.order_id)
        .join(customers, customers.c.id == orders.c.customer_id)
        .where(photo_deliveries.c.id == id_)
    )
    row = db.execute(query).mappings().first()
    if row is None:
        raise NotFound("There is no such delivery.")
    return Delivery(row["id"], row["order_id"], row["number"], row["customer"], row)


def new_delivery(db: Connection, order_id: int, way: str, now: int, who: Person) -> int:
    """A delivery that nobody told of; gives its id."""
    values = {"order_id": order_id, "told_at": now, "way": way, "account_id": who.account_id}
    new = insert(photo_deliveries).values(values).returning(photo_deliveries.c.id)
    return int(db.execute(new).scalar_one())


def beasts(db: Connection, order_id: int) -> list[Beast]:
    """The animals of an order whose models still take pictures, by letter."""
    query = (
        select(
            order_animals.c.letter, models.c.id, models.c.animal_id, animals.c.name,
            animals.c.life, models.c.step, models.c.order_id,
        )
        .join(models, models.c.id == order_animals.c.model_id)
        .join(animals, animals.c.id == models.c.animal_id)
        .where(order_animals.c.order_id == order_id, models.c.open == 1)
        .where(models.c.step.in_(TAKES_PICTURES))
        .order_by(order_animals.c.letter)
    )  # fmt: skip
    return [
        Beast(r.letter, r.id, r.animal_id, r.name, r.life, Step(r.step), r.order_id)
        for r in db.execute(query)
    ]


# ---------------------------------------------------------------- the list


_LIST = text(
    "SELECT d.id, d.order_id, d.model_id, d.told_at, d.way, d.link, d.lapses_on, d.files_said,"
    " d.fetched_at, d.files_counted, o.number, c.name AS customer, o.gift,"
    " (SELECT group_concat(a.name, ', ') FROM order_animals oa"
    "  JOIN animals a ON a.id = oa.animal_id JOIN models m ON m.id = oa.model_id"
    "  WHERE oa.order_id = o.id AND m.open = 1 AND m.step = 'photos_wanted') AS names,"
    " EXISTS (SELECT 1 FROM order_animals oa JOIN animals a ON a.id = oa.animal_id"
    "  WHERE oa.order_id = o.id AND a.life = 'remembered') AS remembered,"
    " (SELECT count(*) FROM pictures p WHERE p.delivery_id = d.id) AS here,"
    " (SELECT count(*) FROM pictures_not_read n WHERE n.delivery_id = d.id) AS not_read,"
    " (SELECT count(*) FROM pictures p WHERE p.delivery_id = d.id AND NOT EXISTS"
    "  (SELECT 1 FROM picture_models pm WHERE pm.picture_id = p.id)) AS nobodys,"
    " (SELECT max(q.asked_at) FROM questions q WHERE q.order_id = o.id AND q.topic = :topic"
    "  AND q.answered_at IS NULL AND q.asked_at >= d.told_at) AS asked_at"
    " FROM photo_deliveries d JOIN orders o ON o.id = d.order_id"
    " JOIN customers c ON c.id = o.customer_id"
    # Counted and undone: its pictures' models wait as if they had never come.
    " WHERE (d.fetched_at IS NULL OR EXISTS (SELECT 1 FROM pictures p"
    "  JOIN picture_models pm ON pm.picture_id = p.id JOIN models m ON m.id = pm.model_id"
    "  WHERE p.delivery_id = d.id AND m.step = 'photos_wanted' AND m.attempts = 0))"
    " AND o.open = 1 AND EXISTS (SELECT 1 FROM order_animals oa"
    "  JOIN models m ON m.id = oa.model_id WHERE oa.order_id = o.id AND m.open = 1"
    "  AND m.step = 'photos_wanted')"
    " ORDER BY d.lapses_on IS NULL, d.lapses_on, d.told_at"
)
_LATELY = text(
    "SELECT d.id, d.fetched_at, d.files_said, d.files_counted, o.number, c.name AS customer,"
    " count(p.id) AS here"
    " FROM photo_deliveries d JOIN orders o ON o.id = d.order_id"
    " JOIN customers c ON c.id = o.customer_id JOIN pictures p ON p.delivery_id = d.id"
    " WHERE d.fetched_at IS NOT NULL GROUP BY d.id ORDER BY d.fetched_at DESC LIMIT 12"
)
_CHECKED_LATELY = text(
    "SELECT k.model_id, k.verdict, k.pictures, k.ended_at, a.name, a.life, oa.letter,"
    " o.number"
    " FROM photo_checks k JOIN models m ON m.id = k.model_id JOIN animals a ON a.id = m.animal_id"
    " JOIN orders o ON o.id = m.order_id"
    " JOIN order_animals oa ON oa.order_id = o.id AND oa.model_id = m.id"
    " WHERE m.open = 1 AND m.step IN ('photos_wanted', 'photos_in', 'building', 'assessing')"
    " AND k.id = (SELECT max(id) FROM photo_checks x WHERE x.model_id = k.model_id)"
    " ORDER BY k.ended_at DESC LIMIT 30"
)


def expected(db: Connection, topic: str) -> Sequence[RowMapping]:
    """Deliveries that are told of and not counted, what lapses first before the others."""
    return db.execute(_LIST, {"topic": topic}).mappings().all()


def counted_lately(db: Connection) -> Sequence[RowMapping]:
    """The deliveries counted last whose pictures are here."""
    return db.execute(_LATELY).mappings().all()


def checked_lately(db: Connection) -> Sequence[RowMapping]:
    """The newest check of each model at the photo steps."""
    return db.execute(_CHECKED_LATELY).mappings().all()


# ---------------------------------------------------------------- pictures


def by_hash(db: Connection, order_id: int, sha256: str) -> str | None:
    """Where an order's picture with these bytes lies, or None."""
    query = select(pictures.c.path).where(
        pictures.c.order_id == order_id, pictures.c.sha256 == sha256
    )
    return db.execute(query).scalar()


def count_of_order(db: Connection, order_id: int) -> int:
    """How many pictures of an order are here."""
    query = select(func.count()).where(pictures.c.order_id == order_id)
    return int(db.execute(query).scalar_one())


def of_delivery(db: Connection, delivery_id: int) -> Sequence[RowMapping]:
    """The pictures of a delivery in the order of taking, then of coming."""
    query = (
        select(pictures)
        .where(pictures.c.delivery_id == delivery_id)
        .order_by(pictures.c.taken == "", pictures.c.taken, pictures.c.name, pictures.c.id)
    )
    return db.execute(query).mappings().all()


def not_read(db: Connection, delivery_id: int) -> list[tuple[str, str]]:
    """Names and problems of the files of a delivery that were not read."""
    query = (
        select(pictures_not_read.c.name, pictures_not_read.c.problem)
        .where(pictures_not_read.c.delivery_id == delivery_id)
        .order_by(pictures_not_read.c.id)
    )
    return [(row.name, row.problem) for row in db.execute(query)]


def one(db: Connection, id_: int) -> RowMapping:
    """One picture. Raises NotFound."""
    row = db.execute(select(pictures).where(pictures.c.id == id_)).mappings().first()
    if row is None:
        raise NotFound("There is no such picture.")
    return row


def whose_photos(model_id: int) -> ScalarSelect[int]:
    """The model whose photos serve for a model, as a query: its own, or those of one it follows."""
    line = select(literal(model_id).label("id"), literal(0).label("back")).cte(recursive=True)
    before = select(models.c.follows_id, line.c.back + 1).join(line, models.c.id == line.c.id)
    line = line.union_all(before.where(models.c.follows_id.is_not(None)))
    here = exists().where(picture_models.c.model_id == line.c.id)
    return select(line.c.id).where(here).order_by(line.c.back).limit(1).scalar_subquery()


def of_model(db: Connection, model_id: int) -> Sequence[RowMapping]:
    """The pictures that a model is made from, its deliveries together, in the order of taking.

    `for_model` is the model that they were sent for.
    """
    query = (
        select(pictures, picture_models.c.model_id.label("for_model"))
        .join(picture_models, picture_models.c.picture_id == pictures.c.id)
        .where(picture_models.c.model_id == whose_photos(model_id))
        .order_by(pictures.c.taken == "", pictures.c.taken, pictures.c.name, pictures.c.id)
    )
    return db.execute(query).mappings().all()


def unique_names(pictures: Sequence[RowMapping]) -> list[str]:
    """The pictures' own names; where two cards hold the same name, the later one is numbered."""
    seen: dict[str, int] = {}
    names = []
    for row in pictures:
        many = seen[row["name"]] = seen.get(row["name"], 0) + 1
        names.append(row["name"] if many == 1 else f"{row['name']} ({many})")
    return names


def with_pictures(db: Connection, model_ids: Sequence[int]) -> set[int]:
    """Those of some models of which pictures are here."""
    query = select(picture_models.c.model_id).where(picture_models.c.model_id.in_(model_ids))
    return set(db.execute(query.distinct()).scalars())


def known_paths(db: Connection) -> set[str]:
    """The originals that have a row."""
    return set(db.execute(select(pictures.c.path).distinct()).scalars())


# ---------------------------------------------------------------- whose is which


def given(db: Connection, delivery_id: int) -> dict[int, set[int]]:
    """By picture of a delivery, the models it is for."""
    query = (
        select(picture_models.c.picture_id, picture_models.c.model_id)
        .join(pictures, pictures.c.id == picture_models.c.picture_id)
        .where(pictures.c.delivery_id == delivery_id)
    )
    found: dict[int, set[int]] = {}
    for row in db.execute(query):
        found.setdefault(row.picture_id, set()).add(row.model_id)
    return found


def give(db: Connection, picture_ids: Sequence[int], model_id: int | None, *, also: bool) -> None:
    """Give pictures to a model, instead of to others or besides them; None gives to nobody."""
    if not also or model_id is None:
        for start in range(0, len(picture_ids), 500):
            part = picture_ids[start : start + 500]
            db.execute(delete(picture_models).where(picture_models.c.picture_id.in_(part)))
    if model_id is not None and picture_ids:
        rows = [{"model_id": model_id, "picture_id": id_} for id_ in picture_ids]
        db.execute(insert(picture_models).on_conflict_do_nothing(), rows)
    # A page may show those that a request names.
    of_orders = select(pictures.c.order_id).where(pictures.c.id.in_(picture_ids[:500])).distinct()
    mark_pages_stale(db, db.execute(of_orders).scalars().all())


def give_where_only_one(db: Connection, order_id: int, picture_id: int) -> None:
    """Where an order wants pictures of one animal only, what comes is of that one."""
    wanting = [beast for beast in beasts(db, order_id) if beast.wanted]
    animals_ = select(func.count()).where(order_animals.c.order_id == order_id)
    if len(wanting) == 1 and db.execute(animals_).scalar_one() == 1:
        give(db, [picture_id], wanting[0].model_id, also=True)


# ---------------------------------------------------------------- checks


_SET_KEY = text(
    "SELECT count(*) AS many, coalesce(sum(picture_id), 0) AS total,"
    " coalesce(max(picture_id), 0) AS newest FROM picture_models WHERE model_id = :model_id"
)
_TO_CHECK = text(
    "SELECT m.id, a.life,"
    " count(*) || '-' || sum(pm.picture_id) || '-' || max(pm.picture_id) AS key,"
    " count(*) AS many, max(p.came_at) AS last"
    " FROM models m JOIN picture_models pm ON pm.model_id = m.id"
    " JOIN pictures p ON p.id = pm.picture_id JOIN animals a ON a.id = m.animal_id"
    " WHERE m.open = 1 AND m.step IN ('photos_wanted', 'photos_in', 'building', 'assessing')"
    " GROUP BY m.id"
    " HAVING key IS NOT (SELECT k.set_key FROM photo_checks k WHERE k.model_id = m.id"
    "  ORDER BY k.id DESC LIMIT 1)"
    " ORDER BY m.step = 'photos_wanted', last"
)


def set_key(db: Connection, model_id: int) -> str:
    """Which pictures a model's set holds, in a word; another set has another word."""
    row = db.execute(_SET_KEY, {"model_id": model_id}).one()
    return f"{row.many}-{row.total}-{row.newest}"


def to_check(db: Connection) -> Sequence[Any]:
    """Models whose set is not the one that was checked last; `last` is when a picture came."""
    return db.execute(_TO_CHECK).all()


def last_check(db: Connection, model_id: int) -> RowMapping | None:
    """The newest check of a model's set, or None."""
    query = (
        select(photo_checks)
        .where(photo_checks.c.model_id == model_id)
        .order_by(photo_checks.c.id.desc())
        .limit(1)
    )
    return db.execute(query).mappings().first()
