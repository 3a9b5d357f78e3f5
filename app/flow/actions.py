"""Recording a transition: one function, one transaction.

`record` checks the rule against the piece as it stands now, appends the entry, moves the cached
step, writes the news and marks page and forecast stale. Either all of it is on disk or none.
Acts that write more than the log begin one by `begin_act`, `grant` wishes and `settle` it
(app.moving).
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from sqlalchemy import Connection, RowMapping, func, insert, select

from app.flow import groups, news_rows, parts, store
from app.flow.approvals import rows as approval_rows
from app.flow.gates import Gate
from app.flow.legality import first_refusal
from app.flow.news import TOLD_OF, news_of
from app.flow.questions import of_new_piece
from app.flow.rules import (
    BATCH,
    PART,
    UNASKED,
    Entry,
    Kind,
    Policy,
    State,
    TimeIs,
    after,
    allowed_roles,
    asks,
    find_move,
    fold,
    refusal,
)
from app.flow.steps import STEPS, MoveKey, Of, Step
from app.flow.store import Piece, Ref
from app.shared.database import Database
from app.shared.errors import AlreadyMoved, NotAllowed, Refused
from app.shared.people import Person
from app.tables import copies, models


@dataclass(frozen=True, slots=True)
class Wish:
    """What somebody wants to happen to a piece.

    `version` is the version that their page showed, or None where they saw none; `happened_at`
    is a typed moment, or None for now; `before` is the step at which a question stops the piece.
    """

    ref: Ref
    kind: Kind
    move: str = ""
    version: int | None = None
    happened_at: int | None = None
    reason: str = ""
    cause: str = ""
    whose: str = ""
    until: int | None = None
    look_on: str | None = None
    amount: int | None = None
    question_id: int | None = None
    before: Step | None = None


@dataclass(slots=True)
class Done:
    """What an act did: its number (for undo), the pieces with their new states, new copies.

    `entries` and `amounts` are those of each piece's entry, the last where there were several.
    """

    act: int
    pieces: list[tuple[Piece, State]] = field(default_factory=list)
    made: list[Ref] = field(default_factory=list)
    entries: dict[Ref, int] = field(default_factory=dict)
    amounts: dict[Ref, int | None] = field(default_factory=dict)


@dataclass(slots=True)
class Act:
    """An act under way: what it has to write when all its wishes are checked.

    `orders` are those it touches; in `settling` a piece came in, ended or came back.
    """

    db: Connection
    who: Person
    now: int
    once: str | None
    done: Done
    blank_on: bool
    time_is: TimeIs | None = None
    rows: int = 0
    orders: set[int] = field(default_factory=set)
    settling: set[int] = field(default_factory=set)

    def take_id(self) -> int:
        self.rows += 1
        return self.done.act + self.rows - 1


def begin_act(
    db: Connection, who: Person, now: int, once: str | None = None, time_is: TimeIs | None = None
) -> Act:
    """Begin an act inside an open writing transaction; `settle` ends it."""
    number, blank_on = store.opening(db)
    return Act(db, who, now, once, Done(number), blank_on, time_is)


def record(
    database: Database, wishes: Sequence[Wish], who: Person, now: int, once: str | None = None
) -> Done:
    """Record wishes as one act in one transaction of its own.

    Raises Refused (a rule says no), AlreadyMoved (the page was stale or the tap double),
    NotAllowed and NotFound; nothing is written then.
    """
    with database.writing() as db:
        act = begin_act(db, who, now, once)
        for wish in wishes:
            piece = store.load(db, wish.ref, once)
            if piece.tapped or wish.version not in (None, piece.version):
                where = STEPS[piece.state.step].name
                raise AlreadyMoved(f"Already moved: {code_of(piece)} is in {where} now.")
            grant(act, piece, wish)
        return settle(act)


def settle(act: Act) -> Done:
    """Say which orders are open still and whose page and forecast lag behind; gives what was
    done."""
    store.settle_open(act.db, act.settling)
    store.mark_stale(act.db, act.orders)
    return act.done


def grant(act: Act, piece: Piece, wish: Wish) -> None:
    """Let a loaded piece have a wish: judge it, append its entry, and do what follows.

    Raises Refused, and NotAllowed where the role does not cover it.
    """
    policy = Policy(act.blank_on, piece.remembered)
    entry = _entry(act, piece, wish, policy)
    if (why := refusal(piece.state, entry, policy)) is not None:
        raise Refused(why)
    if entry.move == MoveKey.BEGUN and not groups.ready_at(act.db, piece.ref.id):
        whose = "the models of all on its base are" if piece.beside else "its model is"
        raise Refused(f"It begins when {whose} ready.")
    if act.who.role not in allowed_roles(piece.state, entry, policy):
        raise NotAllowed("Your role doesn’t cover this. Ask the office or the owner.")
    append(act, piece, entry)
    _consequences(act, piece, entry)


def _entry(act: Act, piece: Piece, wish: Wish, policy: Policy) -> Entry:
    typed = wish.happened_at is not None
    # A clock that was put back must not stop the work: nothing happens before what came before.
    happened = wish.happened_at if typed else max(act.now, piece.state.last_at)
    assert happened is not None
    if happened > act.now and typed:
        raise Refused("That is in the future. Type a time that has passed, or leave it empty.")
    moves = wish.kind is Kind.MOVE
    move = find_move(piece.ref.of, piece.state.step, wish.move, policy) if moves else None
    return Entry(
        id=0,
        seq=0,
        kind=wish.kind,
        happened_at=happened,
        recorded_at=max(act.now, happened),
        to_step=move.end if move else _gate_step(piece, wish),
        move=wish.move if moves or wish.move in (PART, BATCH) else _unasked(piece, wish),
        by=act.who.account_id,
        time_is=act.time_is or (TimeIs.TYPED if typed else TimeIs.PRESSED),
        reason=wish.reason,
        cause=wish.cause,
        whose=wish.whose,
        until=wish.until,
        look_on=wish.look_on,
        amount=wish.amount,
        question_id=wish.question_id,
        once=act.once,
    )


def _gate_step(piece: Piece, wish: Wish) -> Step | None:
    """Where a question stops the piece: as wished; what ends it names the same step again."""
    if wish.kind is not Kind.ANSWER:
        return wish.before
    gate = -(wish.amount or 0) if wish.move == PART else wish.question_id
    return next((g.step for g in piece.state.gates if g.question == gate), None)


def _unasked(piece: Piece, wish: Wish) -> str:
    """What ends the gate of something that nobody has asked says so, for the clock was ours."""
    mine = any(g.unasked and g.question == wish.question_id for g in piece.state.gates)
    return UNASKED if wish.kind is Kind.ANSWER and mine else ""


def append(act: Act, piece: Piece, entry: Entry) -> None:
    """Add the entry, move the cached state, write the news."""
    version = piece.version + 1
    entry = replace(entry, id=act.take_id(), seq=version, act=act.done.act)
    state = after(piece.ref.of, piece.state, entry)
    store.add(act.db, [store.row_of_entry(piece.ref, entry, piece.state.step)])
    store.save(act.db, piece.ref, state, version)
    act.done.pieces.append((replace(piece, version=version, state=state), state))
    act.done.entries[piece.ref], act.done.amounts[piece.ref] = entry.id, entry.amount
    if state.open != piece.state.open:
        act.settling.add(piece.order_id)
    for order_id, letter in orders_touched(act.db, piece):
        act.orders.add(order_id)
        if entry.move in TOLD_OF and (item := news_of(entry, state)) is not None:
            news_rows.write(
                act.db, order_id, item.kind, act.now,
                letter=letter if item.per_animal else "",
                round_=item.round, transition_id=entry.id,
            )  # fmt: skip


def orders_touched(db: Connection, piece: Piece) -> list[tuple[int, str]]:
    own = (piece.order_id, piece.letter)
    if piece.ref.of is Of.COPY:
        return [own, *((piece.order_id, letter) for letter in piece.beside)]
    others = store.orders_of_model(db, piece.ref.id)
    return others if own in others else [own, *others]


def _consequences(act: Act, piece: Piece, entry: Entry) -> None:
    """What follows in the same commit: copies begin with their model, a remake is a new row."""
    if entry.move == MoveKey.MODEL_FINISHED:
        for copy in store.copies_of_model(act.db, piece.ref.id):
            ready = groups.ready_at(act.db, copy.ref.id)
            if copy.state.step is Step.NOT_BEGUN and ready is not None:
                begin(act, copy, entry, ready)
    elif entry.move == MoveKey.REMAKE:
        _remake(act, piece, entry)
    elif entry.move == MoveKey.CANCEL and piece.ref.of is Of.MODEL:
        for copy in store.copies_of_model(act.db, piece.ref.id):
            # A copy of another order may still be made from another model of the animal.
            if copy.state.step is Step.NOT_BEGUN and copy.order_id == piece.order_id:
                moment = max(entry.happened_at, copy.state.last_at)
                late = max(entry.recorded_at, moment)
                append(act, copy, replace(entry, happened_at=moment, recorded_at=late))


def begin(act: Act, copy: Piece, cause: Entry, ready: int) -> None:
    """Let a copy begin because its models are ready, at the moment (UTC seconds) of the last.

    A hold or an open question of the copy does not stop it from standing at its first bench.
    """
    first = Step.BLANK if act.blank_on else Step.SHAPING
    happened = max(cause.happened_at, ready, copy.state.last_at)
    append(
        act, copy,
        replace(
            cause, kind=Kind.MOVE, move=MoveKey.BEGUN, to_step=first, happened_at=happened,
            recorded_at=max(cause.recorded_at, happened), reason="", until=None, amount=None,
        ),
    )  # fmt: skip


# What of a copy the one that is made in its place is, too.
AS_ORDERED = (
    "size_mm", "measured", "pose", "base", "finish", "inscription", "spelling_confirmed_at",
    "extras", "bench_note",
)  # fmt: skip


def _remake(act: Act, piece: Piece, entry: Entry) -> None:
    """A new row that replaces the piece; from the model's next version where that was the cause."""
    old = dict(act.db.execute(select(copies).where(copies.c.id == piece.ref.id)).mappings().one())
    model_id, beside = old["model_id"], groups.companions(act.db, piece.ref.id)
    first = Step.BLANK if act.blank_on else Step.SHAPING
    if entry.cause == "model":
        # Of a group the entry names the model, else it is the first animal's.
        wrong = entry.amount if entry.amount in beside.values() and entry.amount else model_id
        newer = next_version(act, wrong, entry, piece.state.gates)
        model_id = newer if wrong == model_id else model_id
        beside = {line: newer if model == wrong else model for line, model in beside.items()}
        first = Step.NOT_BEGUN
    made = _in_its_place(act, old, model_id, first, entry.happened_at, piece.state.gates)
    groups.put(act.db, made.id, beside)


