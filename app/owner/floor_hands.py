"""Who takes what in hand, and why a piece lies: nobody is free, or nobody looks at it yet. Pure.

Everything here reckons in working seconds: seconds of the studio's hours before a moment.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from app.flow.steps import Step
from app.leadtimes.floor import Crew
from app.owner.spans import Ints, Spans
from app.owner.spells import STEP_LIST, Bools, Spells

NOBODY: Final = -1
# Somebody does a step who takes it up at least so often, of all that they take up. The shares
# after the first are for houses with more different sets of steps than the simulation takes.
_PARTS: Final = (0.05, 0.15, 0.3, 0.5)
_MOST_CREWS: Final = 12
# From this share on, of the pieces taken in hand at a step, while another one was in hand already.
SEVERAL: Final = 0.4


@dataclass(frozen=True)
class Starts:
    """Pieces taken in hand: which, when, by whom; `gone` for those who work here no more."""

    piece: Ints
    step: Sequence[str]
    at: Ints
    account: Ints
    gone: Bools

    @staticmethod
    def of(rows: Sequence[Any]) -> "Starts":
        """From rows (piece, step, at, account, gone)."""
        piece, step, at, account, gone = zip(*rows, strict=True) if rows else ((), (), (), (), ())
        return Starts(
            np.array(piece, dtype=np.int64), step, np.array(at, dtype=np.int64),
            np.array(account, dtype=np.int64), np.array(gone, dtype=bool),
        )  # fmt: skip


def holders(found: Spells, starts: Starts) -> Ints:
    """By spell the account that has the piece in hand, NOBODY where that is not known."""
    key, wanted = (found.piece << 36) + found.start, (starts.piece << 36) + starts.at
    order = np.argsort(wanted, kind="stable")
    place = np.searchsorted(wanted[order], key, "right") - 1
    hit = place >= 0
    hit[hit] = wanted[order][place[hit]] == key[hit]
    fresh = np.append(True, found.piece[1:] != found.piece[:-1])
    row = np.arange(key.size)
    first = np.maximum.accumulate(np.where(fresh, row, 0))
    latest = np.maximum.accumulate(np.where(hit, row, -1))
    known = found.hand & ~found.held & (latest >= first)
    who = np.full(key.size, NOBODY)
    who[known] = starts.account[order][place[latest[known]]]
    return who


def attention(start: Ints, end: Ints, account: Ints) -> NDArray[np.float64]:
    """Seconds that each spell in hand [start, end) really got: who has three pieces in hand at
    once gives each a third.
    """
    given = (end - start).astype(np.float64)
    for who in np.unique(account[account != NOBODY]):
        mine = np.flatnonzero(account == who)
        marks, at_once = _at_once(start[mine], end[mine])
        gone = np.append(0.0, np.cumsum(np.diff(marks) / np.maximum(at_once, 1)))
        given[mine] = gone[np.searchsorted(marks, end[mine])]
        given[mine] -= gone[np.searchsorted(marks, start[mine])]
    return given


def all_busy(start: Ints, end: Ints, account: Ints, crew: Sequence[int]) -> Spans:
    """When everybody of a crew had something in hand."""
    opens, closes = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
    for who in crew:
        mine = account == who
        marks, at_once = _at_once(start[mine], end[mine])
        opens.append(marks[:-1][at_once > 0])
        closes.append(marks[1:][at_once > 0])
    marks, busy = _at_once(np.concatenate(opens), np.concatenate(closes))
    full = busy >= max(1, len(crew))
    return Spans.of(list(zip(marks[:-1][full].tolist(), marks[1:][full].tolist(), strict=True)))


def _at_once(start: Ints, end: Ints) -> tuple[Ints, Ints]:
    """The moments at which something begins or ends, and how many hold between each two."""
    marks = np.unique(np.concatenate((start, end)))
    here = marks[:-1]
    begun = np.searchsorted(np.sort(start), here, "right")
    return marks, begun - np.searchsorted(np.sort(end), here, "right")


def several_at_once(found: Spells, starts: Starts) -> frozenset[str]:
    """The steps at which somebody who has a piece in hand often takes up another one: to have
    something in hand there does not keep anybody from other work, as with parcels that are packed
    and wait to be fetched.
    """
    who = holders(found, starts)
    goes_on = np.append(False, (found.piece[1:] == found.piece[:-1]) & (who[1:] == who[:-1]))
    began = np.flatnonzero((who != NOBODY) & (found.end > found.start) & ~goes_on)
    busy = np.zeros(began.size, dtype=bool)
    for account in np.unique(who[began]):
        mine = np.flatnonzero((who == account) & (found.end > found.start))
        opens, closes = np.sort(found.start[mine]), np.sort(found.end[mine])
        now = who[began] == account
        at = found.start[began[now]]
        held = np.searchsorted(opens, at, "left") - np.searchsorted(closes, at, "right")
        busy[now] = held > 0
    step = found.step[began]
    return frozenset(
        str(STEP_LIST[code]) for code in np.unique(step) if busy[step == code].mean() > SEVERAL
    )


def skills(
    starts: Starts, since: int, without: frozenset[str] = frozenset()
) -> dict[int, frozenset[str]]:
    """Who of those who are still here does which steps, by what they took in hand since a moment.
    Some steps may be left out.
    """
    counts: dict[int, dict[str, int]] = {}
    rows = zip(starts.account.tolist(), starts.step, starts.at.tolist(), starts.gone, strict=True)
    for account, step, at, gone in rows:
        if at >= since and not gone:
            mine = counts.setdefault(account, {})
            mine[step] = mine.get(step, 0) + 1
    for part in _PARTS:
        found = {
            account: frozenset(s for s, n in mine.items() if n >= part * sum(mine.values()))
            - without
            for account, mine in counts.items()
        }
        if len(set(found.values())) <= _MOST_CREWS:
            break
    return {account: steps for account, steps in found.items() if steps}


def crews(does: Mapping[int, frozenset[str]], names: Mapping[Step, str]) -> tuple[Crew, ...]:
    """People who do the same steps together, named by their steps in the order of the flow."""
    sets: dict[tuple[str, ...], int] = {}
    for steps in does.values():
        mine = tuple(name for step, name in names.items() if str(step) in steps)
        if mine:
            sets[mine] = sets.get(mine, 0) + 1
    return tuple(Crew(", ".join(mine), people, mine) for mine, people in sorted(sets.items()))
