"""Rows of a sheet as pieces: what each says, and every row that will not do, with the reason. Pure.

Columns are read one after another, each distinct cell once: a sheet says the same few words and
days thousands of times.
"""

import csv
import io
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, tzinfo
from typing import Any, Final

from app.flow.steps import STARTS, STEPS, Of, Step
from app.history.columns import (
    DAY_FIELDS,
    FIELDS,
    LINE_COLUMN,
    STEP_FIELDS,
    WHY_COLUMN,
    Choices,
    RowIs,
)
from app.history.days import DayOrder, Moment, NotADay
from app.history.days import read as read_day
from app.history.table import Sheet
from app.orders.entry.shape import MOST_ANIMALS, MOST_COPIES
from app.shared.text import fold, problem, safe_cell, tidy
from app.shared.web.fields import mail_problem

FIRST_YEAR: Final = 1950
SMALLEST_MM, LARGEST_MM = 5, 2000
_LONGEST: Final = {"customer": 120, "animal": 120, "phone": 60, "pose": 60, "base": 60,
                   "finish": 60, "reference": 60, "note": 2000, "marks": 2000}  # fmt: skip
_BROKEN = re.compile(r"#(?:REF|VALUE|DIV/0|N/A|NAME|NUM|NULL|SPILL|CALC)[!?]?|#N/A", re.IGNORECASE)
_FORMULA = re.compile(r"=\s*[\w(+\-$'\"]|@\w+\(|\+[A-Za-z]+\$?\d")
_SIZE = re.compile(r"(\d{1,5})(?:[.,](\d))?\s*(mm|cm)?", re.IGNORECASE)
_SEVERAL = re.compile(r"\s*(?:,|;|&|\+|\n|\band\b|\bund\b)\s*")
_DONE: Final = frozenset({"done", "sent", "finished", "shipped", "delivered", "dispatched",
                          "handed over", "received", "closed", "complete", "completed", "fertig",
                          "versandt", "versendet", "geliefert", "erledigt"})  # fmt: skip
_GIVEN_UP: Final = frozenset({"cancelled", "canceled", "given up", "storniert", "abgebrochen"})
_REMEMBERED: Final = frozenset({"remembered", "memorial", "died", "dead", "has died", "deceased",
                                "verstorben", "tot"})  # fmt: skip
_LIVING: Final = frozenset({"living", "alive", "lebt"})
_STEP_OF: Final = {
    name: step
    for step in (*STARTS[Of.MODEL], *STARTS[Of.COPY])
    for name in (fold(STEPS[step].name), str(step).replace("_", " "))
}


class _Wrong(ValueError):
    """A cell will not do."""


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with a row: the line in the file, the column ("" for all of it), and why."""

    line: int
    column: str
    why: str


@dataclass(slots=True)
class SheetPiece:
    """A row that can be brought in, or one animal of it.

    `moments` holds the days of steps that the row knows, `ended` its end (None for one that is
    open, which then has `step` and `since`). `order` is what rows of one order have in common.
    """

    line: int
    customer: str
    mail: str
    phone: str
    animal: str
    facts: Mapping[str, str]
    life: str
    reference: str
    many: int
    size: int | None
    ordered: Moment
    moments: Mapping[Step, Moment]
    ended: Moment | None
    cancelled: bool
    step: Step | None
    since: Moment | None
    needed_by: date | None
    order: tuple[str, str] = ("", "")

    @property
    def open(self) -> bool:
        """Whether it has not ended."""
        return self.ended is None

    @property
    def customer_key(self) -> str:
        """What tells one customer of the sheet from another."""
        return self.mail.casefold() or fold(self.customer)

    @property
    def double_key(self) -> tuple[str, str, date]:
        """Two with the same are probably one: customer, animal and day."""
        return fold(self.customer), fold(self.animal), self.ordered.day


@dataclass(frozen=True)
class Reading:
    """A sheet as read: pieces, faults, and lines that say what an earlier line says already."""

    pieces: list[SheetPiece]
    faults: list[Fault]
    repeats: dict[int, int] = field(default_factory=dict)

    @property
    def bad_lines(self) -> set[int]:
        """The lines with something wrong in them."""
        return {fault.line for fault in self.faults}


def read(sheet: Sheet, choices: Choices, today: date, zone: tzinfo = UTC) -> Reading:
    """The pieces of a sheet, by line, and all that is wrong with it. `choices` have no problems;
    `today` is the studio's day, and `zone` where it keeps its days."""
    faults: list[Fault] = [
        Fault(line, "", "It has more cells than the header has columns. Is a sign inside a cell "
              "read as the end of it? Put such cells in double quotes.")
        for line in sorted(sheet.ragged)
    ]  # fmt: skip
    cells = {
        key: _column(sheet, name, _reader(key, choices.orders.get(name), today, zone), faults)
        for name, key in choices.columns.items()
    }
    bad = {fault.line for fault in faults}
    repeats = _repeats(sheet, choices)
    pieces: list[SheetPiece] = []
    name_of = {key: name for name, key in choices.columns.items()}
    rows = zip(*cells.values(), strict=True)
    keys = tuple(cells)
    for line, values in zip(sheet.lines, rows, strict=True):
        if line in bad:
            continue
        try:
            pieces.extend(_pieces(line, dict(zip(keys, values, strict=True)), choices))
        except _Wrong as why:
            key, said = why.args
            faults.append(Fault(line, name_of.get(key, ""), said))
    faults.sort(key=lambda fault: fault.line)
    return Reading(pieces, faults, repeats)


