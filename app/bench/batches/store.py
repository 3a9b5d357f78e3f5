"""What the page of the blanks reads: batches with their pieces, and the pieces that wait."""

import json
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, select, text

from app.bench.batches.rules import InBatch, by_batch, in_batches, usual_length
from app.flow import groups
from app.flow.rules import Entry
from app.flow.steps import piece_code
from app.flow.store import entry_of_row
from app.orders.benches.lines import OpenPiece
from app.orders.benches.store import COPIES
from app.tables import batches, machines

_AT_BLANK = text(f"{COPIES} AND p.step = 'blank'")
# The logs of all pieces that were ever in a batch begun since a moment, or are in one now.
_LOGS = text(
    "SELECT * FROM transitions WHERE copy_id IN"
    " (SELECT t.copy_id FROM transitions t JOIN batches b ON b.id = t.amount"
    " WHERE t.move = 'batch' AND b.made_at >= :since"
    " UNION SELECT id FROM copies WHERE open = 1 AND step = 'blank' AND in_hand = 1)"
    " ORDER BY copy_id, seq"
)


@dataclass(frozen=True, slots=True)
class BatchRow:
    """A batch: what is kept of it beside the logs of its pieces. Moments are UTC seconds."""

    id: int
    machine_id: int | None
    machine: str
    material: str
    lot: str
    ends_by: int
    pieces: Sequence[InBatch]


def waiting(db: Connection) -> list[OpenPiece]:
    """The open copies at the blank step, in a machine or not."""
    return [OpenPiece._make(row) for row in db.execute(_AT_BLANK)]


def known(db: Connection, since: int) -> list[BatchRow]:
    """The batches that were begun since a moment or are in a machine, the newest first.

    One whose pieces were all taken back is none.
    """
    logs: dict[int, list[Entry]] = {}
    for row in db.execute(_LOGS, {"since": since}).mappings():
        logs.setdefault(row["copy_id"], []).append(entry_of_row(row))
    found = by_batch(one for id_, log in logs.items() for one in in_batches(id_, log))
    rows = db.execute(
        select(batches, machines.c.name.label("machine"))
        .outerjoin(machines, machines.c.id == batches.c.machine_id)
        .where(batches.c.id.in_(found))
        .order_by(batches.c.id.desc())
    )
    return [
        BatchRow(r.id, r.machine_id, r.machine or "", r.material, r.lot, r.ends_by, found[r.id])
        for r in rows
    ]


def usual_of(found: Sequence[BatchRow], machine_id: int | None) -> int:
    """How long a batch in a machine takes, in seconds."""
    return usual_length(one.pieces for one in found if one.machine_id == machine_id)


_NAMES = text(
    f"SELECT p.id, {groups.names('p', 'a')}, o.number, p.letter, p.number"  # noqa: S608
    " FROM copies p JOIN models m ON m.id = p.model_id JOIN orders o ON o.id = p.order_id"
    " JOIN animals a ON a.id = m.animal_id WHERE p.id IN (SELECT value FROM json_each(:ids))"
)


def names(db: Connection, copy_ids: Sequence[int]) -> dict[int, tuple[str, str]]:
    """Whom some copies show, and their codes, by id."""
    rows = db.execute(_NAMES, {"ids": json.dumps(list(copy_ids))})
    return {id_: (animal, piece_code(number, letter, n)) for id_, animal, number, letter, n in rows}
