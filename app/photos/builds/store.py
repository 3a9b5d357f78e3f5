"""What the builds page reads beside the machines: the queue in the order of work."""

from collections.abc import Mapping

from sqlalchemy import Connection, text

from app.orders.benches.lines import OpenPiece
from app.orders.benches.store import MODELS

_LINES = text(f"{MODELS} AND p.step = :step")


def lines_at(db: Connection, step: str) -> list[OpenPiece]:
    """The open models at photos_in, building or assessing, with what their rows say."""
    return [OpenPiece._make(row) for row in db.execute(_LINES, {"step": step})]


def names_without_machine(db: Connection) -> list[str]:
    """Names of machines on models that no machine has: from an import, say."""
    query = text(
        "SELECT DISTINCT machine FROM models WHERE machine <> ''"
        " AND machine NOT IN (SELECT name FROM machines) ORDER BY machine LIMIT 20"
    )
    return list(db.execute(query).scalars())


_VERDICTS = text(
    "SELECT model_id, verdict FROM photo_checks WHERE id IN"
    " (SELECT max(id) FROM photo_checks WHERE model_id IN"
    " (SELECT id FROM models WHERE open = 1 AND step = 'photos_in') GROUP BY model_id)"
)


def verdicts(db: Connection) -> Mapping[int, str]:
    """What the last check said of each model that waits for a machine."""
    return {row.model_id: row.verdict for row in db.execute(_VERDICTS) if row.verdict}
