"""Groups: copies on whose base further animals stand, each with a model of its own.

A copy's own columns name its first animal; the others are its companions (`copy_companions`). It
begins when all its models are ready, and is told, moved and sent as one piece.
"""

from collections.abc import Mapping
from typing import Any

from sqlalchemy import ColumnElement, Connection, ScalarSelect, func, insert, or_, select, text

from app.flow.steps import PLACE
from app.tables import copies, copy_companions, order_animals

_READY_AT = text(
    "SELECT count(*) = sum(m.step = 'ready'), max(m.entered_at) FROM models m WHERE m.id IN"
    " (SELECT model_id FROM copies WHERE id = :copy"
    " UNION SELECT model_id FROM copy_companions WHERE copy_id = :copy)"
)
# By group, the model that it waits for longest: the one furthest behind, else the last to be ready.
_FURTHEST = " ".join(f"WHEN '{step}' THEN {place}" for step, place in PLACE.items())
SLOWEST = f"""(SELECT copy_id, model_id FROM (
  SELECT g.copy_id, x.id AS model_id, row_number() OVER (PARTITION BY g.copy_id ORDER BY
    x.open DESC, CASE WHEN x.open THEN CASE x.step {_FURTHEST} END END, x.entered_at DESC) AS nth
  FROM (SELECT copy_id, model_id FROM copy_companions
    UNION SELECT id, model_id FROM copies WHERE id IN (SELECT copy_id FROM copy_companions)) g
  JOIN models x ON x.id = g.model_id) WHERE nth = 1)"""  # noqa: S608


def names(copy: str, animal: str) -> str:
    """SQL for whom a copy shows, by the aliases of the two tables: Bracken, Thistle and Fern."""
    last = f"(SELECT max(order_animal_id) FROM copy_companions WHERE copy_id = {copy}.id)"  # noqa: S608
    others = (
        f"SELECT group_concat(CASE WHEN g.order_animal_id = {last} THEN ' and ' ELSE ', ' END"  # noqa: S608
        " || b.name, '') FROM copy_companions g JOIN order_animals ga ON ga.id = g.order_animal_id"
        f" JOIN animals b ON b.id = ga.animal_id WHERE g.copy_id = {copy}.id"
    )
    return f"CASE WHEN {is_group(copy)} THEN {animal}.name || ({others}) ELSE {animal}.name END"


def is_group(copy: str) -> str:
    """SQL for whether a copy has companions, by its table's alias."""
    return f"EXISTS (SELECT 1 FROM copy_companions g WHERE g.copy_id = {copy}.id)"  # noqa: S608


def letters(copy_id: ColumnElement[int]) -> ScalarSelect[str]:
    """The letters of the further animals on a copy's base, in a row; None where it is no group."""
    lines = select(func.group_concat(order_animals.c.letter, ""))
    lines = lines.join(copy_companions, copy_companions.c.order_animal_id == order_animals.c.id)
    return lines.where(copy_companions.c.copy_id == copy_id).scalar_subquery()


def made_from(model_id: Any) -> ColumnElement[bool]:
    """That a copy is made from a model, alone or beside others."""
    own = copy_companions.c.model_id == model_id
    beside = select(copy_companions.c.copy_id).where(own).correlate_except(copy_companions)
    return or_(copies.c.model_id == model_id, copies.c.id.in_(beside))


def models_of(db: Connection, copy_id: int) -> list[int]:
    """The models that a copy is made from, its first animal's first."""
    own = db.execute(select(copies.c.model_id).where(copies.c.id == copy_id)).scalar_one()
    return [own, *companions(db, copy_id).values()]


def companions(db: Connection, copy_id: int) -> dict[int, int]:
    """The further animals on a copy's base, as lines of its order, each with its model."""
    c = copy_companions.c
    rows = db.execute(select(c.order_animal_id, c.model_id).where(c.copy_id == copy_id))
    return {row.order_animal_id: row.model_id for row in rows.all()}


def of_model(db: Connection, model_id: int) -> list[int]:
    """The groups that are made from a model among others, withdrawn remakes left out."""
    grouped = copies.c.id.in_(select(copy_companions.c.copy_id))
    query = select(copies.c.id).where(grouped, made_from(model_id), copies.c.withdrawn == 0)
    return list(db.execute(query).scalars())


def ready_at(db: Connection, copy_id: int) -> int | None:
    """When the last of a copy's models was ready (UTC seconds); None while one is not."""
    ready, at = db.execute(_READY_AT, {"copy": copy_id}).one()
    return int(at) if ready else None


def put(db: Connection, copy_id: int, beside: Mapping[int, int]) -> None:
    """Let animals of an order (its lines, each with its model) stand on a copy's base."""
    rows = [
        {"copy_id": copy_id, "order_animal_id": line, "model_id": model}
        for line, model in beside.items()
    ]
    if rows:
        db.execute(insert(copy_companions), rows)
