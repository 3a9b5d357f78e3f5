"""The flow as data: the steps, what they wait for, and the moves between them.

Pure. The rules that read this stand in flow.rules.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from app.shared.people import DESK_AND_OWNER, EVERYBODY, Role


class Of(StrEnum):
    """What a piece is: a model of an animal, or a copy made from one."""

    MODEL = "model"
    COPY = "copy"


class TimeClass(StrEnum):
    """What a piece's time went into. The order is the order in which they apply."""

    HOLD = "hold"
    CUSTOMER = "customer"
    CARRIER = "carrier"
    REST_OF_ORDER = "rest_of_order"
    REST = "rest"
    MACHINE = "machine"
    CLOSED = "closed"
    HANDS = "hands"
    WAITING = "waiting"


class Step(StrEnum):
    """Where a piece is."""

    PHOTOS_WANTED = "photos_wanted"
    PHOTOS_IN = "photos_in"
    BUILDING = "building"
    ASSESSING = "assessing"
    FINISHING = "finishing"
    READY = "ready"
    NOT_BEGUN = "not_begun"
    BLANK = "blank"
    SHAPING = "shaping"
    PAINTING = "painting"
    INSPECTION = "inspection"
    PACKING = "packing"
    HANDED_OVER = "handed_over"
    RECEIVED = "received"
    REPLACED = "replaced"
    CANCELLED = "cancelled"


@dataclass(frozen=True, slots=True)
class StepFacts:
    """A step: its name on screen, whose it is, and the class its time falls into by itself.

    `waits_for` is CUSTOMER, MACHINE, CARRIER or WAITING (people). `take` names the button that
    takes a piece in hand; it is empty where no hands are needed. `usual` and `slow` are the days
    shown until the studio has twenty stays of its own (common practice, no source).
    """

    step: Step
    name: str
    of: Of
    waits_for: TimeClass
    take: str = ""
    usual: int = 0
    slow: int = 0


_W = TimeClass.WAITING
STEPS: dict[Step, StepFacts] = {
    facts.step: facts
    for facts in (
        StepFacts(Step.PHOTOS_WANTED, "Photos wanted", Of.MODEL, TimeClass.CUSTOMER, "", 7, 21),
        StepFacts(Step.PHOTOS_IN, "Photos in", Of.MODEL, TimeClass.MACHINE, "", 2, 5),
        StepFacts(Step.BUILDING, "Model build", Of.MODEL, TimeClass.MACHINE, "", 1, 3),
        StepFacts(Step.ASSESSING, "Assessment", Of.MODEL, _W, "Look at it", 1, 3),
        StepFacts(Step.FINISHING, "Model finishing", Of.MODEL, _W, "Start", 4, 9),
        StepFacts(Step.BLANK, "Blank", Of.COPY, TimeClass.MACHINE, "", 3, 6),
        StepFacts(Step.SHAPING, "Shaping", Of.COPY, _W, "Start", 5, 11),
        StepFacts(Step.PAINTING, "Painting", Of.COPY, _W, "Start", 6, 12),
        StepFacts(Step.INSPECTION, "Inspection", Of.COPY, _W, "Inspect", 1, 3),
        StepFacts(Step.PACKING, "Packing", Of.COPY, _W, "Pack", 2, 5),
        StepFacts(Step.HANDED_OVER, "Handed over", Of.COPY, TimeClass.CARRIER, "", 4, 9),
        # No bench: a copy whose model is not ready, and the ends.
        StepFacts(Step.NOT_BEGUN, "Not begun", Of.COPY, _W),
        StepFacts(Step.READY, "Model ready", Of.MODEL, _W),
        StepFacts(Step.RECEIVED, "Received", Of.COPY, _W),
        StepFacts(Step.REPLACED, "Replaced", Of.COPY, _W),
        StepFacts(Step.CANCELLED, "Cancelled", Of.COPY, _W),
    )
}
BENCHES: tuple[Step, ...] = tuple(step for step, facts in STEPS.items() if facts.usual)
PLACE: dict[Step, int] = {step: place for place, step in enumerate(Step)}
ENDS = frozenset({Step.READY, Step.RECEIVED, Step.REPLACED, Step.CANCELLED})
PHOTO_STEPS = (Step.PHOTOS_WANTED, Step.PHOTOS_IN, Step.BUILDING, Step.ASSESSING)
MAKING_STEPS = (Step.BLANK, Step.SHAPING, Step.PAINTING, Step.INSPECTION, Step.PACKING)
STARTS: dict[Of, tuple[Step, ...]] = {
    Of.MODEL: (*PHOTO_STEPS, Step.FINISHING, Step.READY),
    Of.COPY: (Step.NOT_BEGUN, *MAKING_STEPS, Step.HANDED_OVER),
}


