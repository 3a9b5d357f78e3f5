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
    QUEUE = "queue"
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

    `waits_for` is CUSTOMER, QUEUE (for a machine), MACHINE, CARRIER or WAITING (people). `take`
    names the button that takes a piece in hand; it is empty where no hands are needed. `usual` and
    `slow` are the days
    shown until the studio has twenty stays of its own (common practice, no source; painting has
    room for the week that acrylics wait before varnish, packing for the days that varnish cures).
    `cause` says in words that a finding came from here: the steps of the making have it. `shows` is
    what a picture taken here shows, where one may be released to the customer. `entry` says that
    an order under way may be typed in at it. `cautions` are the usual ones of the trade, in our
    own words; DEFER follows them wherever they stand.
    """

    step: Step
    name: str
    of: Of
    waits_for: TimeClass
    take: str = ""
    usual: int = 0
    slow: int = 0
    cause: str = ""
    shows: str = ""
    entry: bool = True
    cautions: tuple[str, ...] = ()


DEFER = "Follow the product's safety data sheet, the tool's manual and local codes."
_M, _C, _W = Of.MODEL, Of.COPY, TimeClass.WAITING
# A table, a step a row.
# fmt: off
STEPS: dict[Step, StepFacts] = {
    facts.step: facts
    for facts in (
        StepFacts(Step.PHOTOS_WANTED, "Photos wanted", _M, TimeClass.CUSTOMER, "", 7, 21, cautions=(
            "Ask for calm photos: let the animal approach, no chasing, cornering or flash, and "
            "stop when it shows that it has had enough.",
        )),
        StepFacts(Step.PHOTOS_IN, "Photos in", _M, TimeClass.QUEUE, "", 2, 5),
        StepFacts(Step.BUILDING, "Model build", _M, TimeClass.MACHINE, "", 1, 3),
        StepFacts(Step.ASSESSING, "Assessment", _M, _W, "Look at it", 1, 3, shows="model"),
        StepFacts(Step.FINISHING, "Model finishing", _M, _W, "Start", 4, 9, shows="model"),
        StepFacts(Step.BLANK, "Blank", _C, TimeClass.MACHINE, "", 3, 6, "the blank", cautions=(
            "Uncured resin sensitises skin and lungs: eyes and skin covered, extraction on, thick "
            "nitrile gloves, clean up between jobs.",
            "Wash alcohol burns: no flame, no hot lamp, air moving, lid on. Used wash and uncured "
            "resin are hazardous waste, never for the drain or the bin.",
            "Eyes covered where supports are cut off: the ends fly.",
            "Shield eyes and skin from curing lamps; never cure in an oven that is used for food.",
            "Where metal is cast: bone-dry moulds and tools, face shield, natural fibres, leather "
            "shoes.",
        )),
        StepFacts(Step.SHAPING, "Shaping", _C, _W, "Start", 5, 11, "shaping", cautions=(
            "Knives and scalpels: cut away from yourself, with a fresh blade; used blades into the "
            "sharps box, never loose on the bench.",
            "Glasses and a face shield at the rotary tool; burr rated for its speed, long burrs "
            "slower, guards on. No loose sleeves, untied hair or gloves that can snag; clamp the "
            "piece.",
            "Dust of resin, stone or plaster: wet work or extraction first, a particle mask beside "
            "it, no dry sweeping.",
            "Loud or shaking tools: ears covered, hands rested and warm. Charge lithium batteries "
            "where you can see them, and none that is damaged. Nobody runs a dangerous tool alone "
            "in the house.",
            "Superglue sticks skin and eyelids and heats up in cotton: no cloth, air moving.",
            "Keep the skin clear of half-cured epoxy dust: it sensitises.",
        )),
        StepFacts(Step.PAINTING, "Painting", _C, _W, "Start", 13, 20, "painting", "painting",
                  cautions=(
            "Spray in a ventilated booth, away from sparks and flames, with the right filter. "
            "“Non-toxic” on a label is not about breathing it in.",
            "Spray cans: away from heat, in moving air. Cadmium and cobalt pigments are neither "
            "sprayed nor sanded; no brush goes to the lips.",
            "Two-pack polyurethane needs air-fed breathing apparatus; choose another paint if you "
            "can.",
            "Rags with drying oil heat by themselves: into a lidded metal can, under water.",
        )),
        StepFacts(Step.INSPECTION, "Inspection", _C, _W, "Inspect", 1, 3, "inspection", "painting"),
        StepFacts(Step.PACKING, "Packing", _C, _W, "Pack", 4, 8, "packing", "painting", cautions=(
            "Film that is dry but not cured takes prints of its wrapping: mind the rest time.",
            "Hold it by the base. Tissue or film on the varnish, never bubbles; nothing presses on "
            "ears, legs or tail. Resin softens in a hot van.",
            "Five centimetres of cushioning all round, seven and a half between two boxes; nothing "
            "moves when shaken. Send no liquids.",
        )),
        StepFacts(Step.HANDED_OVER, "Handed over", _C, TimeClass.CARRIER, "", 4, 9),
        # No bench: a copy whose model is not ready, and the ends.
        StepFacts(Step.NOT_BEGUN, "Not begun", _C, _W),
        StepFacts(Step.READY, "Model ready", _M, _W, shows="model"),
        StepFacts(Step.RECEIVED, "Received", _C, _W, entry=False),
        StepFacts(Step.REPLACED, "Replaced", _C, _W, entry=False),
        StepFacts(Step.CANCELLED, "Cancelled", _C, _W, entry=False),
    )
}
# fmt: on
BENCHES: tuple[Step, ...] = tuple(step for step, facts in STEPS.items() if facts.usual)
_NOT_OURS = (TimeClass.CUSTOMER, TimeClass.CARRIER)
PLACE: dict[Step, int] = {step: place for place, step in enumerate(Step)}
ENDS = frozenset({Step.READY, Step.RECEIVED, Step.REPLACED, Step.CANCELLED})
PHOTO_STEPS = (Step.PHOTOS_WANTED, Step.PHOTOS_IN, Step.BUILDING, Step.ASSESSING)
MAKING_STEPS = tuple(step for step in Step if STEPS[step].cause)
# What may have caused a finding, the latest first: a step of the making, what it is made of, who
# carried it, or the model.
MODEL, MATERIAL, CARRIER = "model", "material", "carrier"
CAUSES: dict[str, str] = {
    **{str(step): STEPS[step].cause for step in reversed(MAKING_STEPS)},
    MATERIAL: "the material",
    CARRIER: "the carrier",
    MODEL: "the model",
}
# Causes that say nothing of where a piece goes back to.
OF_NO_STEP = frozenset({MATERIAL, CARRIER})
STARTS: dict[Of, tuple[Step, ...]] = {
    of: tuple(step for step in Step if STEPS[step].of is of and STEPS[step].entry) for of in Of
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
    LOST = "lost"
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

    `outcome` says in the history what was done; empty, the piece's next step says it. `needs`
    names what has to be said with it: the page shows a form for it instead of a plain button.
    """

    key: MoveKey
    of: Of
    start: Step
    end: Step
    label: str
    outcome: str
    roles: frozenset[Role] = EVERYBODY
    needs: tuple[str, ...] = ()
    forward: bool = True
    by_itself: bool = False


