"""Slips of the finger: a tap taken back within minutes, a time put right days later."""

from dataclasses import replace

from app.demo.floor import DemoFloor, Worker
from app.demo.ledger import DemoPiece
from app.flow.legality import correction_refusals
from app.flow.rules import Entry, Kind, Policy, effective
from app.flow.steps import MoveKey, Step
from app.shared.calendar import DAY


class Slips:
    """Undoes and corrects, with entries of the log as the flow has them."""

    def __init__(self, floor: DemoFloor) -> None:
        self._floor = floor

    def undo_shaped(self, piece: DemoPiece, worker: Worker, moment: int) -> int:
        """“Done” was tapped on the wrong piece: taken back, and worked on.

        Gives -1: the worker's hands are not free.
        """
        floor = self._floor
        wrong = floor.ledger.add(
            piece, Kind.MOVE, moment, by=worker.id, move=MoveKey.SHAPED, to_step=Step.PAINTING
        )
        ticket = piece.ticket

        def take_back(t: int) -> None:
            if piece.ticket != ticket:
                floor.release(worker, t)
                return
            floor.ledger.speak_of(
                piece,
                floor.ledger.new_entry(
                    Kind.UNDO, t, happened=wrong.happened_at, by=worker.id, about_id=wrong.id
                ),
            )
            piece.work = [(1800, "", 0)]
            floor.go_on(worker, piece, t, 1800)

        floor.later(moment + floor.rng.randrange(15, 300), take_back)
        return -1

    def correct_later(self, piece: DemoPiece, wrong: Entry, by: int, moment: int) -> None:
        """A moment turns out to have been somewhat earlier than was written down."""
        floor = self._floor
        at = floor.office(moment + floor.rng.randrange(DAY // 4, 3 * DAY))
        floor.later(at, lambda t: self._correct(piece, wrong, by, t))

    def _correct(self, piece: DemoPiece, wrong: Entry, by: int, moment: int) -> None:
        floor = self._floor
        line = effective(piece.log)
        shown = next((e for e in line if e.id == wrong.id), None)
        if shown is None or not line.index(shown):
            return
        before = line[line.index(shown) - 1].happened_at
        right_time = max(before, shown.happened_at - floor.rng.randrange(1200, DAY))
        about = floor.ledger.new_entry(
            Kind.CORRECTION, moment, happened=right_time, by=by, about_id=wrong.id,
            to_step=wrong.to_step, move=wrong.move, reason="written down wrongly",
        )  # fmt: skip
        policy = Policy(True, piece.animal["life"] == "remembered")
        if correction_refusals(piece.ref.of, piece.log, about, policy):
            floor.ledger.entries -= 1
            return
        floor.ledger.speak_of(piece, replace(about))
