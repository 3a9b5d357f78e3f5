"""Pieces that were brought in, ended before the house knew of them, as stays for the statistics.

A sheet says when they were ordered, when they ended, and perhaps when they came to one step or
another. Such a piece is "blurred": what is known counts in the curves of whole lead times and in
those from the steps it is known to have come to, and nowhere is it taken to have been at a step.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from sqlalchemy import Connection, text

from app.flow.steps import Step
from app.leadtimes.log import Ints
from app.leadtimes.survival import Bools, Floats

_PAST = text("SELECT id, started_at, ended_at, cancelled, steps FROM past_pieces ORDER BY id")


@dataclass(frozen=True)
class PastStays:
    """One entry for each step that a piece is known to have come to; `piece` is its id, negative,
    `step` a place in the way."""

    piece: Ints
    step: Ints
    entered: Floats
    left: Floats
    cancelled: Bools

    def __len__(self) -> int:
        return int(self.piece.size)


def read(db: Connection, way: Sequence[Step]) -> PastStays:
    """The stays of every piece that was brought in. `way` are the steps that have a place."""
    place = {str(step): code for code, step in enumerate(way)}
    stays: list[tuple[int, int, int, int, int]] = []
    for id_, started, ended, cancelled, steps in db.execute(_PAST):
        at = [(0, started)]
        if steps != "{}":
            at += sorted((place[step], when) for step, when in json.loads(steps).items())
        then = [*(when for _, when in at[1:]), ended]
        stays += [
            (-id_, step, when, left, cancelled) for (step, when), left in zip(at, then, strict=True)
        ]
    piece, step, entered, left, gone = np.array(stays, dtype=np.int64).reshape(-1, 5).T
    return PastStays(piece, step, entered.astype(float), left.astype(float), gone.astype(bool))