def _column(sheet: Sheet, name: str, reads: Callable[[str], Any], faults: list[Fault]) -> list[Any]:
    """A column's values; what will not do is None and added to `faults`."""
    raw = sheet.column(name)
    known: dict[str, Any] = {}
    wrong: dict[str, str] = {}
    for cell in set(raw):
        try:
            known[cell] = reads(_plain(cell))
        except (_Wrong, NotADay) as why:
            known[cell], wrong[cell] = None, f"{why}."
    if wrong:
        faults.extend(
            Fault(line, name, wrong[cell])
            for line, cell in zip(sheet.lines, raw, strict=True)
            if cell in wrong
        )
    return [known[cell] for cell in raw]


def _plain(cell: str) -> str:
    """A cell without the sign that keeps a spreadsheet from taking it for a formula."""
    typed = cell.strip()
    if typed[:1] == "'" and typed[1:2] in ("=", "+", "-", "@"):
        return typed[1:]
    if _BROKEN.fullmatch(typed):
        raise _Wrong(f"“{typed}” is an error of the spreadsheet. Put the value there")
    if typed[:1] in ("=", "@", "+") and _FORMULA.match(typed):
        raise _Wrong("This is a formula, and none is worked out here. Put its value there")
    return typed


def _reader(key: str, order: DayOrder | None, today: date, zone: tzinfo) -> Callable[[str], Any]:
    """How the cells of a field are read."""
    if key in DAY_FIELDS:
        first = order or DayOrder.DAY_FIRST
        return lambda cell: _day(cell, first, today, zone, ahead=key == "needed_by")
    by_key: dict[str, Callable[[str], Any]] = {
        "customer": lambda cell: _filled(_text(cell, "customer"), "The customer’s name"),
        "animal": lambda cell: _filled(_text(cell, "animal", lines=True), "The animal’s name"),
        "mail": _mail, "many": _many, "size": _size, "life": _life, "step": _status,
    }  # fmt: skip
    return by_key.get(key, lambda cell: _text(cell, key, lines=key in ("note", "marks")))


def _text(cell: str, key: str, *, lines: bool = False) -> str:
    value = tidy(cell, lines=lines)
    wrong = problem(value, _LONGEST.get(key, 200), lines=lines)
    if wrong is not None:
        raise _Wrong(wrong.rstrip("."))
    return value


def _filled(value: str, what: str) -> str:
    if not value:
        raise _Wrong(f"{what} is missing")
    return value


def _day(cell: str, order: DayOrder, today: date, zone: tzinfo, *, ahead: bool) -> Moment | None:
    if not cell or cell in ("-", "–", "?", "n/a"):
        return None
    found = read_day(cell, order, today.year, zone)
    if not FIRST_YEAR <= found.day.year <= today.year + (5 if ahead else 1):
        raise _Wrong(f"“{cell}” is of the year {found.day.year}, which cannot be")
    if found.day > today and not ahead:
        raise _Wrong(f"“{cell}” is in the future")
    return found


