"""Who takes what in hand, who is there, and why a piece lies: nobody is free, or nobody looks at it
yet. Pure.

Intervals here are in working seconds: seconds of the studio's hours before a moment.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from app.flow.steps import Step
from app.leadtimes.floor import Crew
from app.owner.intervals import STEP_LIST, Bools, Intervals
from app.owner.spans import Ints, Spans, WorkAndRest
from app.shared.calendar import Calendar

NOBODY: Final = -1
# Somebody does a step who takes it up at least so often, of all that they take up. The shares
# after the first are for houses with more different sets of steps than the simulation takes.
_PARTS: Final = (0.05, 0.15, 0.3, 0.5)
_MOST_CREWS: Final = 12
# Presence: what our own choice calls too few entries to tell hours by, a run of days away, and the
# least that somebody who is at work at all is there.
ENOUGH_ACTS: Final = 40
AWAY_FROM: Final = 2
LEAST_THERE: Final = 0.1
FAR: Final = 1 << 40
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


@dataclass(frozen=True)
class Presence:
    """When somebody is there, in epoch seconds, and what part of the studio's hours that is."""

    spans: Spans
    part: float


def presence(acts: Sequence[Any], calendar: Calendar, hours: WorkAndRest) -> dict[int, Presence]:
    """By account, from what people wrote down: rows (account, moment, how many), by half hours.

    Somebody is away on days of which several in a row see nothing of them, and in the hours of the
    day at which they hardly ever write anything. What lies before their first entry says nothing.
    """
    hourly = _hourly(calendar, hours.work)
    found = {}
    for who in {row.account for row in acts}:
        mine = [(calendar.local(row.moment), row.entries) for row in acts if row.account == who]
        seen = {when.date().toordinal() for when, _ in mine}
        by_hour = np.zeros(24)
        for when, count in mine:
            by_hour[when.hour] += count
        begun = hourly.day >= min(seen)
        there = begun & _hours_there(by_hour, hourly.hour)[hourly.hour]
        there &= np.isin(hourly.day, _days_there(seen, np.unique(hourly.day[begun])))
        length = hourly.end - hourly.start
        part = length[there].sum() / max(1, length[begun].sum())
        pairs = zip(hourly.start[there].tolist(), hourly.end[there].tolist(), strict=True)
        found[who] = Presence(Spans.of(list(pairs)), max(LEAST_THERE, float(part)))
    return found


@dataclass(frozen=True)
class _Hourly:
    """The studio's hours cut at each full hour of the wall clock, with their hour and day."""

    start: Ints
    end: Ints
    hour: Ints
    day: Ints


def _hourly(calendar: Calendar, work: Spans) -> _Hourly:
    rows: list[tuple[int, int, int, int]] = []
    for opens, closes in zip(work.opens.tolist(), work.closes.tolist(), strict=True):
        local, at = calendar.local(opens), opens
        left = 3600 - local.minute * 60 - local.second
        hour = local.hour
        while at < closes:
            end = min(closes, at + left)
            rows.append((at, end, hour % 24, local.date().toordinal()))
            at, left, hour = end, 3600, hour + 1
    return _Hourly(*np.array(rows, dtype=np.int64).reshape(-1, 4).T)


def _hours_there(by_hour: NDArray[np.float64], open_hours: Ints) -> Bools:
    """The hours of the day with at least a fifth of the entries that each would have by turns."""
    usual = np.isin(np.arange(24), open_hours)
    total = by_hour[usual].sum()
    if total < ENOUGH_ACTS:
        return usual
    return np.asarray(usual & (by_hour >= 0.2 * total / usual.sum()), dtype=bool)


def _days_there(seen: set[int], days: Ints) -> Ints:
    """Working days but for runs of several without an entry."""
    if not days.size:
        return days
    missed = ~np.isin(days, list(seen))
    run = np.cumsum(np.append(True, missed[1:] != missed[:-1]))
    long = np.bincount(run)[run] >= AWAY_FROM
    kept: Ints = days[~(missed & long)]
    return kept


def holders(found: Intervals, starts: Starts) -> Ints:
    """By interval the account that has the piece in hand, NOBODY where that is not known."""
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


def attention(start: Ints, end: Ints) -> NDArray[np.float64]:
    """Seconds that each interval in one person's hands [start, end) really got: who has three
    pieces in hand at once gives each a third.
    """
    marks, at_once = _at_once(start, end)
    gone = np.append(0.0, np.cumsum(np.diff(marks) / np.maximum(at_once, 1)))
    return np.asarray(gone[np.searchsorted(marks, end)] - gone[np.searchsorted(marks, start)])


def nobody_free(
    start: Ints, end: Ints, account: Ints, crew: Sequence[int],
    there: Mapping[int, Presence], work: Spans,
) -> Spans:  # fmt: skip
    """When everybody of a crew had something in hand or was away."""
    opens, closes = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
    for who in crew:
        mine = account == who
        a, b = start[mine], end[mine]
        if who in there:
            comes, goes = work.until(there[who].spans.opens), work.until(there[who].spans.closes)
            whole = int(work.until(np.array([FAR]))[0])
            a, b = np.concatenate((a, [0], goes)), np.concatenate((b, comes, [whole]))
            a, b = a[a < b], b[a < b]
        marks, at_once = _at_once(a, b)
        opens.append(marks[:-1][at_once > 0])
        closes.append(marks[1:][at_once > 0])
    marks, busy = _at_once(np.concatenate(opens), np.concatenate(closes))
    full = busy >= max(1, len(crew))
    return Spans.of(list(zip(marks[:-1][full].tolist(), marks[1:][full].tolist(), strict=True)))


def most_at_once(start: Ints, end: Ints) -> int:
    """The greatest number of intervals [start, end) that hold one moment."""
    moments = np.concatenate((start, end))
    change = np.repeat([1, -1], [start.size, end.size])
    order = np.lexsort((change, moments))  # at one moment, who leaves does so first
    return int(np.cumsum(change[order]).max(initial=0))


def _at_once(start: Ints, end: Ints) -> tuple[Ints, Ints]:
    """The moments at which something begins or ends, and how many hold between each two."""
    marks = np.unique(np.concatenate((start, end)))
    here = marks[:-1]
    begun = np.searchsorted(np.sort(start), here, "right")
    return marks, begun - np.searchsorted(np.sort(end), here, "right")


def several_at_once(found: Intervals, starts: Starts) -> frozenset[str]:
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


def crews(
    does: Mapping[int, frozenset[str]],
    there: Mapping[int, float],
    names: Mapping[Step, str],
    called: Mapping[int, str] = MappingProxyType({}),
) -> tuple[Crew, ...]:
    """People who do the same steps together, named by their steps in the order of the flow, and
    there as much as they are on average. `called` are people's names.
    """
    who: dict[tuple[str, ...], list[str]] = {}
    sets: dict[tuple[str, ...], list[float]] = {}
    for account, steps in does.items():
        mine = tuple(name for step, name in names.items() if str(step) in steps)
        if mine:
            sets.setdefault(mine, []).append(there.get(account, 1.0))
            if account in called:
                who.setdefault(mine, []).append(called[account])
    return tuple(
        Crew(", ".join(mine), len(parts), mine, sum(parts) / len(parts), tuple(who.get(mine, ())))
        for mine, parts in sorted(sets.items())
    )