# A table, a move a row: the formatter would give each word of it a line of its own.
# fmt: off
def _model_moves() -> Iterator[Move]:
    k, m, s = MoveKey, Of.MODEL, Step
    yield Move(k.PHOTOS_COUNTED, m, s.PHOTOS_WANTED, s.PHOTOS_IN, "Photos are here",
               "photos are here", needs=("amount",))
    yield Move(k.BUILD_STARTED, m, s.PHOTOS_IN, s.BUILDING, "Start build", "build started")
    yield Move(k.NO_BUILD, m, s.PHOTOS_IN, s.ASSESSING, "Assess without a build",
               "to be assessed without a build")
    yield Move(k.BUILD_FINISHED, m, s.BUILDING, s.ASSESSING, "Build finished", "build finished",
               by_itself=True)
    yield Move(k.BUILD_FAILED, m, s.BUILDING, s.ASSESSING, "Photos not good enough",
               "build failed, photos not good enough", by_itself=True)
    yield Move(k.BUILD_STOPPED, m, s.BUILDING, s.PHOTOS_IN, "Machine stopped",
               "machine stopped; same place in the queue", forward=False,
               by_itself=True)
    yield Move(k.GOOD, m, s.ASSESSING, s.FINISHING, "Good", "assessed: good")
    yield Move(k.LIMITS, m, s.ASSESSING, s.FINISHING, "Good, with gaps",
               "assessed: good, with gaps", needs=("limits",))
    yield Move(k.BY_EYE, m, s.ASSESSING, s.FINISHING, "Sculpt by eye",
               "assessed: to be sculpted by eye", needs=("limits",))
    yield Move(k.BUILD_AGAIN, m, s.ASSESSING, s.PHOTOS_IN, "Build again", "to be built again",
               forward=False)
    for step in (s.ASSESSING, s.PHOTOS_IN, s.FINISHING):
        yield Move(k.MORE_VIEWS, m, step, s.PHOTOS_WANTED, "Ask for more views",
                   "more views asked", needs=("views",), forward=False)
    yield Move(k.NEW_SET, m, s.ASSESSING, s.PHOTOS_WANTED, "Ask for a new set", "a new set asked",
               needs=("views",), forward=False)
    yield Move(k.MODEL_FINISHED, m, s.FINISHING, s.READY, "Done", "model finished")