def go_on(act: Act, copy_id: int, step: Step, at: int) -> Ref:
    """A copy that had left and is worked on again: another row goes on in its place, at a step.

    The log of the one that left stays closed as it is. `at` is a UTC moment.
    """
    old = dict(act.db.execute(select(copies).where(copies.c.id == copy_id)).mappings().one())
    made = _in_its_place(act, old, old["model_id"], step, at, ())
    groups.put(act.db, made.id, groups.companions(act.db, copy_id))
    return made


def _in_its_place(
    act: Act, old: dict[str, Any], model_id: int, step: Step, at: int, gates: Iterable[Gate]
) -> Ref:
    making = act.db.execute(
        select(func.max(copies.c.making)).where(
            copies.c.order_id == old["order_id"],
            copies.c.letter == old["letter"],
            copies.c.number == old["number"],
        )
    ).scalar_one()
    kept = ("order_id", "order_animal_id", "letter", "number", *AS_ORDERED)
    values = {name: old[name] for name in kept}
    values |= {"model_id": model_id, "making": making + 1, "replaces_id": old["id"]}
    made = enter(act, Of.COPY, values, step, at, gates=gates)
    act.done.made.append(made)
    return made


def next_version(act: Act, model_id: int, entry: Entry, gates: Iterable[Gate]) -> int:
    """The model's next version, at finishing: a finding was caused by the model.

    Sister copies that ask for it share the version that is already being finished.
    """
    old = act.db.execute(select(models).where(models.c.id == model_id)).mappings().one()
    under_way = act.db.execute(
        select(models.c.id).where(
            models.c.follows_id == model_id,
            models.c.open == 1,
            models.c.pose.is_not_distinct_from(old["pose"]),
        )
    ).scalar()
    if under_way is not None:
        return int(under_way)
    its = (old["order_id"], old["letter"]), old["pose"], entry.happened_at
    return new_version(act, old, *its, gates)


