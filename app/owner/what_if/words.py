"""What is kept of a question to the simulation, in words. Pure."""

from collections.abc import Sequence
from typing import Final

from app.flow.steps import STEPS

# What is only known once the floor is: half a day more, photos good the first time.
HALF_DAY: Final = "half a day more"
PHOTOS: Final = "photos better by "

_NAMES: Final = {str(step): facts.name for step, facts in STEPS.items()}


def said(settings: Sequence[str]) -> str:
    """Settings as the page says them."""
    return "; ".join(map(_said, settings))


def _said(setting: str) -> str:
    if setting == HALF_DAY:
        return "half a day more a week"
    if setting.startswith(PHOTOS):
        return f"photos good the first time in {setting.removeprefix(PHOTOS)} more of 100 cases"
    step, _, change = setting.rpartition(" ")
    what, _, value = change.partition("=")
    name = _NAMES.get(step, step)
    if what == "people":
        return f"{value} {'person' if value in ('+1', '-1') else 'people'} at {name}"
    if what == "machines":
        return f"{value} {'place' if value in ('+1', '-1') else 'places'} on machines for {name}"
    return f"{value} orders" if what == "newcomers" else setting


def sooner(days: float, error: float) -> str:
    """Days sooner or later in words, with twice the simulation's error; neither where that is no
    less than the difference, or it is under half a tenth of a day."""
    if abs(days) <= 2 * error or abs(days) < 0.05:
        return "no difference"
    return f"{abs(days):.1f} ± {2 * error:.1f} days {'sooner' if days > 0 else 'later'}"


def weeks(hours: float) -> str:
    """Hours as weeks with a decimal."""
    return f"{hours / 168:.1f}"


CAVEATS: Final = (
    "It looks at the pieces that are in the workshop today, with new orders coming in as they "
    "lately did.",
    "Somebody new is taken to be as quick and as good as those who do the work now, from the first "
    "day on. Nobody has to be trained, and nobody leaves the bench to train them.",
    "Leave and illness are not in it, only the absences that were noted.",
    "What a person, a machine or half a day costs is not known here.",
    "“±” is twice the error that the simulation leaves by itself. A real workshop can differ by "
    "more than that.",
)
