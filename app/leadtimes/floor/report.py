"""The floor in plain text, as the command prints it: sentences and two tables."""

from datetime import UTC, datetime

import numpy as np

from app.leadtimes.floor.compare import Comparison
from app.leadtimes.floor.hours import HOUR
from app.leadtimes.floor.outcome import Estimate, Outcome

Rows = list[list[str]]
SHARES = (0.10, 0.50, 0.85)


def floor_report(result: Outcome | Comparison, most_pieces: int = 20) -> str:
    """What a person reads. "±" is one standard error of the simulation, not of the studio's luck.

    With a calendar on the floor ready times are dates, else days from now.
    """
    lines = (
        _alone(result, most_pieces) if isinstance(result, Outcome) else _both(result, most_pieces)
    )
    return "\n".join(lines) + "\n"


def _alone(o: Outcome, most: int) -> list[str]:
    head = ["step", "places", "wait, days", "waiting", "busy"]
    wait, waiting, busy = o.wait_hours(), o.waiting(), o.busy_share()
    rows = [
        [s.name, _places(o, i), _days(wait, i), _plain(waiting, i), _percent(o, busy, i)]
        for i, s in enumerate(o.floor.steps)
    ]
    return [_opening(o), "", *_table(head, rows), "", _bottleneck(o), "", *_pieces(o, most)]


def _both(c: Comparison, most: int) -> list[str]:
    a, b = c.now, c.then
    head = ["step", "places", "wait, days", "change", "waiting", "change", "busy", "change"]
    wait, waiting, busy = (
        (a.wait_hours(), b.wait_hours(), c.wait_change()),
        (a.waiting(), b.waiting(), c.waiting_change()),
        (a.busy_share(), b.busy_share(), c.busy_change()),
    )
    rows = []
    for i, step in enumerate(a.floor.steps):
        places = (_places(a, i), _places(b, i))
        unlimited = "no limit" in places
        rows.append([
            step.name,
            places[0] if places[0] == places[1] else " → ".join(places),
            _arrow(*(f"{e.value[i] / 24:.1f}" for e in wait[:2])),
            _signed(wait[2].value[i] / 24, wait[2].error[i] / 24, 1),
            _arrow(*(f"{e.value[i]:.1f}" for e in waiting[:2])),
            _signed(waiting[2].value[i], waiting[2].error[i], 1),
            "–" if unlimited else _arrow(*(f"{100 * e.value[i]:.0f} %" for e in busy[:2])),
            "–" if unlimited else _signed(100 * busy[2].value[i], 100 * busy[2].error[i], 1) + " %",
        ])  # fmt: skip
    return [
        _opening(a), "", *_table(head, rows), "",
        "Now: " + _bottleneck(a), "Then: " + _bottleneck(b), *_sooner(c), "",
        *_pieces_both(c, most),
    
    ]  # fmt: skip


def _opening(o: Outcome) -> str:
    return (
        f"{o.ready.shape[0]} simulations of {_many(len(o.floor.pieces), 'piece')} on the floor "
        f"today; waiting and busy share over the next {o.floor.horizon_h / 24:.0f} days."
    )


def _bottleneck(o: Outcome) -> str:
    ranked = o.busiest()
    if not ranked:
        return "No step has a limit, so there is no bottleneck."
    share, names = o.bottleneck(), [s.name for s in o.floor.steps]
    first = ranked[0]
    often = _percentage(float(share.value[first]))
    text = f"{names[first]} is the bottleneck, the busiest step in {often} of the simulations"
    if len(ranked) == 1:
        return text + "."
    busy = _percentage(float(o.busy_share().value[ranked[1]]))
    return text + f"; next would be {names[ranked[1]]} ({busy} busy)."


