"""Cautions of the steps, causes of findings, and what a move's form has to hold. Pure."""

from collections.abc import Sequence

from app.flow.steps import CARRIER, CAUSES, DEFER, MAKING_STEPS, MATERIAL, MODEL, PLACE, STEPS, Step


def cautions(step: Step) -> tuple[str, ...]:
    """The usual cautions of a step, with the deferring sentence, or nothing."""
    own = STEPS[step].cautions
    return (*own, DEFER) if own else ()


def causes(step: Step, models: Sequence[tuple[int, str]] = ()) -> list[tuple[str, str]]:
    """What may have caused a finding at a step: itself, what came before it, or the material.

    A piece that is packed or has left may have come back from a carrier. Of a piece with several
    models, each is named by its number and its animal.
    """
    made = [(str(s), CAUSES[s]) for s in reversed(MAKING_STEPS) if PLACE[s] <= PLACE[step]]
    made += nobodys(step)
    if not models:
        return [*made, (MODEL, CAUSES[MODEL])]
    return [*made, *((f"{MODEL}:{id_}", f"the model of {name}") for id_, name in models)]


def nobodys(step: Step) -> list[tuple[str, str]]:
    """The causes of a finding at a step that are no step's."""
    keys = (MATERIAL, CARRIER) if PLACE[step] >= PLACE[Step.PACKING] else (MATERIAL,)
    return [(key, CAUSES[key]) for key in keys]


def same_hands(painters: Sequence[int | None], inspector: int | None) -> bool:
    """Whether the one who inspects has painted the piece: worth a second pair of eyes."""
    return inspector is not None and inspector in painters