class MoveKey(StrEnum):
    """What a button posts: which way a piece goes. The moves of one outcome share a key."""

    PHOTOS_COUNTED = "photos_counted"
    BUILD_STARTED = "build_started"
    NO_BUILD = "no_build"
    BUILD_FINISHED = "build_finished"
    BUILD_FAILED = "build_failed"
    BUILD_STOPPED = "build_stopped"
    GOOD = "good"
    LIMITS = "limits"
    BY_EYE = "by_eye"
    BUILD_AGAIN = "build_again"
    MORE_VIEWS = "more_views"
    NEW_SET = "new_set"
    MODEL_FINISHED = "model_finished"
    BEGUN = "begun"
    BLANK_DONE = "blank_done"
    SHAPED = "shaped"
    PAINTED = "painted"
    PASSED = "passed"
    HANDED_OVER = "handed_over"
    RECEIVED = "received"
    CAME_BACK = "came_back"
    BACK_TO_BLANK = "back_to_blank"
    BACK_TO_SHAPING = "back_to_shaping"
    BACK_TO_PAINTING = "back_to_painting"
    BACK_TO_INSPECTION = "back_to_inspection"
    REMAKE = "remake"
    CANCEL = "cancel"

    @classmethod
    def back_to(cls, cause: Step) -> "MoveKey":
        """The key that sends a copy back to the step that caused a finding."""
        return cls(f"back_to_{cause}")


@dataclass(frozen=True, slots=True)
class Move:
    """A way from one step to another.

    `needs` names what has to be said with it: the page shows a form for it instead of a plain
    button.
    """

    key: MoveKey
    of: Of
    start: Step
    end: Step
    label: str
    roles: frozenset[Role] = EVERYBODY
    needs: tuple[str, ...] = ()
    forward: bool = True
    by_itself: bool = False


def _model_moves() -> Iterator[Move]:
    m, s = Of.MODEL, Step
    yield Move(
        MoveKey.PHOTOS_COUNTED,
        m,
        s.PHOTOS_WANTED,
        s.PHOTOS_IN,
        "Photos are here",
        needs=("amount",),
    )
    yield Move(MoveKey.BUILD_STARTED, m, s.PHOTOS_IN, s.BUILDING, "Start build")
    yield Move(MoveKey.NO_BUILD, m, s.PHOTOS_IN, s.ASSESSING, "Assess without a build")
    yield Move(MoveKey.BUILD_FINISHED, m, s.BUILDING, s.ASSESSING, "Build finished", by_itself=True)
    yield Move(
        MoveKey.BUILD_FAILED, m, s.BUILDING, s.ASSESSING, "Failed by the pictures", by_itself=True
    )
    yield Move(
        MoveKey.BUILD_STOPPED, m, s.BUILDING, s.PHOTOS_IN, "Stopped by the machine",
        forward=False, by_itself=True,
    )  # fmt: skip
    yield Move(MoveKey.GOOD, m, s.ASSESSING, s.FINISHING, "Good")
    yield Move(MoveKey.LIMITS, m, s.ASSESSING, s.FINISHING, "Good with limits", needs=("limits",))
    yield Move(MoveKey.BY_EYE, m, s.ASSESSING, s.FINISHING, "By eye, without a build")
    yield Move(MoveKey.BUILD_AGAIN, m, s.ASSESSING, s.PHOTOS_IN, "Build again", forward=False)
    for step in (s.ASSESSING, s.PHOTOS_IN, s.FINISHING):
        yield Move(
            MoveKey.MORE_VIEWS, m, step, s.PHOTOS_WANTED, "Ask for more views",
            needs=("views",), forward=False,
        )  # fmt: skip
    yield Move(
        MoveKey.NEW_SET, m, s.ASSESSING, s.PHOTOS_WANTED, "Ask for a new set",
        needs=("views",), forward=False,
    )  # fmt: skip
    yield Move(MoveKey.MODEL_FINISHED, m, s.FINISHING, s.READY, "Done")


