"""What a piece's log says of the batches that it was in. Pure: moments are UTC seconds."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from app.flow.rules import BATCH, Entry, Kind, effective
from app.flow.steps import MoveKey

# How long a batch takes until a machine has ended some of its own. Common practice, no source.
USUAL = 24 * 3_600
GOOD, FAILED, TAKEN_OUT = "good", "failed", "taken out"


@dataclass(frozen=True, slots=True)
class InBatch:
    """A piece's time in a batch. `ended` is None and `outcome` empty while it is in the machine.

    `outcome` is GOOD, FAILED with a `reason`, or TAKEN_OUT where it left some other way.
    """

    copy_id: int
    batch: int
    started: int
    ended: int | None = None
    outcome: str = ""
    reason: str = ""


def in_batches(copy_id: int, log: Sequence[Entry]) -> list[InBatch]:
    """The batches that a copy was in, oldest first; what was undone or struck is not among them."""
    found: list[InBatch] = []
    inside: Entry | None = None
    for entry in effective(log):
        starts = entry.kind is Kind.START and entry.move == BATCH
        ends = entry.kind is Kind.MOVE or (entry.kind is Kind.FINDING and entry.move == BATCH)
        if inside is not None and (starts or ends):
            found.append(_ended(copy_id, inside, entry))
            inside = None
        if starts:
            inside = entry
    if inside is not None:
        found.append(InBatch(copy_id, inside.amount or 0, inside.happened_at))
    return found


def _ended(copy_id: int, inside: Entry, by: Entry) -> InBatch:
    good = by.move == MoveKey.BLANK_DONE
    outcome = GOOD if good else FAILED if by.kind is Kind.FINDING else TAKEN_OUT
    reason = by.reason if outcome == FAILED else ""
    batch, started = inside.amount or 0, inside.happened_at
    return InBatch(copy_id, batch, started, by.happened_at, outcome, reason)


def by_batch(found: Iterable[InBatch]) -> Mapping[int, list[InBatch]]:
    """Pieces by the batch that they were in."""
    batches: dict[int, list[InBatch]] = {}
    for one in found:
        batches.setdefault(one.batch, []).append(one)
    return batches


def running(pieces: Iterable[InBatch]) -> bool:
    """Whether anything of a batch is still in the machine."""
    return any(one.ended is None for one in pieces)


def usual_length(past: Iterable[Sequence[InBatch]]) -> int:
    """How long a batch takes, in seconds: the median of those that ended, or the usual day."""
    lengths = [
        max(one.ended for one in pieces if one.ended is not None) - pieces[0].started
        for pieces in past
        if pieces and not running(pieces)
    ]
    return round(median(lengths)) if lengths else USUAL
