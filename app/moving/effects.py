"""What each move needs to hear, asks first, and does beside the log: one table by its key.

What stands here happens whoever asks, at whichever page, in the transaction of the move itself.
"""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

from sqlalchemy import delete, insert, select, update

from app.flow import questions, versions
from app.flow.actions import Act
from app.flow.after import belongings
from app.flow.approvals import requiring
from app.flow.changes import AskedBy, note
from app.flow.rules import Kind, Whose, copies_may_join, past_the_third
from app.flow.steps import ASKED_AGAIN, CAUSES, PASSED, REWORKS, MoveKey, Step
from app.flow.store import Piece, Ref
from app.moving import inspecting, machines, parcels, rules
from app.moving.inspecting import NOT_SAID, WhatIsWrong
from app.moving.names import named
from app.moving.one_base import approved_anew, check_whole
from app.moving.parcels import ParcelDetails
from app.shared.errors import BadFields, NotAllowed, Refused
from app.shared.people import Role
from app.shared.text import whole_number
from app.shared.web import words
from app.studio.curing import Coat, later
from app.studio.workshop import InForce
from app.tables import animals, models, order_animals, orders, photo_deliveries, views_asked

MOST_PICTURES = 20_000


@dataclass(frozen=True, slots=True)
class MoveDetails:
    """Everything that may be said with a move; which of it is needed depends on the move.

    `happened_at` is a typed moment and `until` one to come (UTC seconds), `look_on` a day.
    `before` is the step at which a question stops the piece, None for wherever it is.
    `counted` are pictures by model, `delivery` the delivery they came in where each was looked
    at, `coat` what was laid on last and still cures, `batch` the number of that in which blanks are
    made, `marks` those that were ticked, None where nobody was shown any, `checked` the lines of
    the studio's list that were. `found` says more of a finding. `sure` answers what is asked first;
    `from_row` says that the page showed a row, with the piece's next act alone. `asked_by` is who
    asked for a cancellation: the customer by a channel, or US; empty where nobody says.
    """

    happened_at: int | None = None
    reason: str = ""
    cause: str = ""
    whose: str = ""
    until: int | None = None
    look_on: str | None = None
    question_id: int | None = None
    before: Step | None = None
    counted: Mapping[Ref, int] = field(default_factory=dict)
    delivery: int | None = None
    views: Sequence[str] = ()
    limits: str = ""
    agreed: str = ""
    marks: Collection[int] | None = None
    checked: Collection[str] = ()
    found: WhatIsWrong = NOT_SAID
    machine: int | None = None
    coat: Coat | None = None
    batch: int | None = None
    parcel: ParcelDetails | None = None
    sure: bool = False
    from_row: bool = False
    asked_by: str = ""


@dataclass(slots=True)
class Moving:
    """A move under way: the open act, what moves, what was said. `amounts` and `untils` (from when
    it may be wrapped) are by piece."""

    act: Act
    in_force: Callable[[], InForce]
    what: MoveKey | Kind
    pieces: Sequence[Piece]
    said: MoveDetails
    amounts: Mapping[Ref, int | None] = field(default_factory=dict)
    untils: Mapping[Ref, int | None] = field(default_factory=dict)

    @property
    def at(self) -> int:
        """The moment at which it happens, or happened (UTC seconds)."""
        return self.act.now if self.said.happened_at is None else self.said.happened_at

    def today(self) -> date:
        """The studio's day."""
        return self.in_force().calendar.day_of(self.act.now)


class AskFirst(Refused):
    """The act would surprise somebody: asked back once, `label` is the yes.

    `about` is the piece where it concerns a single one.
    """

    def __init__(self, sentence: str, label: str, about: Piece | None = None) -> None:
        super().__init__(sentence)
        self.label, self.about = label, about


Does = Callable[[Moving], None]


@dataclass(frozen=True, slots=True)
class Effect:
    """What a move does beside its entry.

    `hears` raises BadFields, by field, for words that are missing; `before` raises what stands
    against it or has to be asked first, and may set amounts; `after` writes what goes with it.
    """

    hears: Does | None = None
    before: Does | None = None
    after: Does | None = None


# ---------------------------------------------------------------- findings and reasons


def _finding(moving: Moving) -> None:
    said = moving.said
    if not (reason := said.reason or said.found.words):
        raise BadFields({"reason": "What was found? A few words."})
    if moving.what is MoveKey.REMAKE and not said.cause:
        raise BadFields({"cause": "What caused it?"})
    cause, _, model = said.cause.partition(":")
    if cause and cause not in CAUSES:
        raise BadFields({"cause": "Choose one from the list."})
    # Of a group it is said which model: its number is the amount.
    moving.said = replace(said, cause=cause, reason=reason)
    if moving.what is MoveKey.REMAKE:
        moving.amounts = dict.fromkeys((piece.ref for piece in moving.pieces), whole_number(model))


