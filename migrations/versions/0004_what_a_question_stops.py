"""An open question stops the work, from a step on; the owner may go on without an answer.

A piece kept how many questions were open; now it keeps which, as its log says.
"""

from collections.abc import Iterator

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_LOG = """
SELECT {0} AS piece, id, kind, to_step, question_id, about_id FROM transitions
WHERE {0} IN (SELECT id FROM {1} WHERE asking > 0)
AND kind IN ('move', 'ask', 'answer', 'undo', 'correction') ORDER BY {0}, seq
"""


def upgrade() -> None:
    for table, piece in (("models", "model_id"), ("copies", "copy_id")):
        op.add_column(table, sa.Column("gates", sa.Text(), nullable=True))
        rows = op.get_bind().execute(sa.text(_LOG.format(piece, table))).all()
        logs: dict[int, list[sa.Row]] = {}
        for row in rows:
            logs.setdefault(row.piece, []).append(row)
        change = sa.text(f"UPDATE {table} SET gates = :gates WHERE id = :id")  # noqa: S608
        for id_, log in logs.items():
            gates = " ".join(f"{question}:" for question in _open_questions(log))
            op.get_bind().execute(change, {"id": id_, "gates": gates or None})
        op.drop_column(table, "asking")
    op.add_column("questions", sa.Column("before_step", sa.Text(), nullable=True))
    op.add_column("questions", sa.Column("overridden_at", sa.Integer(), nullable=True))
    op.add_column("questions", sa.Column("overridden", sa.Text(), nullable=True))


def _open_questions(log: list[sa.Row]) -> list[int]:
    """What was asked and not answered before the piece left the house."""
    found: list[int] = []
    for row in _right(log):
        question = row.question_id or 0
        if row.kind == "ask" and question not in found:
            found.append(question)
        elif row.kind == "answer" and question in found:
            found.remove(question)
        elif row.kind == "move" and row.to_step == "handed_over":
            found.clear()
    return found


def _right(log: list[sa.Row]) -> Iterator[sa.Row]:
    """The log without what was undone or struck; a move is where its correction puts it."""
    undone = {row.about_id for row in log if row.kind == "undo"}
    corrected = {row.about_id: row for row in log if row.kind == "correction"}
    for row in log:
        if row.id in undone or row.kind in ("undo", "correction"):
            continue
        right = corrected.get(row.id)
        if right is None:
            yield row
        elif right.to_step is not None:
            yield right._replace(kind=row.kind, question_id=row.question_id)
