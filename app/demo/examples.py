"""Orders of the invented studio that show something, for links to their status pages."""

from collections.abc import Callable
from dataclasses import dataclass

from app.demo.floor import DemoFloor
from app.demo.ledger import Job
from app.flow.steps import Step

_MAKING = frozenset({Step.BLANK, Step.SHAPING, Step.PAINTING, Step.INSPECTION, Step.FINISHING})


@dataclass(frozen=True, slots=True)
class Examples:
    """Ids of orders. `plain`, `gift` and `remembered` are under way with their photos passed.

    Where the history holds no such order, the nearest that there is stands in for it.
    """

    plain: int
    gift: int
    remembered: int
    photos_wanted: int
    more_views: int
    handed_over: int


def find(floor: DemoFloor) -> Examples:
    """Look for the examples, the newest orders first."""
    jobs = floor.jobs[::-1]

    def first(*wishes: Callable[[Job], bool]) -> int:
        # The last wishes are given up first.
        for kept in range(len(wishes), -1, -1):
            for job in jobs:
                if all(wish(job) for wish in wishes[:kept]):
                    return job.id
        return jobs[0].id

    return Examples(
        plain=first(_open, _ordinary, _passed, _being_made, _free),
        gift=first(_gift, _open, _living, _passed, _being_made, _free),
        remembered=first(_remembered, _open, _not_gift, _passed, _being_made, _free),
        photos_wanted=first(_all_at(Step.PHOTOS_WANTED), _ordinary, _asked_once, _free),
        more_views=first(_asked_again, _open, _ordinary, _free),
        handed_over=first(_copies_at(Step.HANDED_OVER), _ordinary),
    )


def _open(job: Job) -> bool:
    return bool(job.row["open"])


def _gift(job: Job) -> bool:
    return bool(job.row["gift"])


def _not_gift(job: Job) -> bool:
    return not job.row["gift"]


def _remembered(job: Job) -> bool:
    return any(piece.animal["life"] == "remembered" for piece in job.pieces())


def _living(job: Job) -> bool:
    return not _remembered(job)


def _ordinary(job: Job) -> bool:
    return _not_gift(job) and _living(job) and bool(job.models)


def _passed(job: Job) -> bool:
    return bool(job.models) and job.passed_at is not None


def _being_made(job: Job) -> bool:
    return any(piece.state.step in _MAKING for piece in job.copies)


def _free(job: Job) -> bool:
    return not any(piece.state.held or piece.state.asking for piece in job.pieces())


def _asked_once(job: Job) -> bool:
    return all(model.state.attempts == 0 for model in job.models)


def _asked_again(job: Job) -> bool:
    return any(
        model.state.step is Step.PHOTOS_WANTED and model.state.attempts for model in job.models
    )


def _all_at(step: Step) -> Callable[[Job], bool]:
    return lambda job: bool(job.models) and all(m.state.step is step for m in job.models)


def _copies_at(step: Step) -> Callable[[Job], bool]:
    return lambda job: bool(job.copies) and all(c.state.step is step for c in job.copies)
