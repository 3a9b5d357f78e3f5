"""A piece as a sentence names it."""

from typing import NamedTuple

from sqlalchemy import Connection, text

from app.flow import groups
from app.flow.steps import Of
from app.flow.store import Ref
from app.shared.errors import NotFound


class Named(NamedTuple):
    """What a sentence about one piece needs to know."""

    animal: str
    order_number: int
    letter: str
    number: int | None
    hand: str | None
    copy_deadline: str | None

    @property
    def whose(self) -> str:
        """Whose hand it is in or was in, by first name."""
        return (self.hand or "Somebody").split(" ")[0]

    @property
    def words(self) -> str:
        """Juniper 1172-A2."""
        last = "" if self.number is None else self.number
        return f"{self.animal} {self.order_number}-{self.letter}{last}"


_NAMED = {
    Of.MODEL: text(
        "SELECT a.name, o.number, p.letter, NULL, h.name, o.copy_deadline FROM models p"
        " JOIN orders o ON o.id = p.order_id JOIN animals a ON a.id = p.animal_id"
        " LEFT JOIN accounts h ON h.id = p.hand_id WHERE p.id = :id"
    ),
    Of.COPY: text(
        f"SELECT {groups.names('p', 'a')}, o.number, p.letter, p.number, h.name,"  # noqa: S608
        " o.copy_deadline FROM copies p"
        " JOIN models m ON m.id = p.model_id JOIN orders o ON o.id = p.order_id"
        " JOIN animals a ON a.id = m.animal_id LEFT JOIN accounts h ON h.id = p.hand_id"
        " WHERE p.id = :id"
    ),
}


def named(db: Connection, ref: Ref) -> Named:
    """A piece's name and code. Raises NotFound."""
    row = db.execute(_NAMED[ref.of], {"id": ref.id}).first()
    if row is None:
        raise NotFound("There is no such piece.")
    return Named._make(row)
