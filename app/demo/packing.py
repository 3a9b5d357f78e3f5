"""What stands on the packing table today: parcels being packed, and sealed ones for the courier."""

from collections import Counter
from random import Random

from app.demo.floor import DemoFloor
from app.demo.hours import HOUR
from app.demo.ledger import DemoPiece, Job
from app.flow.steps import Step

# So many addresses stay loose on the table, or half of them where there are few.
_LOOSE = 3
_SEALED, _OPEN = 2, 2


def write_packing(floor: DemoFloor) -> None:
    """Put what may be wrapped into parcels, two orders to one address first."""
    # Its own stream: whatever else is invented stays as it is.
    rng = Random(floor.now)  # noqa: S311
    _order_twice(floor)
    found: dict[tuple[int, str], list[tuple[Job, DemoPiece]]] = {}
    for job in floor.jobs:
        for piece in job.copies:
            if _may_be_wrapped(piece, floor.now):
                where = int(job.row["customer_id"]), str(job.row["ship_lines"])
                found.setdefault(where, []).append((job, piece))
    shared = sorted(found.values(), key=lambda pieces: -len({job.id for job, _ in pieces}))
    parcels = min(_SEALED + _OPEN, max(len(shared) - _LOOSE, len(shared) // 2))
    for place, pieces in enumerate(shared[:parcels]):
        _pack(floor, rng, pieces, sealed=place < _SEALED)


def _order_twice(floor: DemoFloor) -> None:
    """Let two of the orders that may be wrapped be one customer's, where none are by chance."""
    orders = Counter(job.row["customer_id"] for job in floor.jobs)
    here = [
        job for job in floor.jobs
        if not job.row["gift"] and any(_may_be_wrapped(c, floor.now) for c in job.copies)
    ]  # fmt: skip
    if len({job.row["customer_id"] for job in here}) < len(here):
        return
    once = [job for job in here if orders[job.row["customer_id"]] == 1]
    if len(once) < 2:
        return
    first, second = once[-2:]
    kept = ("customer_id", *(name for name in first.row if name.startswith("ship_")))
    second.row.update({name: first.row[name] for name in kept})
    for piece in second.pieces():
        piece.animal["customer_id"] = first.row["customer_id"]


def _may_be_wrapped(piece: DemoPiece, now: int) -> bool:
    state = piece.state
    return (
        state.step is Step.PACKING
        and not state.hold_whose
        and not state.gates
        and (state.rests_until or 0) <= now
        and state.entered_at <= now - HOUR
    )


def _pack(
    floor: DemoFloor, rng: Random, pieces: list[tuple[Job, DemoPiece]], *, sealed: bool
) -> None:
    row = pieces[0][0].row
    begun = floor.now - rng.randrange(1_200, HOUR)
    place = f"{row['ship_postcode']} {row['ship_country']}".strip()
    parcel = floor.ledger.note(
        "parcels", ship_to="\n".join((row["ship_name"], row["ship_lines"], place)),
        note=row["parcel_note"], begun_at=begun, sealed_at=begun + 1_000 if sealed else None,
        packed_by_id=floor.desk if sealed else None, care_card=int(sealed),
        inner_box="Small 30×22×25" if sealed else None,
        outer_box="Large 45×37×40" if sealed else None,
    )  # fmt: skip
    for number, (_, piece) in enumerate(pieces):
        floor.ledger.note(
            "packed_pieces", parcel_id=parcel["id"], copy_id=piece.row["id"],
            put_at=begun + 60 * number, account_id=floor.desk, mounted=int(sealed),
        )  # fmt: skip
