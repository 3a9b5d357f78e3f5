"""What the benches and the builds page show of an open piece: a row, its fold, its band. Pure."""

from dataclasses import dataclass
from typing import NamedTuple

from app.flow import gates
from app.flow.steps import PLACE, Step, piece_code


class OpenPiece(NamedTuple):
    """An open piece with what its row says: state, order, animal. Moments are UTC seconds.

    `making` counts from 1; a model that a remake asked for says 2. `pose` is a model's;
    `mends` says that it is a repair.
    `sizeless` says, just before and at the blank, that a copy has no size yet.
    `passed_at` and `counted_at` of a copy are those of its model, where it has none of its own.
    """

    of: str
    id: int
    version: int
    step: str
    entered_at: int
    in_hand: int
    hand_id: int | None
    hand: str | None
    aside_until: int | None
    aside_reason: str
    hold_reason: str
    hold_whose: str
    hold_look_on: str | None
    gates: str | None
    told_at: int | None
    counted_at: int | None
    passed_at: int | None
    attempts: int
    reworks: int
    rests_until: int | None
    letter: str
    number: int
    making: int
    pictures: int | None
    machine: str
    build_ends_at: int | None
    order_id: int
    order_number: int
    gift: int
    gift_day: str | None
    needed_by: str | None
    copy_deadline: str | None
    ship_part: int
    taken_at: int
    animal: str
    kind: str
    breed: str
    life: str
    sizeless: int
    pose: str | None = None
    mends: int = 0

    @property
    def stopped(self) -> bool:
        """Whether an open question stops the piece where it stands."""
        return bool(self.gates) and any(
            g.stops_at(Step(self.step)) for g in gates.read(self.gates or "")
        )

    @property
    def lacks(self) -> bool:
        """Whether a part for the piece is still to come."""
        return bool(self.gates) and "-" in (self.gates or "")

    @property
    def asks(self) -> bool:
        """Whether a question that stops the piece, here or later, is open."""
        return bool(self.gates) and any(g.part is None for g in gates.read(self.gates or ""))

    @property
    def lacking(self) -> bool:
        """Whether a part that is not here yet stops the piece where it stands."""
        return self.lacks and gates.lacking(gates.read(self.gates or ""), Step(self.step))

    @property
    def asked(self) -> bool:
        """Whether one stops it that the customer has been asked."""
        return bool(self.gates) and gates.asked(gates.read(self.gates or ""), Step(self.step))

    @property
    def code(self) -> str:
        """The piece's code: 1172-A for a model, 1172-A2 for a copy."""
        copy = self.number if self.of == "copy" else None
        return piece_code(self.order_number, self.letter, copy)


class Asked(NamedTuple):
    """An open question to a customer; an approval that nobody has asked for yet is `unasked`."""

    id: int
    topic: str
    asked_at: int
    until_paid: str | None
    unasked: int = 0


class Row(NamedTuple):
    """One piece, ready to be written down. `act` is empty where the button leads to its page.

    `tick` is the piece with the version shown, `key` its anchor, `path` its page's address,
    `called` its name with its code, `tenths` its age at the bench in tenths of a day, `opened`
    whether the form to set it aside is open. It `waits` where somebody has it or something stops
    it.
    """

    line: OpenPiece
    rank: tuple[bool, tuple[int, int, int], int, int]
    ref: str
    tick: str
    key: str
    path: str
    code: str
    called: str
    kind: str
    tenths: int
    where: str
    late: str
    soon: str
    notes: str
    act: str = ""
    label: str = ""
    main: bool = False
    may_set_aside: bool = False
    free: bool = False
    opened: bool = False
    waits: bool = False


@dataclass(frozen=True, slots=True)
class Fold:
    """The rows of one order in one band, folded because they are many."""

    order_number: int
    words: str
    tick: str


@dataclass(frozen=True, slots=True)
class Band:
    """A bench: its name, what is usual there, its rows, and what can be done to ticked ones.

    `items` are runs of rows, with the fold that holds them where there is one; `folded`, all of
    them are, for who can do nothing about them. All of it can be hashed, for that is how a band is
    told from what a browser shows already.
    """

    step: Step
    name: str
    take: bool
    count: int
    usual: float
    slow: float
    pace_words: str
    own: bool
    items: tuple[tuple[Fold | None, tuple[Row, ...]], ...]
    acts: tuple[tuple[str, str], ...]
    folded: bool = False

    @property
    def scale(self) -> str:
        """The id of the scale that its age bars lie on: the same whatever bands stand above."""
        return f"s{PLACE[self.step]}"

    @property
    def stamp(self) -> str:
        """The same for as long as the band shows the same, until the program starts again."""
        return f"{self.step}.{hash(self) & 0xFFFF_FFFF_FFFF:x}"
