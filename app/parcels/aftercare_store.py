"""Cases and the copies that they are about, as they lie in the database."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, bindparam, select, text
from sqlalchemy.engine import Row

from app.shared.errors import NotFound
from app.tables import aftercare_cases, aftercare_pictures, copies

_COPY = """
SELECT c.id, c.order_id, c.step, c.parcel_id, c.making, o.number, a.name AS animal, a.life,
  o.number || '-' || c.letter || c.number AS code,
  (SELECT s.id FROM aftercare_copies k JOIN aftercare_cases s ON s.id = k.case_id
    WHERE k.copy_id = c.id AND s.closed_at IS NULL) AS open_case
FROM copies c JOIN orders o ON o.id = c.order_id JOIN models m ON m.id = c.model_id
  JOIN animals a ON a.id = m.animal_id
WHERE c.withdrawn = 0 AND {0} ORDER BY o.number, c.letter, c.number
"""
_BY_ID = text(_COPY.format("c.id IN :ids")).bindparams(bindparam("ids", expanding=True))
_GONE = "c.step IN ('handed_over', 'received')"
_OF_ORDER = text(_COPY.format(f"{_GONE} AND o.number = :number"))
_OF_PARCEL = text(_COPY.format(f"{_GONE} AND c.parcel_id = :parcel"))
_OF_CASE = text(
    "SELECT k.copy_id AS id, k.made_id, c.order_id, c.step, c.making, a.name AS animal,"
    " o.number || '-' || c.letter || c.number AS code, r.step AS made_step"
    " FROM aftercare_copies k JOIN copies c ON c.id = k.copy_id JOIN orders o ON o.id = c.order_id"
    " JOIN models m ON m.id = c.model_id JOIN animals a ON a.id = m.animal_id"
    " LEFT JOIN copies r ON r.id = k.made_id"
    " WHERE k.case_id = :case ORDER BY c.letter, c.number"
)
_CASES = """
SELECT s.*, o.number, cu.name AS customer,
  (SELECT group_concat(DISTINCT a.name) FROM aftercare_copies k JOIN copies c ON c.id = k.copy_id
    JOIN models m ON m.id = c.model_id JOIN animals a ON a.id = m.animal_id
    WHERE k.case_id = s.id) AS animals
FROM aftercare_cases s JOIN orders o ON o.id = s.order_id
  JOIN customers cu ON cu.id = o.customer_id
"""
_OPEN = text(f"{_CASES} WHERE s.closed_at IS NULL ORDER BY s.claim_by IS NULL, s.claim_by, s.id")
_CLOSED = text(f"{_CASES} WHERE s.closed_at IS NOT NULL ORDER BY s.closed_at DESC LIMIT 50")
_ONE = text(f"{_CASES} WHERE s.id = :case")


def copies_of(db: Connection, ids: Sequence[int]) -> Sequence[Row[Any]]:
    """Some copies, with the open case about each."""
    return db.execute(_BY_ID, {"ids": list(ids)}).all()


def gone(db: Connection, *, number: int = 0, parcel: int = 0) -> Sequence[Row[Any]]:
    """What of an order, or of a parcel, has left the house."""
    if parcel:
        return db.execute(_OF_PARCEL, {"parcel": parcel}).all()
    return db.execute(_OF_ORDER, {"number": number}).all()


def copies_of_case(db: Connection, case_id: int) -> Sequence[Row[Any]]:
    """The copies that a case is about, with what goes on in the place of each."""
    return db.execute(_OF_CASE, {"case": case_id}).all()


def replacement_of(db: Connection, copy_id: int) -> int:
    """The copy that is made again for one."""
    its = (copies.c.replaces_id == copy_id) & (copies.c.withdrawn == 0)
    found: int = db.execute(select(copies.c.id).where(its)).scalar_one()
    return found


def one(db: Connection, case_id: int) -> Row[Any]:
    """A case. Raises NotFound."""
    row = db.execute(_ONE, {"case": case_id}).first()
    if row is None:
        raise NotFound("There is no such case.")
    return row


def cases(db: Connection) -> tuple[Sequence[Row[Any]], Sequence[Row[Any]]]:
    """Open cases, the first to claim for first, and those that were closed last."""
    return db.execute(_OPEN).all(), db.execute(_CLOSED).all()


def pictures(db: Connection, case_id: int) -> Sequence[Row[Any]]:
    """The pictures of a case."""
    own = (aftercare_pictures.c.case_id == case_id) & aftercare_pictures.c.gone_at.is_(None)
    return db.execute(select(aftercare_pictures).where(own).order_by(aftercare_pictures.c.id)).all()


def of_order(db: Connection, order_id: int) -> Sequence[Row[Any]]:
    """The cases of an order, the newest first."""
    its = aftercare_cases.c.order_id == order_id
    return db.execute(
        select(aftercare_cases).where(its).order_by(aftercare_cases.c.id.desc())
    ).all()