def _keep_finding(moving: Moving) -> None:
    inspecting.keep_finding(moving.act, moving.pieces, moving.what, moving.said.found)


def _whose(moving: Moving) -> None:
    if moving.said.whose not in tuple(Whose):
        because = moving.what is MoveKey.CANCEL
        raise BadFields({"whose": "Because of whom?" if because else "Waiting on whom?"})
    if not moving.said.reason:
        raise BadFields({"reason": "Why? A few words."})


def _why_back(moving: Moving) -> None:
    if not moving.said.reason:
        raise BadFields({"reason": "Why did it come back?"})


def _why_lost(moving: Moving) -> None:
    if not moving.said.reason:
        raise BadFields({"reason": "Who says so, and what was agreed? A few words."})


def _with_it(moving: Moving) -> None:
    """What of the customer's lay in the parcel came back with the piece."""
    for parcel_id in {id_ for id_ in moving.amounts.values() if id_ is not None}:
        belongings.came_back(moving.act.db, parcel_id)


# ---------------------------------------------------------------- photos


def _amounts(moving: Moving) -> None:
    for piece in moving.pieces:
        if not 0 < moving.said.counted.get(piece.ref, 0) <= MOST_PICTURES:
            raise BadFields({"amount": "How many photos are here?"})
    moving.amounts = moving.said.counted


def _count_pictures(moving: Moving) -> None:
    """More views join the pictures that are here: the earlier ones stay."""
    if moving.said.delivery is not None:
        return  # The photo desk has looked at each and keeps the numbers itself.
    db, now = moving.act.db, moving.act.now
    for piece in moving.pieces:
        amount = moving.said.counted[piece.ref]
        before = machines.pictures_of(db, piece.ref.id)
        total = amount + (before or 0 if piece.state.attempts else 0)
        db.execute(update(models).where(models.c.id == piece.ref.id).values(pictures=total))
        db.execute(
            update(photo_deliveries)
            .where(
                photo_deliveries.c.order_id == piece.order_id,
                photo_deliveries.c.fetched_at.is_(None),
            )
            .values(fetched_at=now, files_counted=amount)
        )


def _views(moving: Moving) -> None:
    rules.check_views(moving.said.views)


def _check_third(moving: Moving) -> None:
    """After three requests for pictures the desk decides how to go on. Raises NotAllowed."""
    third = any(past_the_third(piece.state) for piece in moving.pieces)
    if third and moving.act.who.role is Role.BENCH:
        raise NotAllowed(
            "Photos have been asked for three times already. "
            "Ask the office or the owner how to go on."
        )


def _ask_views(moving: Moving) -> None:
    db = moving.act.db
    for piece in moving.pieces:
        attempt = piece.state.attempts + 1
        own = views_asked.c.model_id == piece.ref.id
        db.execute(delete(views_asked).where(own, views_asked.c.attempt == attempt))
        common = {"model_id": piece.ref.id, "attempt": attempt, "asked_at": moving.act.now}
        rows = [
            {**common, "number": n, "wish": wish}
            for n, wish in enumerate(moving.said.views, start=1)
        ]
        db.execute(insert(views_asked), rows)


# ---------------------------------------------------------------- the model


def _may_run(moving: Moving) -> None:
    """The machine is known and has room; of a set that the check refused, ask. Raises AskFirst."""
    db = moving.act.db
    chosen = machines.choose(db, moving.said.machine)
    if chosen is not None:
        new = {piece.ref.id for piece in moving.pieces}
        machines.check_room(db, chosen, new, moving.act.now)
    if moving.said.sure:
        return
    checked = [(piece, machines.refusal_of_check(db, piece.ref.id)) for piece in moving.pieces]
    refused = [(piece, why) for piece, why in checked if why is not None]
    if refused:
        said = [
            f"The check calls the photos of {named(db, piece.ref).words} not usable"
            + (f": {why}" if why else ".")
            for piece, why in refused
        ]
        label = f"Start {'it' if len(checked) == 1 else 'them'} anyway"
        raise AskFirst(" ".join(said), label, refused[0][0])