def _mail(cell: str) -> str:
    value = _text(cell, "mail")
    if value and mail_problem(value) is not None:
        raise _Wrong(f"“{value[:60]}” is not an email address")
    return value


def _many(cell: str) -> int:
    if not cell:
        return 1
    if not cell.isdecimal() or not cell.isascii() or not 1 <= int(cell[:6]) <= MOST_COPIES:
        raise _Wrong(f"“{cell[:30]}” is not a number of copies from 1 to {MOST_COPIES}")
    return int(cell)


def _size(cell: str) -> int | None:
    if not cell:
        return None
    parts = _SIZE.fullmatch(cell)
    if parts is None:
        raise _Wrong(f"“{cell[:30]}” is not a size in mm")
    size = float(f"{parts[1]}.{parts[2] or 0}") * (10 if (parts[3] or "").lower() == "cm" else 1)
    if not SMALLEST_MM <= size <= LARGEST_MM:
        raise _Wrong(f"“{cell}” is not between {SMALLEST_MM} and {LARGEST_MM} mm")
    return round(size)


def _life(cell: str) -> str:
    said = fold(cell)
    if said in _REMEMBERED:
        return "remembered"
    if said in _LIVING:
        return "living"
    if said in ("", "not said", "not_said", "unknown", "?"):
        return "not_said"
    raise _Wrong(f"“{cell[:30]}” does not say whether the animal lives. Living, or remembered")


def _status(cell: str) -> Step | None:
    said = fold(cell).replace("_", " ")
    if not said:
        return None
    if said in _DONE:
        return Step.HANDED_OVER
    if said in _GIVEN_UP:
        return Step.CANCELLED
    if said not in _STEP_OF:
        names = ", ".join(STEPS[s].name for s in (*STARTS[Of.MODEL], *STARTS[Of.COPY])
                          if s not in (Step.READY, Step.NOT_BEGUN, Step.HANDED_OVER))  # fmt: skip
        raise _Wrong(f"“{cell[:30]}” is no step of this house. Done, cancelled, or one of: {names}")
    return _STEP_OF[said]


def _pieces(line: int, cells: Mapping[str, Any], choices: Choices) -> Iterator[SheetPiece]:
    """The pieces of a row. Raises _Wrong with the field and the reason."""
    get = cells.get
    ordered: Moment | None = get("ordered")
    if ordered is None:
        raise _Wrong("ordered", "The day ordered is missing.")
    sent, gone, status = get("sent"), get("cancelled"), get("step")
    if sent is not None and gone is not None:
        raise _Wrong("cancelled", "It was sent and cancelled. One of the two is too many.")
    ended = sent or gone
    cancelled = gone is not None
    if ended is not None and status is not None and status not in _AFTER[cancelled]:
        raise _Wrong("step", f"It ended, and yet stands at “{STEPS[status].name}”.")
    if ended is None and status in (Step.HANDED_OVER, Step.CANCELLED):
        raise _Wrong("step", "It has ended, and nothing says on which day.")
    moments = {step: found for step in STEP_FIELDS if (found := get(step)) is not None}
    _in_order(ordered, moments, ended)
    since = get("since")
    if ended is None:
        status, since = _standing(ordered, moments, status, since)
    needed: Moment | None = get("needed_by")
    facts = {key: get(key) or "" for key in ("kind", "breed", "colours", "marks", "pose", "base",
                                             "finish", "inscription", "note")}  # fmt: skip
    for animal in _animals(get("animal", ""), choices):
        yield SheetPiece(
            line=line, customer=get("customer", ""), mail=get("mail") or "",
            phone=get("phone") or "", animal=animal, facts=facts, life=get("life") or "not_said",
            reference=get("reference") or "", many=get("many") or 1, size=get("size"),
            ordered=ordered, moments=moments, ended=ended, cancelled=cancelled, step=status,
            since=since, needed_by=needed.day if needed is not None else None,
        )  # fmt: skip