def _copy_moves() -> Iterator[Move]:
    c, s = Of.COPY, Step
    yield Move(MoveKey.BEGUN, c, s.NOT_BEGUN, s.BLANK, "Begin")
    yield Move(MoveKey.BEGUN, c, s.NOT_BEGUN, s.SHAPING, "Begin")
    yield Move(MoveKey.BLANK_DONE, c, s.BLANK, s.SHAPING, "Done")
    yield Move(MoveKey.SHAPED, c, s.SHAPING, s.PAINTING, "Done")
    yield Move(MoveKey.PAINTED, c, s.PAINTING, s.INSPECTION, "Done")
    yield Move(MoveKey.PASSED, c, s.INSPECTION, s.PACKING, "Pass", needs=("marks",))
    yield Move(MoveKey.HANDED_OVER, c, s.PACKING, s.HANDED_OVER, "Hand over", needs=("parcel",))
    yield Move(MoveKey.RECEIVED, c, s.HANDED_OVER, s.RECEIVED, "Received", by_itself=True)
    yield Move(
        MoveKey.CAME_BACK, c, s.HANDED_OVER, s.PACKING, "Came back undelivered",
        roles=DESK_AND_OWNER, needs=("reason",), forward=False, by_itself=True,
    )  # fmt: skip
    for start in MAKING_STEPS:
        for cause in MAKING_STEPS:
            if PLACE[cause] < PLACE[start]:
                yield Move(
                    MoveKey.back_to(cause), c, start, cause, f"Back to {STEPS[cause].name}",
                    needs=("finding",), forward=False,
                )  # fmt: skip
        yield Move(
            MoveKey.REMAKE, c, start, s.REPLACED, "Remake", needs=("finding",), forward=False
        )
    yield Move(
        MoveKey.REMAKE, c, s.HANDED_OVER, s.REPLACED, "Remake",
        roles=DESK_AND_OWNER, needs=("finding",), forward=False,
    )  # fmt: skip


def _cancels() -> Iterator[Move]:
    for of, steps in (
        (Of.MODEL, (*PHOTO_STEPS, Step.FINISHING)),
        (Of.COPY, (Step.NOT_BEGUN, *MAKING_STEPS)),
    ):
        for step in steps:
            yield Move(
                MoveKey.CANCEL, of, step, Step.CANCELLED, "Cancel",
                roles=DESK_AND_OWNER, needs=("reason", "whose"), forward=False,
            )  # fmt: skip


MOVES: tuple[Move, ...] = (*_model_moves(), *_copy_moves(), *_cancels())
_BY_START: dict[tuple[Of, Step], tuple[Move, ...]] = {}
for _move in MOVES:
    _BY_START[_move.of, _move.start] = (*_BY_START.get((_move.of, _move.start), ()), _move)


def moves_from(of: Of, step: Step) -> tuple[Move, ...]:
    """Every move that the flow knows from a step, in the order of their buttons."""
    return _BY_START.get((of, step), ())


PASSED = frozenset({MoveKey.GOOD, MoveKey.LIMITS, MoveKey.BY_EYE})
ASKED_AGAIN = frozenset({MoveKey.MORE_VIEWS, MoveKey.NEW_SET})
# Sends a copy back to the step that caused a finding.
REWORKS = frozenset(key for key in MoveKey if key.startswith("back_to_"))


def piece_code(order_number: int, letter: str, copy: int | str | None = None) -> str:
    """A piece's code: 1147-A for a model, 1147-A2 for a copy of it."""
    return f"{order_number}-{letter}{copy or ''}"
