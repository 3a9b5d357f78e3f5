"""Whose is which, as far as the camera's clock tells. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise

from app.shared.text import whole_number

# Between two animals somebody puts one away and fetches another; between two views nobody waits.
LEAST_PAUSE = 90
TIMES_USUAL = 6.0
_TAKEN = "%Y:%m:%d %H:%M:%S"


@dataclass(frozen=True, slots=True)
class Burst:
    """Pictures taken in one go: the first and last place (from 1), and the pause before, in s."""

    first: int
    last: int
    pause: int

    @property
    def many(self) -> int:
        """How many pictures it holds."""
        return self.last - self.first + 1


def seconds(taken: str) -> int | None:
    """The camera's clock as seconds (EXIF 2.32 DateTimeOriginal, taken as UTC), None if unread."""
    try:
        return int(datetime.strptime(taken[:19], _TAKEN).replace(tzinfo=UTC).timestamp())
    except ValueError:
        return None


def runs(taken: Sequence[str], animals: int) -> list[Burst]:
    """The pictures, in the order of taking, parted at the longest pauses: a run for each animal.

    A pause counts from 90 s and from six times the usual one. Where a picture has no date, or there
    are fewer such pauses than it takes, nothing is suggested.
    """
    at = [seconds(one) for one in taken]
    if animals < 2 or len(at) < 2 * animals or None in at:
        return []
    moments = [moment for moment in at if moment is not None]
    pauses = [later - earlier for earlier, later in pairwise(moments)]
    usual = sorted(pauses)[len(pauses) // 2]
    least = max(LEAST_PAUSE, TIMES_USUAL * usual)
    longest = sorted(range(len(pauses)), key=lambda k: (-pauses[k], k))[: animals - 1]
    if any(pauses[k] < least for k in longest):
        return []
    cuts = sorted(longest)
    begins = [0, *(cut + 1 for cut in cuts)]
    ends = [*cuts, len(at) - 1]
    before = [0, *(pauses[cut] for cut in cuts)]
    return [Burst(a + 1, b + 1, p) for a, b, p in zip(begins, ends, before, strict=True)]


def in_range(first: str, last: str, many: int) -> range:
    """Places (from 0) of a typed range "12" to "40"; empty where it makes no sense."""
    begin, end = whole_number(first), whole_number(last)
    if begin is None:
        return range(0)
    a, b = sorted((begin, begin if end is None else end))
    return range(max(1, a) - 1, min(many, b))
