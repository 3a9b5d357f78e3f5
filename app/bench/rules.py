"""Cautions of the steps, causes of findings, and what a move's form has to hold. Pure.

The cautions are the usual ones of the trade, in our own words; each ends by deferring to the
product's safety data sheet, the tool's manual and local codes.
"""

from collections.abc import Collection, Sequence

from app.flow.steps import PLACE, Step
from app.shared.errors import BadFields

DEFER = "Follow the product's safety data sheet, the tool's manual and local codes."
CAUTIONS: dict[Step, tuple[str, ...]] = {
    Step.PHOTOS_WANTED: (
        "Ask for calm pictures: let the animal approach, no chasing, cornering or flash, and stop "
        "when it shows that it has had enough.",
    ),
    Step.BLANK: (
        "Uncured resin sensitises skin and lungs: eyes and skin covered, extraction on, thick "
        "nitrile gloves, clean up between jobs.",
        "Shield eyes and skin from curing lamps; never cure in an oven that is used for food.",
        "Where metal is cast: bone-dry moulds and tools, face shield, natural fibres, "
        "leather shoes.",
    ),
    Step.SHAPING: (
        "Glasses and a face shield at the rotary tool; burr rated for its speed, long burrs "
        "slower, guards on. No loose sleeves, untied hair or gloves that can snag; clamp the "
        "piece.",
        "Dust of resin, stone or plaster: wet work or extraction first, no dry sweeping.",
        "Keep the skin clear of half-cured epoxy dust: it sensitises.",
    ),
    Step.PAINTING: (
        "Spray in a ventilated booth, away from sparks and flames, with the right filter. "
        "“Non-toxic” on a label is not about breathing it in.",
        "Two-pack polyurethane needs air-fed breathing apparatus; choose another paint if you can.",
        "Rags with drying oil heat by themselves: into a lidded metal can, under water.",
    ),
    Step.PACKING: (
        "Film that is dry but not cured takes prints of its wrapping: mind the rest time.",
        "Five centimetres of cushioning all round; nothing moves when shaken. Send no liquids.",
    ),
}
CAUSES: tuple[tuple[Step | str, str], ...] = (
    (Step.PACKING, "packing"),
    (Step.INSPECTION, "inspection"),
    (Step.PAINTING, "painting"),
    (Step.SHAPING, "shaping"),
    (Step.BLANK, "the blank"),
    ("model", "the model"),
)
KNOWN_CAUSES = frozenset(str(key) for key, _ in CAUSES)
MOST_VIEWS = 20


def cautions(step: Step) -> tuple[str, ...]:
    """The usual cautions of a step, with the deferring sentence, or nothing."""
    own = CAUTIONS.get(step, ())
    return (*own, DEFER) if own else ()


def causes(step: Step) -> list[tuple[str, str]]:
    """What may have caused a finding at a step: itself and what came before it."""
    return [
        (str(key), words)
        for key, words in CAUSES
        if key == "model" or PLACE[Step(key)] <= PLACE[step]
    ]


def read_views(typed: str) -> list[str]:
    """The views that are asked for, one a line; numbers typed before them are taken off.

    Raises BadFields where there are none, or more than anybody would photograph.
    """
    wishes = [line.strip().lstrip("0123456789.)-• ").strip() for line in typed.split("\n")]
    wishes = [wish for wish in wishes if wish]
    if not wishes:
        raise BadFields({"views": "Which views? One a line; the customer reads them as numbered."})
    if len(wishes) > MOST_VIEWS:
        raise BadFields({"views": f"{MOST_VIEWS} at most: more will not be photographed."})
    return wishes


def check_marks(must: Collection[int], ticked: Collection[int]) -> None:
    """Every mark that must match is ticked. Raises BadFields."""
    if left := len(set(must) - set(ticked)):
        word = "mark is" if left == 1 else "marks are"
        raise BadFields(
            {"marks": f"{left} {word} not ticked. Tick it beside the picture, or note a finding."}
        )


def same_hands(painters: Sequence[int | None], inspector: int | None) -> bool:
    """Whether the one who inspects has painted the piece: worth a second pair of eyes."""
    return inspector is not None and inspector in painters
