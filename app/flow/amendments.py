"""Taking back and putting right: undo within minutes, corrections later.

Neither edits the log. Both add an entry that speaks of another one, fold the whole log again and
save what it gives; flow.legality says what is legal.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import Connection, select, update

from app.flow import groups, news_rows, payments, questions, store, versions
from app.flow.actions import Act, Done, append, begin_act, code_of, orders_touched, settle
from app.flow.after import belongings
from app.flow.after import cases as aftercare
from app.flow.approvals import requiring
from app.flow.legality import CARRYING, correction_refusals, roles_of, undo_refusal
from app.flow.news import news_of
from app.flow.rules import Entry, Kind, Policy, effective, find_move, fold
from app.flow.steps import PASSED, STEPS, MoveKey, Of, Step
from app.flow.store import Piece, Ref
from app.shared.database import Database
from app.shared.errors import AlreadyMoved, NotAllowed, NotFound, Refused
from app.shared.people import Person
from app.tables import builds, copies, machines, models, parcels


def undo(database: Database, entry_id: int, who: Person, now: int, once: str | None = None) -> Done:
    """Undo the act of an entry: every piece it moved goes back, its unsent news is taken back.

    Raises Refused, AlreadyMoved, NotFound; nothing is written then.
    """
    with database.writing() as db:
        _, named = store.find_entry(db, entry_id)
        act = begin_act(db, who, now, once)
        touched = store.entries_of_act(db, named.act)
        # The last entry first: an act may have taken a piece in hand and moved it on.
        for ref, entry in reversed(touched):
            _undo_one(act, ref, entry, named)
        _withdraw_versions(act, [ref for ref, _ in touched])
        for order_id in sorted(act.orders):
            payments.in_line(act, order_id)
        _check_begun(act)
        news_rows.take_back(db, [entry.id for _, entry in touched], now)
        return settle(act)


def _undo_one(act: Act, ref: Ref, entry: Entry, named: Entry) -> None:
    piece = store.load(act.db, ref, act.once)
    log = store.log_of(act.db, ref)
    if any(e.about_id == entry.id and e.kind is Kind.UNDO for e in log):
        raise AlreadyMoved("That was undone already.")
    if piece.tapped:
        raise AlreadyMoved("That form was used already.")
    if entry.kind in (Kind.ENTER, Kind.ASK) and entry.id != named.id:
        if entry.kind is Kind.ENTER and ref.of is Of.COPY:
            _withdraw(act, piece, log)
        return
    if (why := undo_refusal(log, entry.id, act.now)) is not None:
        raise Refused(why)
    if act.who.role not in roles_of(entry):
        raise NotAllowed("Your role doesn’t cover what would be undone. Ask the office.")
    _add_about(act, piece, log, _about(act, entry, Kind.UNDO))
    if entry.move == MoveKey.HANDED_OVER:
        _unpack(act.db, ref.id, act.now)
    elif entry.move == MoveKey.CAME_BACK and entry.amount is not None:
        belongings.did_not_come_back(act.db, entry.amount)
    elif entry.move == MoveKey.LOST:
        aftercare.not_given_up(act.db, ref.id)
    if entry.move in PASSED:
        _back_to_one(act, ref.id)
        questions.close_limits(act.db, ref.id, act.now)
        for order_id, _ in orders_touched(act.db, piece):
            requiring.take_back(act, order_id, entry.recorded_at)
            requiring.in_line(act, order_id)
    elif entry.move in (MoveKey.HANDED_OVER, MoveKey.CANCEL, MoveKey.REMAKE):
        questions.reopen(act.db, piece.order_id, entry.recorded_at)
        questions.close_of_gone(act.db, [piece.order_id], act.now)


def _back_to_one(act: Act, model_id: int) -> None:
    """The photos have not passed: every pose waits for the one model again."""
    for version in versions.poses_of(act.db, model_id):
        versions.back_to_one(act.db, model_id, version)
        piece = store.load(act.db, Ref(Of.MODEL, version))
        _withdraw(act, piece, store.log_of(act.db, piece.ref))


def _withdraw_versions(act: Act, touched: Sequence[Ref]) -> None:
    """A model's next version goes again with the last remake that asked for it.

    A sister may have joined it in the meantime: then it stays, whoever asked first.
    """
    withdrawn = [piece for piece, _ in act.done.pieces if piece.ref.of is Of.COPY]
    gone = [piece.ref.id for piece in withdrawn if piece.state.step is Step.CANCELLED]
    models_of = {model for copy_id in gone for model in groups.models_of(act.db, copy_id)}
    entered = {ref.id for ref in touched if ref.of is Of.MODEL}
    for model_id in sorted(models_of | entered):
        model = store.load(act.db, Ref(Of.MODEL, model_id))
        follows = store.follows_another(act.db, model_id)
        if follows and model.state.open and not store.copies_of_model(act.db, model_id):
            _withdraw(act, model, store.log_of(act.db, model.ref))


def _check_begun(act: Act) -> None:
    """A group has not begun before each of its models was ready. Raises Refused.

    One that was finished first does not carry the beginning with it as the last one does.
    """
    touched = {piece.ref.id for piece, _ in act.done.pieces if piece.ref.of is Of.MODEL}
    for copy_id in {copy for model in touched for copy in groups.of_model(act.db, model)}:
        copy = store.load(act.db, Ref(Of.COPY, copy_id))
        line = effective(store.log_of(act.db, copy.ref))
        begun = [entry.happened_at for entry in line if entry.move == MoveKey.BEGUN]
        ready = groups.ready_at(act.db, copy_id)
        if begun and (ready is None or begun[-1] < ready):
            raise Refused(
                f"{code_of(copy)} stands on one base and has begun: each of its models was ready "
                "by then. Take back first what began it."
            )


def withdraw(act: Act, ref: Ref) -> None:
    """Take back a piece that was let in by itself. Raises Refused where it was worked on since."""
    _withdraw(act, store.load(act.db, ref), store.log_of(act.db, ref))


def _withdraw(act: Act, piece: Piece, log: Sequence[Entry]) -> None:
    """A remake or version that came with an undone act goes again, if nothing happened to it."""
    if any(entry.kind is not Kind.ASK for entry in effective(log)[1:]):
        raise Refused(f"{code_of(piece)} has been worked on since. Cancel it instead.")
    happened = max(act.now, piece.state.last_at)
    entry = Entry(
        id=0, seq=0, kind=Kind.MOVE, happened_at=happened, recorded_at=happened,
        to_step=Step.CANCELLED, move=MoveKey.CANCEL, by=act.who.account_id, reason="undone",
        whose="studio",
    )  # fmt: skip
    append(act, piece, entry)
    questions.close_of_gone(act.db, [piece.order_id], act.now)
    if piece.ref.of is Of.COPY:
        act.db.execute(update(copies).where(copies.c.id == piece.ref.id).values(withdrawn=1))
        aftercare.withdrawn(act.db, piece.ref.id)


def _withdraw_open(act: Act, ref: Ref) -> None:
    """Withdraw a remake unless it has been cancelled already."""
    piece = store.load(act.db, ref)
    if piece.state.step is not Step.CANCELLED:
        _withdraw(act, piece, store.log_of(act.db, ref))


def _about(act: Act, entry: Entry, kind: Kind) -> Entry:
    return Entry(
        id=0, seq=0, kind=kind, happened_at=entry.happened_at,
        recorded_at=max(act.now, entry.happened_at), by=act.who.account_id,
        about_id=entry.id, once=act.once,
    )  # fmt: skip


def _add_about(act: Act, piece: Piece, log: Sequence[Entry], about: Entry) -> None:
    """Add an undo or correction and fold the whole log again."""
    version = piece.version + 1
    about = replace(about, id=act.take_id(), seq=version, act=act.done.act)
    state = fold(piece.ref.of, [*log, about])
    store.add(act.db, [store.row_of_entry(piece.ref, about, None)])
    store.save(act.db, piece.ref, state, version)
    if state.step is Step.BUILDING:
        _name_machine(act.db, piece.ref.id, [*log, about])
    act.done.pieces.append((replace(piece, version=version, state=state), state))
    act.settling.add(piece.order_id)
    act.orders.update(order_id for order_id, _ in orders_touched(act.db, piece))


def _name_machine(db: Connection, model_id: int, log: Sequence[Entry]) -> None:
    """A model back in an earlier run is on that run's machine, not on the last one named.

    What an import named stays: there is no run's machine to compare it with.
    """
    begun = [entry.id for entry in effective(log) if entry.to_step is Step.BUILDING]
    run = builds.c.transition_id
    noted = db.execute(select(run).where(builds.c.model_id == model_id)).scalars().all()
    if not noted:
        return
    query = (
        select(machines.c.name, builds.c.ends_by)
        .join(builds, builds.c.machine_id == machines.c.id)
        .where(run == begun[-1])
    )
    name, ends = db.execute(query).one() if begun[-1] in noted else ("", None)
    values = {"machine": name, "build_ends_at": ends}
    db.execute(update(models).where(models.c.id == model_id).values(**values))


def _unpack(db: Connection, copy_id: int, now: int) -> None:
    """A handing over that did not happen leaves no parcel behind, or a sealed one here."""
    parcel_id = db.execute(select(copies.c.parcel_id).where(copies.c.id == copy_id)).scalar()
    if parcel_id is None:
        return
    db.execute(update(copies).where(copies.c.id == copy_id).values(parcel_id=None))
    left = db.execute(select(copies.c.id).where(copies.c.parcel_id == parcel_id).limit(1)).first()
    if left is not None:
        return
    its = parcels.c.id == parcel_id
    sealed = db.execute(select(parcels.c.sealed_at).where(its)).scalar() is not None
    values = {"sent_at": None} if sealed else {"taken_back_at": now}
    db.execute(update(parcels).where(its).values(values))
    belongings.did_not_leave(db, parcel_id, packed=sealed)


@dataclass(frozen=True, slots=True)
class Right:
    """What an entry should have said: the right move (or step, for an entering) and moment.

    `struck` says that it never happened. A missing move or moment stays as it was.
    """

    move: str = ""
    step: Step | None = None
    happened_at: int | None = None
    struck: bool = False
    reason: str = ""


def correct(
    database: Database, entry_id: int, right: Right, who: Person, now: int, once: str | None = None
) -> Done:
    """Correct an entry of the log: figures use the corrected line, nothing is sent by itself.

    Raises Refused with what has to be corrected first where the corrected log would not be legal
    by the rules; nothing is written then.
    """
    if right.happened_at is not None and right.happened_at > now:
        raise Refused("That is in the future. Type a time that has passed.")
    with database.writing() as db:
        ref, named = store.find_entry(db, entry_id)
        act = begin_act(db, who, now, once)
        _check_role(act, ref, named, right)
        meant = _meant(db, named, right)
        for ref, entry in meant:
            if right.struck and entry.kind is Kind.ENTER and entry.id != named.id:
                _withdraw_open(act, ref)
            else:
                _correct_one(act, ref, entry, right)
        if right.struck:
            _withdraw_versions(act, [])
        _check_begun(act)
        return settle(act)


def _check_role(act: Act, ref: Ref, named: Entry, right: Right) -> None:
    """Who may make neither the wrong move nor the right one may not turn one into the other.

    Raises NotAllowed.
    """
    line = effective(store.log_of(act.db, ref))
    shown = next((entry for entry in line if entry.id == named.id), named)
    becomes = replace(shown, move=right.move or shown.move)
    if any(act.who.role not in roles_of(entry) for entry in (named, shown, becomes)):
        raise NotAllowed("Your role doesn’t cover what would be corrected. Ask the office.")


def _meant(db: Connection, named: Entry, right: Right) -> list[tuple[Ref, Entry]]:
    """The entries of the act that the correction concerns.

    One that carried others with it takes them along, for a time or a strike; pieces that were
    only ticked and moved together stay as they are.
    """
    ref, _ = store.find_entry(db, named.id)
    if named.move not in CARRYING:
        return [(ref, named)]
    changes_move = (right.move and right.move != named.move) or right.step is not None
    meant = [
        (other, entry)
        for other, entry in store.entries_of_act(db, named.act)
        if entry.id == named.id or store.carried(db, ref, named, other, entry)
    ]
    if changes_move and len(meant) > 1:
        raise Refused(
            "This entry moved other pieces with it. Delete it, then enter the "
            "right move with its own time."
        )
    return meant


def _correct_one(act: Act, ref: Ref, entry: Entry, right: Right) -> None:
    piece = store.load(act.db, ref, act.once)
    log = store.log_of(act.db, ref)
    if piece.tapped:
        raise AlreadyMoved("That correction is in already.")
    policy = Policy(act.blank_on, piece.remembered)
    line = effective(log)
    shown = next((e for e in line if e.id == entry.id), None)
    if shown is None:
        raise NotFound("That entry no longer counts: it was undone or deleted.")
    about = replace(
        _about(act, entry, Kind.CORRECTION),
        happened_at=shown.happened_at if right.happened_at is None else right.happened_at,
        recorded_at=max(act.now, right.happened_at or 0, shown.happened_at),
        reason=right.reason,
        **_right_target(piece.ref.of, line, shown, right, policy),
    )
    if problems := correction_refusals(piece.ref.of, log, about, policy):
        raise Refused(" ".join(problems))
    _add_about(act, piece, log, about)
    if shown.move in PASSED and about.move not in PASSED:
        _back_to_one(act, ref.id)
    elif about.move in PASSED and shown.move not in PASSED:
        versions.settle_poses(act, ref.id, act.now, piece.state.gates)
    told, tells = news_of(shown, piece.state), news_of(replace(shown, move=about.move), piece.state)
    if told is not None and (tells is None or tells.kind != told.kind):
        # What has not gone out yet must not tell of something that never happened.
        news_rows.take_back(act.db, [entry.id], act.now)
    if entry.move == MoveKey.HANDED_OVER and about.move != MoveKey.HANDED_OVER:
        _unpack(act.db, ref.id, act.now)
    if shown.move == MoveKey.LOST and about.move != MoveKey.LOST:
        aftercare.not_given_up(act.db, ref.id)
    if shown.move == MoveKey.CAME_BACK and about.move != MoveKey.CAME_BACK and entry.amount:
        belongings.did_not_come_back(act.db, entry.amount)


def _right_target(
    of: Of, line: Sequence[Entry], shown: Entry, right: Right, policy: Policy
) -> dict[str, Any]:
    """The step (and move) that the correction puts in: None for what never happened."""
    if right.struck:
        return {"to_step": None, "move": "struck"}
    before = line[: line.index(shown)]
    if shown.kind is Kind.ENTER:
        return {"to_step": right.step or shown.to_step}
    state = fold(of, before)
    if shown.kind is not Kind.MOVE:
        return {"to_step": state.step}
    key = right.move or shown.move
    if key != shown.move and key in CARRYING:
        raise Refused(
            "That move does more than move this piece. Delete the wrong one, then "
            "enter the right one with its own time."
        )
    move = find_move(of, state.step, key, policy)
    if move is None and key == shown.move:
        return {"to_step": shown.to_step, "move": key}
    if move is None:
        raise Refused(f"From {STEPS[state.step].name} that cannot be done. Load the page again.")
    return {"to_step": move.end, "move": key}