_AFTER: Final = {False: (Step.HANDED_OVER, Step.RECEIVED), True: (Step.CANCELLED,)}


def _animals(cell: str, choices: Choices) -> list[str]:
    if choices.row_is is not RowIs.ORDER:
        return [" ".join(cell.split())]
    names = [name for part in _SEVERAL.split(cell) if (name := " ".join(part.split()))]
    if len(names) > MOST_ANIMALS:
        raise _Wrong("animal", f"These are {len(names)} animals; {MOST_ANIMALS} at most.")
    return names


def _in_order(ordered: Moment, moments: Mapping[Step, Moment], ended: Moment | None) -> None:
    """A piece goes forward: each day that is known is on or after the one before it."""
    before, what = ordered, FIELDS["ordered"]
    for step, moment in moments.items():
        if _later(before, moment):
            raise _Wrong(str(step), f"That is before “{what}”, {before.day.isoformat()}.")
        before, what = moment, FIELDS[str(step)]
    if ended is not None and _later(before, ended):
        raise _Wrong("sent", f"It ended before “{what}”, {before.day.isoformat()}.")


def _later(one: Moment, other: Moment) -> bool:
    """Whether `one` is after `other`, as far as both are known."""
    if one.at is not None and other.at is not None:
        return one.at > other.at
    return one.day > other.day


def _standing(
    ordered: Moment, moments: Mapping[Step, Moment], status: Step | None, since: Moment | None
) -> tuple[Step, Moment]:
    """Where an open piece stands, and since when: as the sheet says, else at the last step whose
    day it knows. An order's day alone says neither."""
    last = list(moments)[-1] if moments else None
    step = status or last
    if step is None:
        raise _Wrong(
            "step", "It has not ended, and nothing says where it stands. Fill in a step or a day."
        )
    found = since or moments.get(step)
    if found is None and step in (Step.PHOTOS_WANTED, Step.NOT_BEGUN):
        found = ordered
    if found is None:
        raise _Wrong("since", f"Since which day is it at “{STEPS[step].name}”?")
    if _later(ordered, found):
        raise _Wrong("since", f"That is before “{FIELDS['ordered']}”, {ordered.day.isoformat()}.")
    return step, found


def _repeats(sheet: Sheet, choices: Choices) -> dict[int, int]:
    """Lines whose read cells are all those of an earlier line, with that line. Where each piece has
    a code of its own there are none."""
    if choices.column_of("code") is not None:
        return {}
    places = [sheet.header.index(name) for name in choices.columns]
    first: dict[tuple[str, ...], int] = {}
    found = {}
    for line, row in zip(sheet.lines, sheet.rows, strict=True):
        said = tuple([row[place] for place in places])
        if (earlier := first.setdefault(said, line)) != line:
            found[line] = earlier
    return found


def bad_rows(sheet: Sheet, reading: Reading) -> str:
    """The rows that will not do as a .csv to mend: their own columns, then line and reasons, which
    are not read again."""
    why: dict[int, list[str]] = {}
    for fault in reading.faults:
        said = f"{fault.column}: {fault.why}" if fault.column else fault.why
        why.setdefault(fault.line, []).append(said)
    kept = [place for place, name in enumerate(sheet.header)
            if name not in (LINE_COLUMN, WHY_COLUMN)]  # fmt: skip
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow([*(safe_cell(sheet.header[place]) for place in kept), LINE_COLUMN, WHY_COLUMN])
    for line, row in zip(sheet.lines, sheet.rows, strict=True):
        if line in why:
            own = [safe_cell(row[place]) for place in kept]
            writer.writerow([*own, line, safe_cell(" ".join(why[line]))])
    return out.getvalue()


def together(pieces: Sequence[SheetPiece]) -> dict[tuple[str, str], list[SheetPiece]]:
    """Pieces by order: those of one customer with one number, or, without one, of one day."""
    found: dict[tuple[str, str], list[SheetPiece]] = {}
    for piece in pieces:
        key = (piece.customer_key, piece.reference or piece.ordered.day.isoformat())
        found.setdefault(key, []).append(piece)
    return found
