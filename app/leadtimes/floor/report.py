"""The floor in plain text, as the command prints it: sentences and two tables."""

from datetime import UTC, datetime
from textwrap import wrap

import numpy as np

from app.leadtimes.floor.compare import Comparison
from app.leadtimes.floor.hours import HOUR
from app.leadtimes.floor.outcome import Estimate, Outcome

Rows = list[list[str]]
SHARES = (0.10, 0.50, 0.85)
LEFT = ("step", "piece", "now at", "people who do")
WIDTH = 100
SLACK = 0.5  # below this busy share nothing is called a bottleneck (our own choice)


def floor_report(result: Outcome | Comparison, most_pieces: int = 20) -> str:
    """What a person reads. "±" is one standard error of the simulation, not of the studio's luck.

    With a calendar on the floor ready times are dates, else days from now.
    """
    lines = (
        _alone(result, most_pieces) if isinstance(result, Outcome) else _both(result, most_pieces)
    )
    return "\n".join(lines) + "\n"


def _alone(o: Outcome, most: int) -> list[str]:
    head = ["step", "done by", "wait, days", "waiting", "busy"]
    wait, waiting, busy = o.wait_hours(), o.waiting(), o.busy_share()
    rows = [
        [o.floor.steps[i].name, _done_by(o, i), _days(wait, i), _plain(waiting, i),
         _percent(busy, i) if np.isfinite(o.places[i]) else "–"]
        for i in _queueing(o)
    ]  # fmt: skip
    people, share = o.floor.crews, o.crew_busy()
    at_work = [[c.name, str(c.people), _percent(share, k)] for k, c in enumerate(people)]
    return [
        *_wrapped(_opening(o)), "", *_table(head, rows), "",
        *_crew_table(["people who do", "number", "busy"], at_work),
        *_wrapped(_bottleneck(o)), "", *_pieces(o, most),
    ]  # fmt: skip


def _both(c: Comparison, most: int) -> list[str]:
    a, b = c.now, c.then
    head = ["step", "done by", "wait, days", "change", "waiting", "change", "busy", "change"]
    wait, waiting, busy = (
        (a.wait_hours(), b.wait_hours(), c.wait_change()),
        (a.waiting(), b.waiting(), c.waiting_change()),
        (a.busy_share(), b.busy_share(), c.busy_change()),
    )
    rows = []
    for i in sorted({*_queueing(a), *_queueing(b)}):
        unlimited = not (np.isfinite(a.places[i]) and np.isfinite(b.places[i]))
        rows.append([
            a.floor.steps[i].name,
            _arrow(_done_by(a, i), _done_by(b, i)),
            _arrow(*(f"{e.value[i] / 24:.1f}" for e in wait[:2])),
            _signed(wait[2].value[i] / 24, wait[2].error[i] / 24, 1),
            _arrow(*(f"{e.value[i]:.1f}" for e in waiting[:2])),
            _signed(waiting[2].value[i], waiting[2].error[i], 1),
            "–" if unlimited else _arrow(*(_percentage(e.value[i]) for e in busy[:2])),
            "–" if unlimited else _signed(100 * busy[2].value[i], 100 * busy[2].error[i], 1) + " %",
        ])  # fmt: skip
    return [
        *_wrapped(_opening(a)), "", *_table(head, rows), "",
        *_crew_table(["people who do", "number", "busy"], _crews_both(c)),
        *_wrapped("Now: " + _bottleneck(a)), *_wrapped("Then: " + _bottleneck(b)),
        *_sooner(c), "",
        *_pieces_both(c, most),
    ]  # fmt: skip


def _crews_both(c: Comparison) -> Rows:
    """Each crew of either floor: how many, how busy; "–" on the floor on which there is none."""
    found: dict[str, list[tuple[str, str]]] = {}
    for side, o in enumerate((c.now, c.then)):
        share = o.crew_busy().value
        for k, crew in enumerate(o.floor.crews):
            both = found.setdefault(crew.name, [("0", "–"), ("0", "–")])
            both[side] = str(crew.people), _percentage(share[k])
    return [
        [name, _arrow(now[0], then[0]), _arrow(now[1], then[1])]
        for name, (now, then) in found.items()
    ]


def _crew_table(head: list[str], rows: Rows) -> list[str]:
    return [*_table(head, rows), ""] if rows else []


