"""What stands on the packing table today: parcels being packed, and sealed ones for the courier."""

from random import Random

from app.demo.floor import DemoFloor
from app.demo.hours import HOUR
from app.demo.ledger import DemoPiece, Job
from app.flow.steps import Step

# So many addresses at least stay loose on the table.
_LOOSE = 3
_SEALED, _OPEN = 2, 2


def write_packing(floor: DemoFloor) -> None:
    """Put what may be wrapped into parcels, two orders to one address first."""
    # Its own stream: whatever else is invented stays as it is.
    rng = Random(floor.now)  # noqa: S311
    found: dict[tuple[int, str], list[tuple[Job, DemoPiece]]] = {}
    for job in floor.jobs:
        for piece in job.copies:
            if _may_be_wrapped(piece, floor.now):
                where = int(job.row["customer_id"]), str(job.row["ship_lines"])
                found.setdefault(where, []).append((job, piece))
    shared = sorted(found.values(), key=lambda pieces: -len({job.id for job, _ in pieces}))
    for place, pieces in enumerate(shared[: max(0, min(_SEALED + _OPEN, len(shared) - _LOOSE))]):
        _pack(floor, rng, pieces, sealed=place < _SEALED)


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
