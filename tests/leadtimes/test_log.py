"""Stays of a whole log as arrays, and the pieces that they make up."""

import numpy as np

from app.leadtimes.log import CANCELLED, FINISHED, MOVED, OPEN, cases, make_log

STEPS = ["shaping", "painting"]


def test_a_piece_lasts_from_its_first_stay_to_the_end_of_its_last() -> None:
    log = make_log(
        [8, 7, 7, 9], [0, 1, 0, 0], [20, 30, 10, 40], [25, 60, 30, np.nan],
        [True, False, False, False], steps=STEPS,
    )  # fmt: skip
    assert log.piece.tolist() == [7, 7, 8, 9]
    assert log.left[:3].tolist() == [30, 60, 25]
    assert log.outcome.tolist() == [MOVED, FINISHED, CANCELLED, OPEN]
    pieces = cases(log)
    assert pieces.outcome.tolist() == [FINISHED, CANCELLED, OPEN]
    assert (pieces.ended - pieces.started)[:2].tolist() == [50, 5]
    assert np.isnan(pieces.ended[2])


def test_a_piece_with_one_open_stay_is_open_however_its_others_ended() -> None:
    log = make_log([1, 1], [0, 1], [0, 5], [np.nan, 9], steps=STEPS)
    assert log.outcome.tolist() == [OPEN, MOVED]
