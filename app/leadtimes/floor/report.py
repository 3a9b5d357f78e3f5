"""The floor in plain text, as the command prints it: sentences and two tables."""

from collections.abc import Callable
from datetime import UTC, datetime
from textwrap import wrap
from typing import NamedTuple

import numpy as np

from app.leadtimes.floor.compare import Comparison
from app.leadtimes.floor.hours import HOUR
from app.leadtimes.floor.outcome import Estimate, Outcome

Rows = list[list[str]]
SHARES = (0.10, 0.50, 0.85)
LEFT = ("step", "piece", "now at", "people who do")
WIDTH = 100
# Common practice, no source: from here on each delay adds to the next.
_TIGHT = 0.85
_LEGEND = (
    "busy: of the time that its people or machines have; “–” where nothing but its people limits a "
    "step: how busy they are stands below. wait: before somebody takes a piece up. waiting: pieces "
    "that do, on average."
)
SLACK = 0.5  # below this busy share nothing is called a bottleneck (our own choice)


class _Measure(NamedTuple):
    """A column of the table of steps: what it shows, in which unit, and how that changes."""

    head: str
    of: Callable[[Outcome], Estimate]
    change: Callable[[Comparison], Estimate]
    times: float
    by: float
    digits: int
    unit: str


_MEASURES = (
    _Measure("wait, days", Outcome.wait_hours, Comparison.wait_change, 1, 24, 1, ""),
    _Measure("waiting", Outcome.waiting, Comparison.waiting_change, 1, 1, 1, ""),
    _Measure("busy", Outcome.busy_share, Comparison.busy_change, 100, 1, 0, " %"),
)


def floor_report(result: Outcome | Comparison, most_pieces: int = 20) -> str:
    """What a person reads. "±" is one standard error of the simulation, not of the studio's luck.

    With a calendar on the floor ready times are dates, else days from now.
    """
    both = None if isinstance(result, Outcome) else result
    floors = [result] if isinstance(result, Outcome) else [result.now, result.then]
    lines = [*_wrapped(_opening(floors[0])), ""]
    if both is None:
        lines += _wrapped(busiest_words(floors[0]))
    else:
        lines += _wrapped("Now: " + busiest_words(both.now))
        lines += _wrapped("Then: " + busiest_words(both.then)) + _sooner(both)
    lines += ["", *_steps(floors, both), *_wrapped(_LEGEND), "", *_crews(floors)]
    return "\n".join([*lines, *_pieces(floors, both, most_pieces)]) + "\n"


def _steps(floors: list[Outcome], both: Comparison | None) -> list[str]:
    """Each step's figures with their errors; of two floors both, and how far they lie apart."""
    head, columns = ["step", "done by"], []
    for measure in _MEASURES:
        head += [measure.head] if both is None else [measure.head, "change"]
        estimates = [measure.of(o) for o in floors]
        columns.append((measure, estimates, None if both is None else measure.change(both)))
    rows = []
    for i in sorted({i for o in floors for i in _queueing(o)}):
        row = [floors[0].floor.steps[i].name, _arrow(*(_done_by(o, i) for o in floors))]
        for measure, estimates, change in columns:
            cells = _cells(measure, estimates, change, i)
            limited = all(np.isfinite(o.places[i]) for o in floors)
            row += cells if limited or measure.head != "busy" else ["–"] * len(cells)
        rows.append(row)
    return _table(head, rows)


def _cells(
    measure: _Measure, estimates: list[Estimate], change: Estimate | None, i: int
) -> list[str]:
    times, by, digits, unit = measure.times, measure.by, measure.digits, measure.unit
    values = [f"{times * e.value[i] / by:.{digits}f}" for e in estimates]
    if change is None:
        error = times * estimates[0].error[i] / by
        return [f"{values[0]} ± {error:.{digits + 1}f}{unit}"]
    apart = _signed(times * change.value[i] / by, times * change.error[i] / by, 1)
    return [_arrow(*(value + unit for value in values)), apart + unit]


