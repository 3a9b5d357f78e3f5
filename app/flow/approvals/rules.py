"""What of an order its customer sees and approves before the work goes on. Pure."""

from collections.abc import Mapping
from enum import StrEnum

from app.flow.steps import Step

MODEL_APPROVAL, PAINT_APPROVAL = "model approval", "paint approval"
# The step before which each stands. Where no blanks are made, what comes after the blank waits.
BEFORE: Mapping[str, Step] = {MODEL_APPROVAL: Step.BLANK, PAINT_APPROVAL: Step.INSPECTION}
YES, CHANGES, NO = "yes", "changes", "no"


class Approves(StrEnum):
    """What a customer approves."""

    NOTHING = "nothing"
    MODEL = "model"
    PAINT = "paint"
    BOTH = "both"

    @property
    def topics(self) -> frozenset[str]:
        """The topics of the questions that are asked."""
        return _TOPICS[self]

    @property
    def stored(self) -> str | None:
        """As an order keeps it."""
        return None if self is Approves.NOTHING else str(self)


SAID = {
    Approves.NOTHING: "nothing",
    Approves.MODEL: "the model",
    Approves.PAINT: "the paint",
    Approves.BOTH: "the model and the paint",
}
_TOPICS = {
    Approves.NOTHING: frozenset[str](),
    Approves.MODEL: frozenset({MODEL_APPROVAL}),
    Approves.PAINT: frozenset({PAINT_APPROVAL}),
    Approves.BOTH: frozenset({MODEL_APPROVAL, PAINT_APPROVAL}),
}


def of_topics(topics: frozenset[str]) -> Approves:
    """What is approved where these are asked."""
    return next(one for one, its in _TOPICS.items() if its == topics)


def usual(setting: Approves, *, remembered: bool, model_known: bool) -> Approves:
    """What the customer of a new order approves where nobody says: the studio's own way, and both
    for an animal that has died. A model that is there already has been seen."""
    chosen = Approves.BOTH if remembered else setting
    return of_topics(chosen.topics - {MODEL_APPROVAL}) if model_known else chosen