def _copy_moves() -> Iterator[Move]:
    k, c, s = MoveKey, Of.COPY, Step
    yield Move(k.BEGUN, c, s.NOT_BEGUN, s.BLANK, "Begin", "begun")
    yield Move(k.BEGUN, c, s.NOT_BEGUN, s.SHAPING, "Begin", "begun")
    yield Move(k.BLANK_DONE, c, s.BLANK, s.SHAPING, "Done", "blank done")
    yield Move(k.SHAPED, c, s.SHAPING, s.PAINTING, "Done", "shaped")
    yield Move(k.PAINTED, c, s.PAINTING, s.INSPECTION, "Done", "painted", needs=("coat",))
    yield Move(k.PASSED, c, s.INSPECTION, s.PACKING, "Pass", "passed inspection",
               needs=("marks",))
    yield Move(k.HANDED_OVER, c, s.PACKING, s.HANDED_OVER, "Hand over", "handed over",
               needs=("parcel",))
    yield Move(k.RECEIVED, c, s.HANDED_OVER, s.RECEIVED, "Received", "received", by_itself=True)
    yield Move(k.CAME_BACK, c, s.HANDED_OVER, s.PACKING, "Came back undelivered",
               "came back undelivered", roles=DESK_AND_OWNER, needs=("reason",), forward=False,
               by_itself=True)
    yield Move(k.LOST, c, s.HANDED_OVER, s.CANCELLED, "Lost, and not made again",
               "lost on the way, not made again", roles=DESK_AND_OWNER, needs=("reason",),
               forward=False, by_itself=True)
    for start in MAKING_STEPS:
        for cause in MAKING_STEPS:
            if PLACE[cause] < PLACE[start]:
                name = STEPS[cause].name
                yield Move(k.back_to(cause), c, start, cause, f"Back to {name}",
                           f"back to {name}", needs=("finding",), forward=False)
        yield _remake(start)
    yield _remake(s.HANDED_OVER, DESK_AND_OWNER)


def _remake(start: Step, roles: frozenset[Role] = EVERYBODY) -> Move:
    return Move(MoveKey.REMAKE, Of.COPY, start, Step.REPLACED, "Remake",
                "to be made again from the start", roles, needs=("finding",), forward=False)


def _cancels() -> Iterator[Move]:
    for of, steps in STARTS.items():
        for step in steps:
            if step not in (Step.READY, Step.HANDED_OVER):
                yield Move(MoveKey.CANCEL, of, step, Step.CANCELLED, "Cancel", "cancelled",
                           DESK_AND_OWNER, needs=("reason", "whose"), forward=False)


# fmt: on
MOVES: tuple[Move, ...] = (*_model_moves(), *_copy_moves(), *_cancels())
MOVES_FROM: dict[tuple[Of, Step], tuple[Move, ...]] = {}
for _move in MOVES:
    MOVES_FROM[_move.of, _move.start] = (*MOVES_FROM.get((_move.of, _move.start), ()), _move)


def our_benches(*, blank_on: bool) -> list[Step]:
    """The benches at which pieces wait for us, in their order; that of blanks where it is used."""
    ours = (step for step in BENCHES if STEPS[step].waits_for not in _NOT_OURS)
    return [step for step in ours if blank_on or step is not Step.BLANK]


def moves_from(of: Of, step: Step) -> tuple[Move, ...]:
    """Every move that the flow knows from a step, in the order of their buttons."""
    return MOVES_FROM.get((of, step), ())


OUTCOMES: dict[MoveKey, str] = {move.key: move.outcome for move in MOVES}
PASSED = frozenset({MoveKey.GOOD, MoveKey.LIMITS, MoveKey.BY_EYE})
ASKED_AGAIN = frozenset({MoveKey.MORE_VIEWS, MoveKey.NEW_SET})
# Sends a copy back to the step that caused a finding.
REWORKS = frozenset(key for key in MoveKey if key.startswith("back_to_"))


def piece_code(order_number: int, letter: str, copy: int | str | None = None) -> str:
    """A piece's code: 1147-A for a model, 1147-A2 for a copy of it."""
    return f"{order_number}-{letter}{copy or ''}"
