"""Cautions of the steps, causes of findings, and what a move's form has to hold. Pure."""

from collections.abc import Sequence

from app.flow.steps import CAUSES, DEFER, MODEL, PLACE, STEPS, Step


def cautions(step: Step) -> tuple[str, ...]:
    """The usual cautions of a step, with the deferring sentence, or nothing."""
    own = STEPS[step].cautions
    return (*own, DEFER) if own else ()


def causes(step: Step, models: Sequence[tuple[int, str]] = ()) -> list[tuple[str, str]]:
    """What may have caused a finding at a step: itself and what came before it.

    Of a piece with several models, each is named by its number and its animal.
    """
    made = [
        (key, words)
        for key, words in CAUSES.items()
        if key != MODEL and PLACE[Step(key)] <= PLACE[step]
    ]
    if not models:
        return [*made, (MODEL, CAUSES[MODEL])]
    return [*made, *((f"{MODEL}:{id_}", f"the model of {name}") for id_, name in models)]


def same_hands(painters: Sequence[int | None], inspector: int | None) -> bool:
    """Whether the one who inspects has painted the piece: worth a second pair of eyes."""
    return inspector is not None and inspector in painters
