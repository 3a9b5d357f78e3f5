"""What the demo says of its findings: of what kind, how bad, who found it; and what is ticked."""

from random import Random

from app.demo.floor import DemoFloor
from app.demo.ledger import DemoPiece
from app.flow.rules import Entry, Kind
from app.flow.steps import CARRIER, MATERIAL, MODEL, MoveKey
from app.moving.rules import to_tick
from app.studio.rules import StudioSettings

# Some are written down in a hurry, and some are the material's doing.
_NOT_SAID, _MATERIAL = 0.08, 0.15


class Findings:
    """Notes what stands beside the entries that found something. Chance here is its own."""

    def __init__(self, floor: DemoFloor) -> None:
        self._rng = Random(3)  # noqa: S311  (invented pieces)
        self._ledger = floor.ledger
        self._kinds: dict[str, str] = floor.words.studio["finding_kinds"]
        self._list = StudioSettings().choices("inspection_list")

    def broken_by(self, cause: str) -> str:
        """What a piece broke by: now and then nobody's hands, but what it is made of."""
        hands = cause not in (MODEL, CARRIER)
        return MATERIAL if hands and self._rng.random() < _MATERIAL else cause

    def note(self, piece: DemoPiece, entry: Entry, *, by_customer: bool = False) -> None:
        """Say of an entry what it found."""
        area, _, kind = self._kinds.get(entry.reason, "").partition(": ")
        if self._rng.random() < _NOT_SAID:
            area = kind = ""
        usual = "light" if entry.kind is Kind.FINDING else "mend"
        self._ledger.note(
            "findings", copy_id=piece.ref.id, transition_id=entry.id, area=area, kind=kind,
            severity="again" if entry.move == MoveKey.REMAKE else usual,
            found_by="customer" if by_customer or entry.cause == CARRIER else "here",
        )  # fmt: skip

    def tick(self, piece: DemoPiece, entry: Entry) -> None:
        """The whole list was ticked when a piece passed."""
        for line in to_tick(self._list, piece.row["inscription"], piece.row["base"]):
            self._ledger.note(
                "check_ticks", copy_id=piece.ref.id, transition_id=entry.id, what=line
            )