def _queueing(o: Outcome) -> list[int]:
    """The steps at which pieces can wait: those that people or machines limit."""
    able = {name for crew in o.floor.crews for name in crew.steps}
    return [
        i for i, s in enumerate(o.floor.steps) if np.isfinite(o.places[i]) or s.name in able
    ]  # fmt: skip


def _wrapped(text: str) -> list[str]:
    """Lines of a hundred columns, no figure apart from its percent sign."""
    kept = text.replace(" %", "\N{NO-BREAK SPACE}%")
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in wrap(kept, WIDTH)]


def _opening(o: Outcome) -> str:
    return (
        f"{o.ready.shape[0]} simulations of {_many(len(o.floor.pieces), 'piece')} on the floor "
        f"today; waiting and busy share over the next {o.floor.horizon_h / 24:.0f} days. "
        "± is the error that the simulation itself leaves."
    )


def _bottleneck(o: Outcome) -> str:
    ranked = o.busiest()
    if not ranked:
        return "No step has a limit, so there is no bottleneck."
    often, first = _percentage(float(o.bottleneck().value[ranked[0]])), ranked[0]
    who, verb, their, busy = _who(o, first)
    if busy < SLACK:
        text = f"Hands and machines are enough: even {who} {verb} busy for only {_percentage(busy)}"
        return f"{text} of {their} hours."
    text = f"{who} {verb} the bottleneck, busy for {_percentage(busy)} of {their} hours and the "
    text = f"{text[0].upper()}{text[1:]}busiest in {often} of the simulations"
    if len(ranked) == 1:
        return text + "."
    who, _, _, busy = _who(o, ranked[1])
    return text + f"; next would be {who} ({_percentage(busy)})."


def _who(o: Outcome, i: int) -> tuple[str, str, str, float]:
    """A step or crew as the subject of a sentence, with its verb, its "its" and its busy share."""
    steps = len(o.floor.steps)
    if i < steps:
        return o.floor.steps[i].name, "is", "its", float(o.busy_share().value[i])
    crew = o.floor.crews[i - steps]
    busy = float(o.crew_busy().value[i - steps])
    does = " and ".join(filter(None, (", ".join(crew.steps[:-1]), crew.steps[-1])))
    if crew.people == 1:
        return f"the one person who does {does}", "is", "their", busy
    return f"the {crew.people} people who do {does}", "are", "their", busy


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
        + [_arrow(_when(c.now, before[i, k]), _when(c.then, after[i, k])) for k in (1, 2)]
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


def _done_by(o: Outcome, i: int) -> str:
    """How many people or machines do a step, and how many can be at it at once if that is less."""
    step = o.floor.steps[i]
    hands = sum(crew.people for crew in o.floor.crews if step.name in crew.steps)
    places = f"{o.places[i]:.0f}" if np.isfinite(o.places[i]) else ""
    if not hands or not places:
        return f"{hands}" if hands else places or "no limit"
    return f"{hands}, {places} at once" if o.places[i] < hands else f"{hands}"


def _arrow(before: str, after: str) -> str:
    return before if before == after else f"{before} → {after}"


def _days(e: Estimate, i: int) -> str:
    return f"{e.value[i] / 24:.1f} ± {e.error[i] / 24:.2f}"


def _plain(e: Estimate, i: int) -> str:
    return f"{e.value[i]:.1f} ± {e.error[i]:.2f}"


def _percentage(share: float) -> str:
    return f"{100 * share:.0f} %"


def _percent(e: Estimate, i: int) -> str:
    return f"{100 * e.value[i]:.0f} ± {100 * e.error[i]:.1f} %"


def _signed(value: float, error: float, places: int) -> str:
    if abs(value) < 0.5 * 10.0**-places:
        return "0"
    return f"{value:+.{places}f}" + ("" if np.isnan(error) else f" ± {error:.{places + 1}f}")


def _table(head: list[str], rows: Rows) -> list[str]:
    """Columns as wide as they need to be: the first to the left, figures to the right."""
    widths = [max(len(row[k]) for row in [head, *rows]) for k in range(len(head))]
    left = {k for k, name in enumerate(head) if name in LEFT}
    return [
        "  ".join(
            cell.ljust(width) if k in left else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in [head, *rows]
    ]
