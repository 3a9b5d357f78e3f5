"""Pieces and their logs, as they lie in the database."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from enum import StrEnum
from typing import Any

from sqlalchemy import (
    Connection,
    Executable,
    Row,
    Select,
    Table,
    bindparam,
    exists,
    insert,
    literal,
    literal_column,
    select,
    text,
    update,
)
from sqlalchemy.dialects.sqlite import insert as upsert
from sqlalchemy.engine import RowMapping

from app.flow import gates, groups
from app.flow.after.cases import MENDS
from app.flow.rules import Entry, Kind, State, TimeIs
from app.flow.steps import MoveKey, Of, Step
from app.shared.errors import NotFound
from app.shared.text import whole_number
from app.tables import animals, copies, forecasts, models, status_pages, transitions

TABLE: Mapping[Of, Table] = {Of.MODEL: models, Of.COPY: copies}
STATE_COLUMNS = (
    "step", "entered_at", "last_at", "in_hand", "hand_id", "aside_until", "aside_reason",
    "hold_reason", "hold_whose", "hold_look_on", "gates", "told_at", "counted_at", "passed_at",
    "attempts", "reworks", "rests_until",
)  # fmt: skip


# The columns of an entry, in the order of its fields.
ENTRY_COLUMNS = tuple("account_id" if f.name == "by" else f.name for f in fields(Entry))
_KINDS = {str(kind): kind for kind in Kind}
_STEPS: dict[str | None, Step | None] = {None: None, **{str(step): step for step in Step}}
_TIMES = {str(word): word for word in TimeIs}


@dataclass(frozen=True, slots=True)
class Ref:
    """A piece, named by its table and id: written `copy:12` in forms."""

    of: Of
    id: int

    def __str__(self) -> str:
        return f"{self.of}:{self.id}"

    @classmethod
    def read(cls, text_: str) -> "Ref":
        """The piece that a form names. Raises NotFound for anything else."""
        of, _, number = text_.partition(":")
        id_ = whole_number(number)
        if of not in tuple(Of) or id_ is None:
            raise NotFound("There is no such piece.")
        return cls(Of(of), id_)


@dataclass(frozen=True, slots=True)
class Piece:
    """A piece as it stands: where it belongs, its state and the version of its log.

    `beside` are the letters of the further animals on a copy's base. `remembered` says that its
    animal is no longer alive, `tapped` that the form which asks for the piece has been used on it
    before, `mends` that it is a repair.
    """

    ref: Ref
    order_id: int
    letter: str
    number: int
    making: int
    model_id: int
    version: int
    state: State
    beside: str = ""
    remembered: bool = False
    tapped: bool = False
    mends: bool = False


_OWN = {Of.MODEL: transitions.c.model_id, Of.COPY: transitions.c.copy_id}


def _select(of: Of) -> Select[Any]:
    """A piece's columns, as `_piece` reads them; `once` is a form's one-time key or None."""
    table = TABLE[of]
    copy = of is Of.COPY
    c = table.c
    tapped = exists().where(_OWN[of] == c.id, transitions.c.once == bindparam("once", None))
    query = select(
        c.id, c.order_id, c.letter, c.number, c.making if copy else literal(1),
        c.model_id if copy else c.id, c.version, animals.c.life, tapped,
        groups.letters(c.id) if copy else literal(""),
        literal_column(MENDS.format("copies")) if copy else literal(0),
        *(c[name] for name in STATE_COLUMNS),
    ).select_from(table)  # fmt: skip
    if copy:
        query = query.join(models, models.c.id == c.model_id)
    return query.join(animals, animals.c.id == models.c.animal_id)


_SELECT = {of: _select(of) for of in TABLE}
_ONE = {of: _SELECT[of].where(table.c.id == bindparam("id")) for of, table in TABLE.items()}
_LOG = {
    Of.MODEL: select(transitions).where(transitions.c.model_id == bindparam("id")),
    Of.COPY: select(transitions).where(transitions.c.copy_id == bindparam("id")),
}
_LOG = {of: query.order_by(transitions.c.seq) for of, query in _LOG.items()}
_OPENING = text(
    "SELECT (SELECT coalesce(max(id), 0) + 1 FROM transitions),"
    " NOT EXISTS (SELECT 1 FROM settings WHERE name = 'blank_on' AND value = 'false')"
)
_ADD = insert(transitions)
_SAVE = {
    of: update(table)
    .where(table.c.id == bindparam("ref_id"))
    .values({name: bindparam(f"new_{name}") for name in (*STATE_COLUMNS, "version", "open")})
    for of, table in TABLE.items()
}


def state_of_row(of: Of, row: Mapping[Any, Any]) -> State:
    """The cached state in a row of models or copies."""
    values = {name: row[name] for name in STATE_COLUMNS}
    values["step"] = Step(row["step"])
    values["in_hand"] = bool(row["in_hand"])
    values["gates"] = gates.read(row["gates"] or "")
    return State(of, **values)


def state_values(state: State) -> dict[str, Any]:
    """The cached columns that hold a state."""
    values: dict[str, Any] = {name: getattr(state, name) for name in STATE_COLUMNS}
    values["step"] = str(state.step)
    values["in_hand"] = int(state.in_hand)
    values["gates"] = gates.written(state.gates) or None
    values["open"] = int(state.open)
    return values


def _piece(of: Of, row: Row[Any]) -> Piece:
    id_, order_id, letter, number, making, model_id, version, life, tapped, *rest = tuple(row)
    beside, mends, *cached = rest
    values = dict(zip(STATE_COLUMNS, cached, strict=True))
    state = state_of_row(of, values)
    own = (Ref(of, id_), order_id, letter, number, making, model_id, version, state)
    return Piece(
        *own, "".join(sorted(beside or "")), life == "remembered", bool(tapped), bool(mends)
    )


def load(db: Connection, ref: Ref, once: str | None = None) -> Piece:
    """One piece, and whether a form's one-time key was used on it. Raises NotFound."""
    row = db.execute(_ONE[ref.of], {"id": ref.id, "once": once}).first()
    if row is None:
        raise NotFound("There is no such piece.")
    return _piece(ref.of, row)


