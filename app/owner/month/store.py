"""WhosePiece pieces left in a month, as they lie in the database."""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from sqlalchemy import Connection, text

from app.flow import groups
from app.flow.steps import Of
from app.orders.order.history import code

_COPIES = text(
    f"SELECT c.id, o.number, {groups.names('c', 'a')} AS animal, k.name AS customer,"  # noqa: S608
    " c.letter, c.number AS copy FROM copies c JOIN orders o ON o.id = c.order_id"
    " JOIN customers k ON k.id = o.customer_id JOIN models m ON m.id = c.model_id"
    " JOIN animals a ON a.id = m.animal_id WHERE c.id IN (SELECT value FROM json_each(:ids))"
)
_PAST = text(
    "SELECT p.id, p.reference, a.name AS animal, k.name AS customer FROM past_pieces p"
    " JOIN animals a ON a.id = p.animal_id JOIN customers k ON k.id = p.customer_id"
    " WHERE p.id IN (SELECT value FROM json_each(:ids))"
)


@dataclass(frozen=True, slots=True)
class WhosePiece:
    """Whose a piece is: its code or what the sheet called it, its order's number (None where it
    came with a sheet), and for whom."""

    code: str
    order: int | None
    animal: str
    customer: str


def whose(db: Connection, roots: Iterable[int]) -> Mapping[int, WhosePiece]:
    """By root of a piece's way: a copy's id, or less than 0 where it came with a sheet."""
    roots = list(roots)
    found: dict[int, WhosePiece] = {}
    for row in db.execute(_COPIES, {"ids": json.dumps([r for r in roots if r >= 0])}):
        name = code(row.number, Of.COPY, row.letter, row.copy)
        found[row.id] = WhosePiece(name, row.number, row.animal, row.customer)
    for row in db.execute(_PAST, {"ids": json.dumps([-r for r in roots if r < 0])}):
        found[-row.id] = WhosePiece(row.reference, None, row.animal, row.customer)
    return found
