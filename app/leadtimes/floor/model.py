"""What a floor is made of: steps, people, machines, pieces where they stand, newcomers."""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from app.leadtimes.floor.hours import OpenHours

if TYPE_CHECKING:
    from app.shared.calendar import Calendar

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Rework:
    """After a step, this share of its pieces goes back to the step that caused the finding."""

    to: str
    share: float


@dataclass(frozen=True)
class FloorStep:
    """One step of the floor.

    `durations` is a quantile table of hours of work (see draws.quantile_table). `people` and
    `machines` limit how many stays (or batches) are in hand at once: the smaller of the two where
    both are given, without limit where neither is. Where crews do the step (see Crew), each of
    them needs somebody of a crew besides. `batch` is how many pieces one of them takes up
    together; a batch lasts as long as its first piece draws, since the studio's stays in a batch
    step are already those of whole batches. Which pieces in hand share a batch today is not known:
    they are put together in the order of work, so many to a batch. Where it goes `alike` for them,
    pieces that leave together (see Floor) draw the same.
    """

    name: str
    durations: Floats
    people: int | None = None
    machines: int | None = None
    hours: OpenHours = field(default_factory=OpenHours.always)
    batch: int = 1
    rework: tuple[Rework, ...] = ()
    alike: bool = False

    @property
    def places(self) -> int | None:
        """How many stays are in hand at once, or None for as many as there are pieces."""
        given = [n for n in (self.people, self.machines) if n is not None]
        return min(given) if given else None


@dataclass(frozen=True)
class Crew:
    """People who all do the same steps, `people` in number: each has one stay (or batch) in hand.

    A step that several crews do takes whoever is free of the crew that does the fewest steps, so
    that those who can do more stay free for it; of equal ones of that which is there the most, then
    of the first named. Whoever is free takes up what was in hand, then what was sent back, then
    what the fewest people do: somebody who alone inspects does not begin to paint while pieces wait
    to be inspected. Of one step it is the first in the order of work.

    `there` is the part of the open hours in which they are there, above 0 to 1: whoever is there
    half of the time takes twice as long. `who` are their names, where they are known.
    """

    name: str
    people: int
    steps: tuple[str, ...]
    there: float = 1.0
    who: tuple[str, ...] = field(default=(), compare=False)


@dataclass(frozen=True)
class FloorPiece:
    """A piece as it stands now.

    `step` is where it is (or where it will begin), `last` the last step it passes (the floor's last
    if None). `in_hand` with `age_h` hours of work done so far; else it waits and has waited
    `waited_h` hours on the clock. It is taken up by `priority` (small first), then by `oldest`
    (small first: for instance the day its photos were accepted). `after` names a piece that must be
    ready before this one begins (a copy and its model); `enters_h` is a known later hour of entry.
    `left` is a quantile table of the hours of work that are left of the stay of a piece in hand,
    where more is known of it than its age.
    """

    key: str
    step: str
    last: str | None = None
    in_hand: bool = False
    age_h: float = 0.0
    waited_h: float = 0.0
    priority: int = 0
    oldest: float = 0.0
    after: str | None = None
    enters_h: float | None = None
    left: Floats | None = field(default=None, compare=False)


@dataclass(frozen=True)
class Arrivals:
    """Pieces that will yet come: gaps between them in hours on the clock, resampled, until an hour.

    A gap of 0 is another piece of the same order. They queue behind today's pieces of their
    priority, in the order in which they come; those of several kinds as they come on average.
    """

    step: str
    gaps_h: Floats
    until_h: float
    last: str | None = None
    priority: int = 0


@dataclass(frozen=True)
class Floor:
    """The whole floor at a moment. Steps in their order, first to last.

    A piece is sent back at most `rework_cap` times: a fixed draw would else loop for ever. With
    `rework_first` a piece that was sent back is taken up before the others. Waiting and busy share
    are measured over `horizon_h` hours from now. Pieces `together` leave with the last of their
    group: each is ready when all are, and takes no room until then. `calendar` and `now` (UTC
    seconds) are only needed where hours or closures are to be changed.
    """

    steps: tuple[FloorStep, ...]
    pieces: tuple[FloorPiece, ...]
    arrivals: tuple[Arrivals, ...] = ()
    rework_cap: int = 3
    rework_first: bool = True
    horizon_h: float = 28 * 24.0
    calendar: "Calendar | None" = None
    now: int = 0
    crews: tuple[Crew, ...] = ()
    together: tuple[tuple[str, ...], ...] = ()

    def index(self, step: str) -> int:
        """The place of a step in the line. Raises ValueError for a step that is not there."""
        for i, known in enumerate(self.steps):
            if known.name == step:
                return i
        names = ", ".join(s.name for s in self.steps)
        raise ValueError(f"There is no step “{step}”. The steps are: {names}.")