def new_version(
    act: Act, old: RowMapping, of: tuple[int, str], pose: str | None, at: int,
    gates: Iterable[Gate] = (), step: Step = Step.FINISHING,
) -> int:  # fmt: skip
    """A version that follows the model `old`, for an order under its letter."""
    order_id, letter = of
    same = (models.c.order_id == order_id) & (models.c.letter == letter)
    last = act.db.execute(select(func.coalesce(func.max(models.c.number), 0)).where(same))
    values = {
        **{name: old[name] for name in ("animal_id", "pictures", "limits", "limits_agreed")},
        "order_id": order_id, "letter": letter, "number": last.scalar_one() + 1,
        "follows_id": old["id"], "pose": pose,
    }  # fmt: skip
    made = enter(act, Of.MODEL, values, step, at, accepted=old["passed_at"], gates=gates)
    act.done.made.append(made)
    return made.id


def enter(
    act: Act, of: Of, values: dict[str, object], step: Step, at: int, *,
    accepted: int | None = None, gates: Iterable[Gate] = (),
) -> Ref:  # fmt: skip
    """Add a piece at a step, with the entry that lets it in. `at` is a UTC moment.

    What was asked about its order or its model stops it, too, and `gates` of what it replaces.

    Raises Refused where a piece of its kind does not begin there.
    """
    if why := first_refusal(of, step):
        raise Refused(why)
    entry = Entry(
        id=act.take_id(), seq=1, kind=Kind.ENTER, happened_at=at,
        recorded_at=max(act.now, at), to_step=step, act=act.done.act, by=act.who.account_id,
        time_is=act.time_is or TimeIs.PRESSED, until=accepted, once=act.once,
    )  # fmt: skip
    order_id = values["order_id"]
    assert isinstance(order_id, int)
    paint = approval_rows.of_new_piece(act.db, of, values, step, act.who, at)
    log = [entry, *_asked(act, order_id, values.get("model_id"), gates, at)]
    state = fold(of, log)
    row = {**values, **store.state_values(state), "version": len(log)}
    made = act.db.execute(insert(store.TABLE[of]).values(row)).inserted_primary_key
    assert made is not None
    ref = Ref(of, int(made[0]))
    if paint is not None:
        approval_rows.is_about(act.db, paint, ref.id)
    store.add(act.db, [store.row_of_entry(ref, e, None if e is entry else step) for e in log])
    act.orders.add(order_id)
    act.settling.add(order_id)
    return ref


