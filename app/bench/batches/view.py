"""The page of the blanks put together: what is in the machines, the queue, what came out. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from app.bench.batches.rules import FAILED, GOOD, InBatch, running
from app.bench.batches.store import BatchRow
from app.flow.gates import read
from app.flow.steps import Step
from app.moving.build_times import BuildMachine
from app.orders.benches.lines import OpenPiece
from app.orders.benches.words import Clock, notes, placed, stopped
from app.shared.calendar import DAY
from app.shared.web import words

MOST_SHOWN = 8


@dataclass(frozen=True, slots=True)
class Waiting:
    """A copy that waits for a batch. `free` says that nothing stops it from going into one."""

    line: OpenPiece
    rank: tuple[bool, tuple[int, int, int], int, int]
    tick: str
    called: str
    reason: str
    notes: tuple[str, str, str]
    days: float
    free: bool


@dataclass(frozen=True, slots=True)
class BatchPiece:
    """A piece of a batch: whom it shows, its code, and how it came out ("" while inside)."""

    id: int
    called: str
    outcome: str
    reason: str


@dataclass(frozen=True, slots=True)
class BatchView:
    """A batch in words. `late` is empty while its time is not over."""

    row: BatchRow
    where: str
    says: str
    late: str
    pieces: Sequence[BatchPiece]
    tickets: str
    came_out: str


@dataclass(frozen=True, slots=True)
class BlanksPage:
    """The whole page."""

    queue: Sequence[Waiting]
    running: Sequence[BatchView]
    ended: Sequence[BatchView]
    free: Sequence[BuildMachine]


def assemble(
    lines: Sequence[OpenPiece], found: Sequence[BatchRow], machines: Sequence[BuildMachine],
    names: Mapping[int, tuple[str, str]], chances: Mapping[int, float], clock: Clock,
) -> BlanksPage:  # fmt: skip
    """The page from the copies at the blank step and the batches that are known."""
    queue = [
        _waiting(line, chances.get(line.order_id), clock) for line in lines if not line.in_hand
    ]
    inside = [one for one in found if running(one.pieces)]
    taken = {one.machine_id for one in inside}
    return BlanksPage(
        queue=sorted(queue, key=lambda one: one.rank),
        running=[_batch(one, names, clock) for one in inside],
        ended=[_batch(one, names, clock) for one in found if not running(one.pieces)][:MOST_SHOWN],
        free=[one for one in machines if one.on and one.id not in taken],
    )


def _waiting(line: OpenPiece, chance: float | None, clock: Clock) -> Waiting:
    rank, reason = placed(line, clock.zone, chance, clock.today.year)
    held = bool(line.hold_whose)
    waits = any(gate.stops_at(Step.BLANK) for gate in read(line.gates or ""))
    if held:
        reason = f"on hold: {line.hold_reason}"
    elif waits:
        reason = "waiting for a part" if line.lacking else stopped(None, asked=line.asked)
    return Waiting(
        line=line,
        rank=(held or waits, rank, line.order_number, line.id),
        tick=f"copy:{line.id}:{line.version}",
        called=f"{line.animal} {line.code}",
        reason=reason,
        notes=notes(line, None, chance, clock),
        days=max(0.0, (clock.now - line.entered_at) / DAY),
        free=not (held or waits),
    )


def _batch(row: BatchRow, names: Mapping[int, tuple[str, str]], clock: Clock) -> BatchView:
    inside = running(row.pieces)
    over = inside and row.ends_by < clock.now
    of = ", ".join(filter(None, (row.material, f"lot {row.lot}" if row.lot else "")))
    began = clock.when(min(one.started for one in row.pieces))
    until = f", should come out by {clock.when(row.ends_by)}" if inside else ""
    return BatchView(
        row=row,
        where=f"Batch {row.id}" + (f" in {row.machine}" if row.machine else ""),
        says=f"{of + '; ' if of else ''}in since {began}{until}",
        late="its time is over: check the machine" if over else "",
        pieces=[_piece(one, names) for one in row.pieces],
        tickets="&".join(f"piece=copy:{one.copy_id}" for one in row.pieces),
        came_out=_came_out(row.pieces, clock),
    )


def _piece(one: InBatch, names: Mapping[int, tuple[str, str]]) -> BatchPiece:
    name, code = names.get(one.copy_id, ("", ""))
    return BatchPiece(one.copy_id, f"{name} {code}".strip(), one.outcome, one.reason)


def _came_out(pieces: Sequence[InBatch], clock: Clock) -> str:
    good = sum(one.outcome == GOOD for one in pieces)
    failed = sum(one.outcome == FAILED for one in pieces)
    ends = [one.ended for one in pieces if one.ended is not None]
    when = f"; came out {clock.when(max(ends))}" if ends else ""
    said = f"{good} good" + (f", {failed} not good" if failed else "")
    out = len(pieces) - good - failed - sum(one.ended is None for one in pieces)
    return said + (f", {words.count(out, 'taken out', 'taken out')}" if out else "") + when
