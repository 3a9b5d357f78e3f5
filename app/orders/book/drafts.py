"""An order that has not begun, as its customer may read of it: what was typed, as facts. Pure."""

import json
from datetime import date

from app.flow.steps import Step, piece_code
from app.orders.entry.form import Draft, read
from app.orders.entry.shape import LETTERS
from app.orders.facts.order import AnimalFacts, CopyFacts, Standing


def typed_of(kept: str) -> dict[str, str]:
    """The form as it was typed; empty once the order has begun."""
    found = json.loads(kept) if kept else {}
    return {str(name): str(value) for name, value in found.items()}


def animals_of(kept: str, typed_on: date, number: int, since: int) -> tuple[AnimalFacts, ...]:
    """The animals and copies of what was typed on a day: nothing of them has begun.

    It was right on that day: a day that lay ahead then may have passed since.
    """
    if not kept:
        return ()
    return _facts(read(typed_of(kept), typed_on), number, since)


def _facts(draft: Draft, number: int, since: int) -> tuple[AnimalFacts, ...]:
    found = []
    for nth, (letter, animal) in enumerate(zip(LETTERS, draft.animals, strict=False)):
        beside = [
            (other, draft_.beside[1])
            for other, draft_ in zip(LETTERS, draft.animals, strict=False)
            if draft_.beside is not None and draft_.beside[0] == nth
        ]
        pose = animal.copies[0].pose if animal.copies else ""
        copies = tuple(
            CopyFacts(
                piece_code(number, letter, place), letter, place, Standing(Step.NOT_BEGUN, since),
                size_mm=copy.size, measured=copy.measured, pose=copy.pose or pose,
                base=copy.base, finish=copy.finish, inscription=copy.inscription,
                extras=copy.extras,
                letters_beside="".join(other for other, places in beside if place in places),
            )
            for place, copy in enumerate(animal.copies, start=1)
        )  # fmt: skip
        fields = animal.fields
        found.append(
            AnimalFacts(
                letter, fields.name, fields.kind, fields.sex, fields.life,
                Standing(Step.PHOTOS_WANTED, since), copies=copies,
            )
        )  # fmt: skip
    return tuple(found)