def copies_of_model(db: Connection, model_id: int) -> list[Piece]:
    """The copies made from a model, alone or beside others; withdrawn remakes left out."""
    query = _SELECT[Of.COPY].where(groups.made_from(model_id), copies.c.withdrawn == 0)
    return [_piece(Of.COPY, row) for row in db.execute(query)]


def models_of(db: Connection, piece: Piece) -> list[int]:
    """The models that a piece is made of, its first animal's first; of a model itself."""
    return groups.models_of(db, piece.ref.id) if piece.beside else [piece.model_id]


def pieces_of_order(db: Connection, order_id: int) -> list[Piece]:
    """The models that an order brought in, and its copies, withdrawn remakes left out."""
    found = [
        _piece(Of.MODEL, row)
        for row in db.execute(_SELECT[Of.MODEL].where(models.c.order_id == order_id))
    ]
    query = _SELECT[Of.COPY].where(copies.c.order_id == order_id, copies.c.withdrawn == 0)
    return [*found, *(_piece(Of.COPY, row) for row in db.execute(query))]


def log_of(db: Connection, ref: Ref) -> list[Entry]:
    """The whole log of a piece, in the order of its entries."""
    return [entry_of_row(row) for row in db.execute(_LOG[ref.of], {"id": ref.id}).mappings()]


def entry_of(values: Sequence[Any]) -> Entry:
    """An entry from what ENTRY_COLUMNS hold."""
    id_, seq, kind, happened, recorded, to_step, move, act, by, time_is, *rest = values
    return Entry(
        id_, seq, _KINDS[kind], happened, recorded, _STEPS[to_step], move, act, by,
        _TIMES[time_is], *rest,
    )  # fmt: skip


def entry_of_row(row: RowMapping) -> Entry:
    """A row of transitions as an entry."""
    return entry_of([row[column] for column in ENTRY_COLUMNS])


def row_of_entry(ref: Ref, entry: Entry, from_step: Step | None) -> dict[str, Any]:
    """An entry as a row of transitions."""
    values = (getattr(entry, field.name) for field in fields(Entry))
    return {
        **dict(zip(ENTRY_COLUMNS, map(_plain, values), strict=True)),
        "model_id": ref.id if ref.of is Of.MODEL else None,
        "copy_id": ref.id if ref.of is Of.COPY else None,
        "from_step": _plain(from_step),
    }


def _plain(value: object) -> object:
    return str(value) if isinstance(value, StrEnum) else value


def opening(db: Connection) -> tuple[int, bool]:
    """The id that the next entry will have, and whether the studio has a blank step at all."""
    number, blank_on = db.execute(_OPENING).one()
    return number, bool(blank_on)


def follows_another(db: Connection, model_id: int) -> bool:
    """Whether a model is a later version of another one."""
    query = select(models.c.follows_id).where(models.c.id == model_id)
    return db.execute(query).scalar() is not None


def carried(db: Connection, ref: Ref, named: Entry, other: Ref, entry: Entry) -> bool:
    """Whether an entry of the same act came with a named one, not merely at the same tap."""
    if named.move == MoveKey.HANDED_OVER:
        return entry.move == MoveKey.HANDED_OVER and entry.amount == named.amount
    if named.move == MoveKey.REMAKE:
        # Entering the piece that replaces it; a new version of the model stays where it is.
        query = select(copies.c.replaces_id).where(copies.c.id == other.id)
        return (
            entry.kind is Kind.ENTER
            and other.of is Of.COPY
            and (db.execute(query).scalar() == ref.id)
        )
    return entry.move == MoveKey.BEGUN and ref.id in groups.models_of(db, other.id)


