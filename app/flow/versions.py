"""Versions of a model by pose: a built model has one, and another pose is another version of it.

Before the photos have passed there is one model, whichever poses its copies were ordered in. In
the act by which they pass, and in any later one that wants another pose, the copies that have not
begun come to the version in theirs. A copy that names no pose has its model's.
"""

from collections.abc import Iterable

from sqlalchemy import Connection, RowMapping, and_, or_, select, update

from app.flow import groups, store
from app.flow.actions import Act, append, begin, new_version
from app.flow.approvals import requiring
from app.flow.gates import Gate
from app.flow.rules import Entry, Kind, Whose
from app.flow.steps import PHOTO_STEPS, MoveKey, Of, Step
from app.flow.store import Ref
from app.shared.text import fold
from app.tables import copies, models, order_animals

_LIVE = and_(copies.c.withdrawn == 0, copies.c.step != Step.CANCELLED)


def in_pose(db: Connection, model_id: int, pose: str) -> RowMapping | None:
    """The newest version of a model in a pose, itself or another one; None where there is none.

    At the photo steps it is the model itself for every pose.
    """
    own = db.execute(select(models).where(models.c.id == model_id)).mappings().one()
    if own["step"] in PHOTO_STEPS or not fold(pose) or _is_in(db, own, pose):
        return own
    same = and_(models.c.order_id == own["order_id"], models.c.letter == own["letter"])
    near = or_(same, models.c.follows_id == model_id, models.c.id == own["follows_id"])
    others = select(models).where(near, models.c.id != model_id, models.c.step != Step.CANCELLED)
    rows = db.execute(others.order_by(models.c.id.desc())).mappings()
    return next((row for row in rows if row["pose"] and fold(row["pose"]) == fold(pose)), None)


def _is_in(db: Connection, model: RowMapping, pose: str) -> bool:
    """Whether a model is in a pose. One of which nobody said it is in those of its copies."""
    if model["pose"]:
        return fold(model["pose"]) == fold(pose)
    its = select(copies.c.pose).where(copies.c.model_id == model["id"], _LIVE, copies.c.pose != "")
    said = {fold(one) for one in db.execute(its).scalars()}
    return not said or fold(pose) in said


def version_for(
    act: Act, model_id: int, of: tuple[int, str], pose: str, at: int, gates: Iterable[Gate] = ()
) -> int:
    """The version of a model from which a copy in a pose is made, a new one where there is none.

    `of` is the copy's order with its letter; a new version enters at finishing, at a moment (UTC
    seconds), and works from the photos that there are.
    """
    if (found := in_pose(act.db, model_id, pose)) is not None:
        return int(found["id"])
    old = act.db.execute(select(models).where(models.c.id == model_id)).mappings().one()
    # All poses follow the model that the photos made.
    if old["follows_id"] is not None and old["open"]:
        first = select(models).where(models.c.id == old["follows_id"])
        old = act.db.execute(first).mappings().one()
    return new_version(act, old, of, pose.strip(), at, gates)


def settle_poses(act: Act, model_id: int, at: int, gates: Iterable[Gate] = ()) -> None:
    """Bring each copy that has not begun to the version in its pose; the first has the model's own.

    Nothing is done before the photos have passed, nor where copies that have begun differ: a
    person has to look at those. `gates` are of questions that concern every version.
    """
    model = store.load(act.db, Ref(Of.MODEL, model_id))
    if model.state.step in (*PHOTO_STEPS, Step.CANCELLED):
        return
    its = select(copies).where(copies.c.model_id == model_id, _LIVE)
    rows = act.db.execute(its.order_by(copies.c.order_id, copies.c.number)).mappings().all()
    if (pose := _own_pose(act.db, model_id, rows)) is None:
        return
    act.db.execute(update(models).where(models.c.id == model_id).values(pose=pose))
    joined: set[int] = set()
    for row in rows:
        if row["step"] == Step.NOT_BEGUN and fold(row["pose"]) not in ("", fold(pose)):
            of = (row["order_id"], row["letter"])
            version = version_for(act, model_id, of, row["pose"], at, gates)
            _join(act, row["id"], version, at)
            joined.add(row["order_id"])
    for order_id in sorted(joined):
        requiring.in_line(act, order_id)
    _drop_if_empty(act, model_id, at)


def _own_pose(db: Connection, model_id: int, rows: Iterable[RowMapping]) -> str | None:
    """The pose that a model is in: that of the copies begun, its own, or the first copy's."""
    begun = {fold(r["pose"]): r["pose"] for r in rows if r["step"] != Step.NOT_BEGUN and r["pose"]}
    if begun:
        return next(iter(begun.values())).strip() if len(begun) == 1 else None
    kept: str | None = db.execute(select(models.c.pose).where(models.c.id == model_id)).scalar()
    said = [row["pose"].strip() for row in rows if row["pose"].strip()]
    if not said or (kept and fold(kept) in map(fold, said)):
        return kept
    # Nobody wants what it was to be: it becomes what is wanted, unless another is that already.
    other = in_pose(db, model_id, said[0])
    return kept if kept and other is not None and other["id"] != model_id else said[0]


def _join(act: Act, copy_id: int, version: int, at: int) -> None:
    """A copy that has not begun is made from another version: at once where all of it is ready."""
    own = update(copies).where(copies.c.id == copy_id)
    act.db.execute(own.values(model_id=version))
    ready = groups.ready_at(act.db, copy_id)
    if ready is not None:
        copy = store.load(act.db, Ref(Of.COPY, copy_id))
        begin(act, copy, _entry(act, Step.BLANK, MoveKey.BEGUN, at), ready)


def _drop_if_empty(act: Act, model_id: int, at: int) -> None:
    """A version that is under way and that no copy wants any more is cancelled."""
    model = store.load(act.db, Ref(Of.MODEL, model_id))
    wanted = select(copies.c.model_id, models.c.order_id).join(
        models, models.c.id == copies.c.model_id
    )
    if not model.state.open or act.db.execute(wanted.where(models.c.id == model_id, _LIVE)).first():
        return
    left = act.db.execute(
        wanted.where(_LIVE, copies.c.letter == model.letter, copies.c.order_id == model.order_id)
    ).first()
    if left is None or groups.of_model(act.db, model_id):
        return
    append(act, model, _entry(act, Step.CANCELLED, MoveKey.CANCEL, max(at, model.state.last_at)))
    line = update(order_animals).where(order_animals.c.model_id == model_id)
    act.db.execute(line.values(model_id=left.model_id))


def _entry(act: Act, step: Step, move: MoveKey, at: int) -> Entry:
    cancelled = move is MoveKey.CANCEL
    return Entry(
        id=0, seq=0, kind=Kind.MOVE, happened_at=at, recorded_at=max(act.now, at), to_step=step,
        move=move, by=act.who.account_id, once=act.once,
        reason="no copy in this pose any more" if cancelled else "",
        whose=Whose.CUSTOMER if cancelled else "",
    )  # fmt: skip


def poses_of(db: Connection, model_id: int) -> list[int]:
    """The versions of a model that are being finished for another pose."""
    its = select(models.c.id).where(models.c.follows_id == model_id, models.c.open == 1)
    return list(db.execute(its).scalars())


def back_to_one(db: Connection, model_id: int, version: int) -> None:
    """The copies of a version wait for the model itself again, whichever pose they want."""
    own = update(copies).where(copies.c.model_id == version, copies.c.step == Step.NOT_BEGUN)
    db.execute(own.values(model_id=model_id))
    db.execute(update(models).where(models.c.id == model_id).values(pose=None))