def _asked(
    act: Act, order_id: int, model_id: object, gates: Iterable[Gate], at: int
) -> Iterator[Entry]:
    """What was asked before the piece came, as the next entries of its log."""
    assert model_id is None or isinstance(model_id, int)
    needed = parts.of_new_copy(act.db, order_id, model_id)
    found = (*of_new_piece(act.db, order_id, model_id, gates), *needed)
    for seq, gate in enumerate({gate.question: gate for gate in found}.values(), start=2):
        asked = asks(gate, at, act.now, act.who.account_id)
        yield replace(asked, id=act.take_id(), seq=seq, act=act.done.act)


@dataclass(slots=True)
class Entering:
    """An open act that lets new pieces in: an order typed, a copy added, an import."""

    act: Act

    def piece(
        self, of: Of, values: dict[str, object], step: Step, at: int, accepted: int | None = None
    ) -> Ref:
        """Add one piece. `at` is when it entered its step (UTC seconds).

        Raises Refused for a moment in the future, and where a piece of its kind does not begin.
        """
        if at > self.act.now:
            raise Refused("That is in the future. Type a time that has passed.")
        return enter(self.act, of, values, step, at, accepted=accepted)

    def close(self) -> int:
        """Settle the orders touched; gives the act's number."""
        return settle(self.act).act


def entering(db: Connection, who: Person, now: int, *, imported: bool = False) -> Entering:
    """Begin an act that lets pieces in, inside an open writing transaction."""
    return Entering(begin_act(db, who, now, time_is=TimeIs.IMPORTED if imported else None))


def code_of(piece: Piece) -> str:
    """A piece's own part of its code, without the order's number: A, A2."""
    return piece.letter if piece.ref.of is Of.MODEL else f"{piece.letter}{piece.number}"