def _begin_runs(moving: Moving) -> None:
    db, act = moving.act.db, moving.act
    chosen = machines.choose(db, moving.said.machine)
    if chosen is not None:
        begun = {
            piece.ref.id: (act.done.entries[piece.ref], state.entered_at)
            for piece, state in act.done.pieces
        }
        machines.note_runs(db, chosen, begun, act.now)


def _limits(moving: Moving) -> None:
    if not moving.said.limits:
        raise BadFields({"limits": "What will be sculpted by eye?"})


def _pass_with_limits(moving: Moving) -> None:
    """What is left to the eye is kept, and agreed with the customer, who approves the model."""
    said = moving.said
    for piece in moving.pieces:
        own = update(models).where(models.c.id == piece.ref.id)
        moving.act.db.execute(own.values(limits=said.limits, limits_agreed=said.agreed))
        if not said.agreed:
            _ask_limits(moving, piece)
    _photos_passed(moving)
    _require_model(moving)


def _ask_limits(moving: Moving, piece: Piece) -> None:
    """What nobody has agreed yet is asked at once; the work goes on, and nothing leaves before."""
    db, now = moving.act.db, moving.act.now
    name = db.execute(
        select(animals.c.name)
        .join(models, models.c.animal_id == animals.c.id)
        .where(models.c.id == piece.ref.id)
    ).scalar_one()
    questions.put(
        db, piece.order_id, piece.ref, questions.LIMITS,
        questions.about_limits(name, moving.said.limits), "letter", moving.act.who, now,
        blocking=False,
    )  # fmt: skip


def _photos_passed(moving: Moving) -> None:
    """Copies in another pose get a version of their own, and more copies may join for a while."""
    for piece, state in tuple(moving.act.done.pieces):
        versions.settle_poses(moving.act, piece.ref.id, state.entered_at, state.gates)
    _open_deadlines(moving)


def _open_deadlines(moving: Moving) -> None:
    """From the assessment on, copies may join for some working days, unless a day stands."""
    in_force = moving.in_force()
    days = in_force.settings.copy_deadline_working_days
    last = in_force.calendar.add_working_days(moving.today(), days)
    own = order_animals.c.model_id.in_([piece.ref.id for piece in moving.pieces])
    waiting = select(order_animals.c.order_id).where(own)
    moving.act.db.execute(
        update(orders)
        .where(orders.c.id.in_(waiting), orders.c.copy_deadline.is_(None), orders.c.open == 1)
        .values(copy_deadline=last.isoformat())
    )


def _ask_before_deadline(moving: Moving) -> None:
    """Finishing a model ends what the customer was promised until a day: ask. Raises AskFirst."""
    if moving.said.sure:
        return
    for piece in moving.pieces:
        name = named(moving.act.db, piece.ref)
        if name.copy_deadline and copies_may_join(name.copy_deadline, moving.today()):
            raise AskFirst(
                f"More copies may still join the order of {name.words} until "
                f"{words.day(date.fromisoformat(name.copy_deadline))}. "
                "Once its model is finished they cannot.",
                "Finish it anyway",
                piece,
            )


# ---------------------------------------------------------------- copies


def _last_coat(moving: Moving) -> None:
    if moving.said.coat is None:
        raise BadFields({"coat": "What is the last coat, and from when may it be wrapped?"})
    _cures(moving)


def _cures(moving: Moving) -> None:
    """What was laid on is kept in words, and the day to which the whole piece cures."""
    coat = moving.said.coat
    if coat is not None:
        moving.untils = {p.ref: later(coat.until, p.state.rests_until) for p in moving.pieces}
        moving.said = replace(moving.said, reason=coat.material)


def _may_pack(moving: Moving) -> None:
    """What still cures is not wrapped without a reason, kept with the entry. Raises BadFields."""
    act, said = moving.act, moving.said
    for piece in moving.pieces:
        packing = piece.state.step is Step.PACKING
        stops = rules.may_pack(piece.state.rests_until, moving.at) if packing else []
        if left := rules.refused(stops, act.who.role, said.reason):
            cures = piece.state.rests_until
            assert cures is not None
            when = words.when(cures, act.now, moving.in_force().calendar.zone)
            raise BadFields(
                {"reason": f"{named(act.db, piece.ref).words}: {left[0].words} It may be wrapped "
                 f"from {when}. Wait, or give a reason for packing it now."}
            )  # fmt: skip


def _check_inspected(moving: Moving) -> None:
    said, settings = moving.said, moving.in_force().settings
    if said.marks is None:
        raise BadFields({"marks": "Check the markings one by one, against the photos."})
    for piece in moving.pieces:
        inspecting.check(moving.act.db, piece, settings, said.marks, said.checked)