def _crews(floors: list[Outcome]) -> list[str]:
    """Each crew of either floor: how many, how busy; "–" on the floor on which there is none."""
    people: dict[str, list[str]] = {}
    busy: dict[str, list[str]] = {}
    for side, o in enumerate(floors):
        share = o.crew_busy()
        for k, crew in enumerate(o.floor.crews):
            people.setdefault(crew.name, ["0"] * len(floors))[side] = str(crew.people)
            said = _percentage(share.value[k]) if len(floors) > 1 else _percent(share, k)
            busy.setdefault(crew.name, ["–"] * len(floors))[side] = said
    rows = [[name, _arrow(*people[name]), _arrow(*busy[name])] for name in people]
    return [*_table(["people who do", "number", "busy"], rows), ""] if rows else []


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


def busiest_words(o: Outcome) -> str:
    """The bottleneck of a floor in words, and what would come next."""
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
    much = f" From {_percentage(_TIGHT)} on, lines grow quickly." if busy > _TIGHT else ""
    if len(ranked) == 1:
        return f"{text}.{much}"
    who, _, _, busy = _who(o, ranked[1])
    return f"{text}; next would be {who} ({_percentage(busy)}).{much}"


def busiest_of(o: Outcome) -> str:
    """Who or what is busiest, and how busy: "Painting, 93 %"; empty where nothing has a limit."""
    ranked = o.busiest()
    if not ranked:
        return ""
    who, _, _, busy = _who(o, ranked[0])
    return f"{who}, {_percentage(busy)}"


def _who(o: Outcome, i: int) -> tuple[str, str, str, float]:
    """A step or crew as the subject of a sentence, with its verb, its "its" and its busy share."""
    steps = len(o.floor.steps)
    if i < steps:
        return o.floor.steps[i].name, "is", "its", float(o.busy_share().value[i])
    crew = o.floor.crews[i - steps]
    busy = float(o.crew_busy().value[i - steps])
    does = " and ".join(filter(None, (", ".join(crew.steps[:-1]), crew.steps[-1])))
    verb = "is" if crew.people == 1 else "are"
    if crew.who and len(crew.who) == crew.people:
        who = f"{' and '.join(crew.who)} ({does})"
    elif crew.people == 1:
        who = f"the one person who does {does}"
    else:
        who = f"the {crew.people} people who do {does}"
    return who, verb, "their", busy


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


def _pieces(floors: list[Outcome], both: Comparison | None, most: int) -> list[str]:
    """When each piece is ready; of two floors also by how much the 85 % point moves."""
    now, at = floors[0], [o.ready_at(SHARES) for o in floors]
    change = None if both is None else both.quantile_change([0.85])
    shares = {"10 %": 0, "half": 1, "85 %": 2} if change is None else {"half": 1, "85 %": 2}
    shown, rows = _shown(now, most), []
    for i in shown:
        row = [now.floor.pieces[i].key, now.floor.pieces[i].step]
        for k in shares.values():
            row.append(_arrow(*(_when(o, e.value[i, k]) for o, e in zip(floors, at, strict=True))))
        if change is None:
            row.append(f"{at[0].error[i, 2] / 24:.1f}")
        else:
            row.append(_signed(change.value[i, 0] / 24, change.error[i, 0] / 24, 1))
        rows.append(row)
    last = "± days" if change is None else "change of 85 %, days"
    return _table(["piece", "now at", *shares, last], rows) + _left_out(now, shown) if rows else []


def _shown(o: Outcome, most: int) -> list[int]:
    """The pieces in the order in which they will probably be ready."""
    return [int(i) for i in np.argsort(np.median(o.ready, axis=0), kind="stable")[:most]]


def _left_out(o: Outcome, shown: list[int]) -> list[str]:
    more = o.ready.shape[1] - len(shown)
    return [f"And {_many(more, 'more piece')}: --all shows them."] if more else []


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


def _arrow(*texts: str) -> str:
    """The figure of one floor, or both where they differ."""
    return " → ".join(dict.fromkeys(texts))


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
