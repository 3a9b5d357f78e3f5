"""What the record of the photo check is made from: logs, checks and names."""

import json
from collections.abc import Iterator
from itertools import groupby

from sqlalchemy import Connection, select

from app.flow.rules import Entry, Kind
from app.flow.steps import piece_code
from app.flow.store import entry_of_row
from app.photos.check.record import Check
from app.tables import animals, models, orders, photo_checks, transitions

_COUNTS = frozenset({"stop", "doubt"})
_MOVES_STEPS = (Kind.ENTER, Kind.MOVE, Kind.UNDO, Kind.CORRECTION)
_JUDGES = ("good", "limits", "by_eye", "more_views", "new_set")


def logs(db: Connection) -> Iterator[tuple[int, list[Entry]]]:
    """The logs of all models of which a set was judged."""
    t = transitions.c
    judged = select(t.model_id).where(t.move.in_(_JUDGES))
    query = select(transitions).where(t.kind.in_(_MOVES_STEPS), t.model_id.in_(judged))
    rows = db.execute(query.order_by(t.model_id, t.seq)).mappings()
    for model, own in groupby(rows, key=lambda row: row["model_id"]):
        yield model, [entry_of_row(row) for row in own]


def checks(db: Connection) -> dict[int, list[Check]]:
    """The checks of each model."""
    c = photo_checks.c
    found: dict[int, list[Check]] = {}
    for row in db.execute(select(c.model_id, c.ended_at, c.verdict, c.result)):
        check = Check(row.ended_at, row.verdict, _codes(row.result))
        found.setdefault(row.model_id, []).append(check)
    return found


def _codes(result: str) -> tuple[str, ...]:
    """The codes of the reasons that stop a set or put it in doubt; none of a broken answer."""
    try:
        reasons = json.loads(result).get("reasons", [])
        return tuple(r["code"] for r in reasons if r.get("weight") in _COUNTS)
    except (ValueError, KeyError, TypeError, AttributeError):
        return ()


def names(db: Connection) -> dict[int, str]:
    """Every model as it is called: Juniper 1147-A."""
    query = (
        select(models.c.id, models.c.letter, animals.c.name, orders.c.number)
        .join(orders, orders.c.id == models.c.order_id)
        .join(animals, animals.c.id == models.c.animal_id)
    )
    return {r.id: f"{r.name} {piece_code(r.number, r.letter)}" for r in db.execute(query)}