def _sooner(c: Comparison) -> list[str]:
    if not c.now.ready.shape[1]:
        return []
    lines = []
    for what, e in (
        ("A piece on the floor today", c.typical_change()),
        ("The last of them", c.last_change()),
    ):
        days, error = float(e.value) / 24, float(e.error) / 24
        way = "sooner" if days < 0 else "later"
        if abs(days) <= 2 * error or abs(days) < 0.05:
            lines.append(
                f"{what} is ready neither sooner nor later ({days:+.1f} ± {error:.2f} days)."
            )
        else:
            lines.append(f"{what} is ready {abs(days):.1f} ± {error:.2f} days {way} on average.")
    return lines


def _pieces(o: Outcome, most: int) -> list[str]:
    at, shown = o.ready_at(SHARES), _shown(o, most)
    head = ["piece", "now at", "10 %", "half", "85 %", "± days"]
    rows = [
        [o.floor.pieces[i].key, o.floor.pieces[i].step]
        + [_when(o, hour) for hour in at.value[i]]
        + [f"{at.error[i, 2] / 24:.1f}"]
        for i in shown
    ]
    return _table(head, rows) + _left_out(o, shown) if rows else []


def _pieces_both(c: Comparison, most: int) -> list[str]:
    shown = _shown(c.now, most)
    before, after = c.now.ready_at(SHARES).value, c.then.ready_at(SHARES).value
    change = c.quantile_change([0.85])
    head = ["piece", "now at", "half", "85 %", "change of 85 %, days"]
    rows = [
        [c.now.floor.pieces[i].key, c.now.floor.pieces[i].step]
        + [f"{_when(c.now, before[i, k])} → {_when(c.then, after[i, k])}" for k in (1, 2)]
        + [_signed(change.value[i, 0] / 24, change.error[i, 0] / 24, 1)]
        for i in shown
    ]
    return _table(head, rows) + _left_out(c.now, shown) if rows else []


def _shown(o: Outcome, most: int) -> list[int]:
    """The pieces in the order in which they will probably be ready."""
    return [int(i) for i in np.argsort(np.median(o.ready, axis=0), kind="stable")[:most]]


def _left_out(o: Outcome, shown: list[int]) -> list[str]:
    more = o.ready.shape[1] - len(shown)
    return [f"And {_many(more, 'more piece')}."] if more else []


def _many(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def _when(o: Outcome, hour: float) -> str:
    if not np.isfinite(hour):
        return "never"
    if o.floor.calendar is None:
        return f"{hour / 24:.1f}"
    moment = datetime.fromtimestamp(o.floor.now + hour * HOUR, UTC)
    return moment.astimezone(o.floor.calendar.zone).strftime("%d %b %Y")


def _places(o: Outcome, i: int) -> str:
    return f"{o.places[i]:.0f}" if np.isfinite(o.places[i]) else "no limit"


def _arrow(before: str, after: str) -> str:
    return before if before == after else f"{before} → {after}"


def _days(e: Estimate, i: int) -> str:
    return f"{e.value[i] / 24:.1f} ± {e.error[i] / 24:.2f}"


def _plain(e: Estimate, i: int) -> str:
    return f"{e.value[i]:.1f} ± {e.error[i]:.2f}"


def _percentage(share: float) -> str:
    return f"{100 * share:.0f} %"


def _percent(o: Outcome, e: Estimate, i: int) -> str:
    if not np.isfinite(o.places[i]):
        return "–"
    return f"{100 * e.value[i]:.0f} ± {100 * e.error[i]:.1f} %"


def _signed(value: float, error: float, places: int) -> str:
    if abs(value) < 0.5 * 10.0**-places:
        return "0"
    return f"{value:+.{places}f}" + ("" if np.isnan(error) else f" ± {error:.{places + 1}f}")


def _table(head: list[str], rows: Rows) -> list[str]:
    """Columns as wide as they need to be: the first to the left, figures to the right."""
    widths = [max(len(row[k]) for row in [head, *rows]) for k in range(len(head))]
    left = {k for k, name in enumerate(head) if name in ("step", "piece", "now at")}
    return [
        "  ".join(
            cell.ljust(width) if k in left else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in [head, *rows]
    ]