def add(db: Connection, rows: Sequence[dict[str, Any]]) -> None:
    """Add entries to the log."""
    db.execute(_ADD, list(rows))


def save(db: Connection, ref: Ref, state: State, version: int) -> None:
    """Move a piece's cached columns to a state."""
    values = {f"new_{name}": value for name, value in state_values(state).items()}
    db.execute(_SAVE[ref.of], {"ref_id": ref.id, "new_version": version, **values})


def entries_of_act(db: Connection, act: int) -> list[tuple[Ref, Entry]]:
    """Every entry of an act, with the piece that it belongs to."""
    # An act is named by its first entry: none of it lies before, and what lies after is little.
    query = select(transitions).where(transitions.c.id >= act, transitions.c.act == act)
    rows = db.execute(query.order_by(transitions.c.id)).mappings()
    return [
        (
            Ref(Of.MODEL, row["model_id"])
            if row["copy_id"] is None
            else Ref(Of.COPY, row["copy_id"]),
            entry_of_row(row),
        )
        for row in rows
    ]


def find_entry(db: Connection, entry_id: int) -> tuple[Ref, Entry]:
    """One entry of the log, with its piece. Raises NotFound."""
    row = db.execute(select(transitions).where(transitions.c.id == entry_id)).mappings().first()
    if row is None:
        raise NotFound("There is no such entry.")
    of = Of.MODEL if row["copy_id"] is None else Of.COPY
    return Ref(of, row["model_id"] if of is Of.MODEL else row["copy_id"]), entry_of_row(row)


_CLOSE = text(
    "UPDATE orders SET open ="
    " EXISTS (SELECT 1 FROM models WHERE order_id = :order_id AND open = 1)"
    " OR EXISTS (SELECT 1 FROM copies WHERE order_id = :order_id AND open = 1)"
    " OR EXISTS (SELECT 1 FROM belongings WHERE order_id = :order_id AND returned_at IS NULL"
    " AND gone_at IS NULL)"
    " WHERE id = :order_id"
)


def mark_stale(db: Connection, order_ids: Iterable[int]) -> None:
    """The orders' status pages and forecasts lag behind from here on."""
    ids = sorted(set(order_ids))
    mark_pages_stale(db, ids)
    mark_forecasts_stale(db, ids)


# Made once: each move marks, and making a statement costs more than its execution.
_PAGE_AGAIN = {"wanted": status_pages.c.wanted + 1}
_PAGE_STALE = (
    upsert(status_pages)
    .values(order_id=bindparam("of"), wanted=1, written=0)
    .on_conflict_do_update(index_elements=["order_id"], set_=_PAGE_AGAIN)
)
_FORECAST_STALE = update(forecasts).values(stale=1)
_FORECAST_OF_ORDER_STALE = _FORECAST_STALE.where(forecasts.c.order_id == bindparam("of"))


def mark_pages_stale(db: Connection, order_ids: Sequence[int] | None = None) -> None:
    """These orders' status pages lag behind; without ids all do."""
    if order_ids is None:
        db.execute(update(status_pages).values(_PAGE_AGAIN))
    else:
        _for_each(db, _PAGE_STALE, order_ids)


def mark_forecasts_stale(db: Connection, order_ids: Sequence[int] | None = None) -> None:
    """These orders' forecasts lag behind; without ids all do."""
    if order_ids is None:
        db.execute(_FORECAST_STALE)
    else:
        _for_each(db, _FORECAST_OF_ORDER_STALE, order_ids)


def _for_each(db: Connection, statement: Executable, order_ids: Sequence[int]) -> None:
    if order_ids:
        db.execute(statement, [{"of": id_} for id_ in order_ids])


def settle_open(db: Connection, order_ids: Iterable[int]) -> None:
    """An order is open while a piece of it is, or something that its customer lent is here."""
    for order_id in sorted(set(order_ids)):
        db.execute(_CLOSE, {"order_id": order_id})


_ORDERS_OF_MODEL = text(
    "SELECT oa.order_id, oa.letter FROM order_animals oa JOIN orders o ON o.id = oa.order_id"
    " WHERE oa.model_id = :model AND o.open = 1"
)


def orders_of_model(db: Connection, model_id: int) -> list[tuple[int, str]]:
    """The open orders that wait for a model, with the animal's letter in each."""
    rows = db.execute(_ORDERS_OF_MODEL, {"model": model_id})
    return [(row.order_id, row.letter) for row in rows]