def _keep_ticks(moving: Moving) -> None:
    settings = moving.in_force().settings
    inspecting.keep_ticks(moving.act, moving.pieces, settings, moving.said.marks or ())


def _named_parcel(moving: Moving) -> None:
    parcel = moving.said.parcel
    if parcel is None:
        raise BadFields(
            {"parcel": "It leaves in a parcel or by hand. Press Hand over and say which."}
        )
    if parcel.way == "carrier" and not parcel.carrier:
        raise BadFields({"carrier": "Which carrier?"})


def _pack(moving: Moving) -> None:
    act, said = moving.act, moving.said
    assert said.parcel is not None
    ids = [piece.ref.id for piece in moving.pieces]
    parcel_id = parcels.pack(act.db, ids, said.parcel, said.reason, moving.at, act.who)
    parcels.keep_usual_days(act.db, parcel_id, moving.in_force())
    moving.amounts = dict.fromkeys((piece.ref for piece in moving.pieces), parcel_id)


def _remade(moving: Moving) -> None:
    _keep_finding(moving)
    _close_questions(moving)
    approved_anew(moving.act, moving.pieces)


def _whole(moving: Moving) -> None:
    check_whole(moving.act.db, moving.pieces)


def _close_questions(moving: Moving) -> None:
    """Nobody is asked any more about what has left or will not be made."""
    orders_of = {piece.order_id for piece in moving.pieces}
    questions.close_of_gone(moving.act.db, orders_of, moving.act.now)


def _cancelled(moving: Moving) -> None:
    """Who asked for it is kept with the changes of the order."""
    _close_questions(moving)
    act, said = moving.act, moving.said
    if said.asked_by:
        for order_id in {piece.order_id for piece in moving.pieces}:
            note(
                act.db, act.who.account_id, act.now, "orders", "cancelled", None, said.reason,
                of_id=order_id, order_id=order_id, asked=AskedBy(said.asked_by),
            )  # fmt: skip


def _of_parcel(moving: Moving) -> None:
    db = moving.act.db
    moving.amounts = {p.ref: parcels.parcel_of(db, p.ref.id) for p in moving.pieces}


def _require_model(moving: Moving) -> None:
    """Where something is left to the eye, the customer sees the model before it is made."""
    db = moving.act.db
    own = order_animals.c.model_id.in_([piece.ref.id for piece in moving.pieces])
    waiting = select(orders.c.id).join(order_animals, order_animals.c.order_id == orders.c.id)
    for order_id in db.execute(waiting.where(own, orders.c.open == 1)).scalars().all():
        requiring.require_model(moving.act, order_id)


_FINDING = Effect(hears=_finding, after=_keep_finding)
_PLAIN = Effect()
_PASS = Effect(after=_photos_passed)
_VIEWS = Effect(_views, _check_third, _ask_views)
EFFECTS: Mapping[MoveKey | Kind, Effect] = {
    **dict.fromkeys(Kind, _PLAIN),
    **dict.fromkeys(MoveKey, _PLAIN),
    **dict.fromkeys(PASSED, _PASS),
    **dict.fromkeys(ASKED_AGAIN, _VIEWS),
    **dict.fromkeys(REWORKS, _FINDING),
    Kind.FINDING: _FINDING,
    Kind.HOLD: Effect(hears=_whose),
    Kind.START: Effect(before=_may_pack),
    MoveKey.PHOTOS_COUNTED: Effect(hears=_amounts, after=_count_pictures),
    MoveKey.BUILD_STARTED: Effect(before=_may_run, after=_begin_runs),
    **dict.fromkeys((MoveKey.LIMITS, MoveKey.BY_EYE), Effect(_limits, after=_pass_with_limits)),
    MoveKey.MODEL_FINISHED: Effect(before=_ask_before_deadline),
    **dict.fromkeys((MoveKey.BLANK_DONE, MoveKey.SHAPED), Effect(hears=_cures)),
    MoveKey.PAINTED: Effect(hears=_last_coat),
    MoveKey.PASSED: Effect(hears=_check_inspected, after=_keep_ticks),
    MoveKey.HANDED_OVER: Effect(_named_parcel, _pack, _close_questions),
    MoveKey.RECEIVED: Effect(before=_of_parcel),
    MoveKey.CAME_BACK: Effect(_why_back, _of_parcel, _with_it),
    MoveKey.LOST: Effect(hears=_why_lost, after=_close_questions),
    MoveKey.REMAKE: Effect(hears=_finding, after=_remade),
    MoveKey.CANCEL: Effect(_whose, _whole, _cancelled),
}
