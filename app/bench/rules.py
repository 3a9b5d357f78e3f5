"""Cautions of the steps, causes of findings, and what a move's form has to hold. Pure."""

from collections.abc import Collection, Sequence

from app.flow.steps import CAUSES, DEFER, MODEL, PLACE, STEPS, Step
from app.shared.errors import BadFields

MOST_VIEWS = 20


def cautions(step: Step) -> tuple[str, ...]:
    """The usual cautions of a step, with the deferring sentence, or nothing."""
    own = STEPS[step].cautions
    return (*own, DEFER) if own else ()


def causes(step: Step) -> list[tuple[str, str]]:
    """What may have caused a finding at a step: itself and what came before it."""
    return [
        (key, words)
        for key, words in CAUSES.items()
        if key == MODEL or PLACE[Step(key)] <= PLACE[step]
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
