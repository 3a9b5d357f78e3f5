"""The Benches page's queries: a fixed handful, however many pieces are open.

Plain SQL of columns. `open = 1` is written out, because SQLite uses the partial indexes on open
pieces only where it sees the condition itself and not a bound value.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, text

from app.flow import groups
from app.flow.after.cases import MENDS
from app.moving.names import Named
from app.orders.benches.lines import Asked, OpenPiece

_STATE = (
    "p.id, p.version, p.step, p.entered_at, p.in_hand, p.hand_id, h.name, p.aside_until,"
    " p.aside_reason, p.hold_reason, p.hold_whose, p.hold_look_on, p.gates, p.told_at,"
)
_REST = (
    " o.id, o.number, o.gift, o.gift_day, o.needed_by, o.copy_deadline, o.ship_part, o.taken_at,"
    " {0}, {1} AS kind, {2} AS breed, {3} AS life"
)
_OF_MODEL = _REST.format("a.name", "a.kind", "a.breed", "a.life")
# Of a group the kind is that it is one, and one of the animals may have died.
_IS_GROUP = groups.is_group("p")
_OF_COPY = _REST.format(
    groups.names("p", "a"),
    f"CASE WHEN {_IS_GROUP} THEN 'on one base' ELSE a.kind END",
    f"CASE WHEN {_IS_GROUP} THEN '' ELSE a.breed END",
    "CASE WHEN EXISTS (SELECT 1 FROM copy_companions g JOIN models gm ON gm.id = g.model_id"
    " JOIN animals ga ON ga.id = gm.animal_id WHERE g.copy_id = p.id AND ga.life = 'remembered')"
    " THEN 'remembered' ELSE a.life END",
)
# Of a blank in a machine: which, and by when it should come out.
_BATCH = (
    "(SELECT {0} FROM transitions t JOIN batches b ON b.id = t.amount"
    " LEFT JOIN machines k ON k.id = b.machine_id"
    " WHERE t.copy_id = p.id AND t.move = 'batch' ORDER BY t.seq DESC LIMIT 1)"
)
_IN_BATCH = (
    ", ".join(
        f"CASE WHEN p.step = 'blank' AND p.in_hand THEN {_BATCH.format(value)} ELSE {none} END"
        for value, none in (("coalesce(k.name, '')", "''"), ("b.ends_by", "NULL"))
    )
    + ","
)
MODELS = " ".join(
    (
        "SELECT 'model',", _STATE, "p.counted_at, p.passed_at, p.attempts, p.reworks,",
        "p.rests_until, p.letter, p.number, CASE WHEN p.follows_id IS NULL OR p.pose IS NOT",
        "(SELECT f.pose FROM models f WHERE f.id = p.follows_id) THEN 1 ELSE 2 END,",
        "p.pictures, p.machine, p.build_ends_at,", _OF_MODEL, ", p.step = 'finishing' AND EXISTS",
        "(SELECT 1 FROM copies k WHERE k.model_id = p.id AND k.open = 1 AND k.size_mm IS NULL),",
        "p.pose, 0",
        "FROM models p",
        "JOIN orders o ON o.id = p.order_id JOIN animals a ON a.id = p.animal_id",
        "LEFT JOIN accounts h ON h.id = p.hand_id WHERE p.open = 1",
    )
)  # fmt: skip
COPIES = " ".join(
    (
        "SELECT 'copy',", _STATE, "m.counted_at, coalesce(p.passed_at, m.passed_at), p.attempts,",
        "p.reworks, p.rests_until, p.letter, p.number, p.making, NULL,", _IN_BATCH, _OF_COPY,
        ", p.step = 'blank' AND p.size_mm IS NULL, NULL, p.making > 1 AND",
        MENDS.format("p"),
        "FROM copies p JOIN models m ON m.id = p.model_id JOIN orders o ON o.id = p.order_id",
        "JOIN animals a ON a.id = m.animal_id LEFT JOIN accounts h ON h.id = p.hand_id",
        "WHERE p.open = 1 AND p.step <> 'not_begun'",
    )
)  # fmt: skip
QUESTIONS = (
    "SELECT id, topic, asked_at, until_paid, round IS NOT NULL AND asked = '' FROM questions"
    " WHERE answered_at IS NULL AND dropped = 0 AND order_id IN"
    " (SELECT order_id FROM models WHERE open = 1 AND gates IS NOT NULL"
    " UNION SELECT order_id FROM copies WHERE open = 1 AND gates IS NOT NULL) ORDER BY asked_at"
)
_MODELS, _COPIES, _QUESTIONS = text(MODELS), text(COPIES), text(QUESTIONS)
_VERSION = text("SELECT version FROM house WHERE id = 1")


def version(db: Connection) -> int:
    """The count of writes in the house: a page that knows it need not ask for more."""
    return int(db.execute(_VERSION).scalar_one())


def lines(db: Connection) -> list[OpenPiece]:
    """Every open piece but the copies whose model is not ready yet."""
    found = [OpenPiece._make(row) for row in db.execute(_MODELS).all()]
    found.extend([OpenPiece._make(row) for row in db.execute(_COPIES).all()])
    return found


def asked(db: Connection) -> list[Asked]:
    """The open questions of every order that has a piece waiting for an answer, oldest first."""
    return [Asked._make(row) for row in db.execute(_QUESTIONS)]


@dataclass(frozen=True, slots=True)
class DoneEntry:
    """One entry of an act: what happened to which piece, and whether it is still its last."""

    kind: str
    move: str
    to_step: str | None
    recorded_at: int
    last: bool
    name: Named


# The entries of an act have ids in a row from the act's own number on.
_ACT = text(
    "SELECT t.kind, t.move, t.to_step, t.recorded_at,"  # noqa: S608
    " t.seq = coalesce(c.version, m.version),"
    f" {groups.names('c', 'a')}, o.number,"
    " coalesce(c.letter, m.letter), c.number, NULL, NULL"
    " FROM transitions t LEFT JOIN copies c ON c.id = t.copy_id"
    " JOIN models m ON m.id = coalesce(c.model_id, t.model_id)"
    " JOIN orders o ON o.id = coalesce(c.order_id, m.order_id)"
    " JOIN animals a ON a.id = m.animal_id"
    " WHERE t.id BETWEEN :act AND :act + 500 AND t.act = :act ORDER BY t.id"
)


def act_done(db: Connection, act: int) -> Sequence[DoneEntry]:
    """The entries of an act, in their order; nothing where there is no such act."""
    return [
        DoneEntry(row[0], row[1], row[2], row[3], bool(row[4]), Named._make(row[5:]))
        for row in db.execute(_ACT, {"act": act})
    ]
