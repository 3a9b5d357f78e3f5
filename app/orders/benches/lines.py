"""What the benches and the builds page show of an open piece, as one row. Pure."""

from typing import NamedTuple

from app.flow.steps import piece_code


class OpenPiece(NamedTuple):
    """An open piece with what its row says: state, order, animal. Moments are UTC seconds.

    `making` counts from 1; a model that follows another one was asked for by a remake and says 2.
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
    asking: int
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

    @property
    def code(self) -> str:
        """The piece's code: 1172-A for a model, 1172-A2 for a copy."""
        copy = self.number if self.of == "copy" else None
        return piece_code(self.order_number, self.letter, copy)


class Asked(NamedTuple):
    """An open question to a customer: on an order, or on one piece of it."""

    order_id: int
    model_id: int | None
    copy_id: int | None
    topic: str
    asked_at: int
