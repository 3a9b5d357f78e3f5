"""The command `import`: a sheet of earlier orders brought in, or with --dry-run only looked at.

Exit 0 done (or it would do), 65 the file or rows of it will not do, 64 wrong usage.
"""

import json
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from app.history import actions, rules, store, table
from app.history.columns import FIELDS, Choices, guess, orders_of, problems
from app.leadtimes.progress import teller
from app.shared.errors import Refused
from app.shared.people import AUTOMATIC
from app.studio.workshop import Workshop

DONE, WRONG_USAGE, BAD_DATA = 0, 64, 65
_NAMED: Final = 40


@dataclass(frozen=True, slots=True)
class ImportAsked:
    """What the command was asked for."""

    file: Path
    dry_run: bool
    map_file: Path | None
    sheet: str
    without_bad: bool
    with_doubles: bool
    with_pages: bool


def main(workshop: Workshop, asked: ImportAsked) -> int:
    """Look at a sheet, and bring it in unless that was all; gives the exit code."""
    try:
        if asked.file.stat().st_size > table.MOST_BYTES:
            _warn(f"{asked.file} is larger than {table.MOST_BYTES // 2**20} MB. Save it in parts.")
            return BAD_DATA
        sheet = table.read(asked.file.read_bytes(), asked.sheet)
        choices = _choices(workshop, sheet, asked)
    except OSError as why:
        _warn(f"{asked.file} cannot be read: {why.strerror}.")
        return WRONG_USAGE
    except table.NotASheet as why:
        _warn(f"{asked.file}: {why}")
        return BAD_DATA
    except ValueError as why:
        _warn(f"{asked.map_file}: {why}")
        return WRONG_USAGE
    if missing := problems(choices, sheet):
        _lines(_as_read(sheet, choices))
        _lines(missing, error=True)
        _warn("Write it into a map file: --dry-run --map FILE makes one to start from.")
        return BAD_DATA
    return _bring(workshop, sheet, choices, asked)


def _choices(workshop: Workshop, sheet: table.Sheet, asked: ImportAsked) -> Choices:
    """From the map file, or guessed; a guess is written where there is no map yet."""
    country = workshop.in_force().settings.country
    if asked.map_file is not None and asked.map_file.exists():
        kept = json.loads(asked.map_file.read_text(encoding="utf-8"))
        if not isinstance(kept, dict):
            raise ValueError("It is not a map of columns.")
        said = Choices.read(kept)
        orders = orders_of(sheet, said.columns, country) | dict(said.orders)
        return replace(said, sheet=sheet.name, orders=orders)
    with workshop.database.reading() as db:
        guessed = guess(sheet, country, store.choices_before(db))
    if asked.map_file is not None:
        if not asked.dry_run:
            raise ValueError("There is no such map file. --dry-run makes one.")
        said_so = json.dumps(guessed.as_json(), ensure_ascii=False, indent=1)
        asked.map_file.write_text(said_so + "\n", encoding="utf-8")
    return guessed


def _bring(workshop: Workshop, sheet: table.Sheet, choices: Choices, asked: ImportAsked) -> int:
    reading = actions.read_sheet(workshop, sheet, choices)
    planned = actions.plan(workshop, reading, with_doubles=asked.with_doubles)
    _lines(_as_read(sheet, choices))
    _lines(_found(sheet, reading, planned, with_doubles=asked.with_doubles))
    if reading.faults:
        _warn(f"The bad rows are in {_write_bad(sheet, reading, asked.file)}. Mend them there.")
    if asked.dry_run:
        print("Nothing was brought in: this was a dry run.")
        return BAD_DATA if reading.faults else DONE
    if reading.faults and not asked.without_bad:
        _warn("Nothing was brought in. --leave-out-bad brings in the others.")
        return BAD_DATA
    try:
        done = actions.bring_in(
            workshop, reading, choices, table.file_name(asked.file.name), AUTOMATIC,
            without_bad=True, with_doubles=asked.with_doubles, with_pages=asked.with_pages,
            say=teller("open orders", time.monotonic, sys.stderr),
        )  # fmt: skip
    except Refused as why:
        _warn(str(why))
        return BAD_DATA
    print(f"Brought in: {_brought(done)}. No email was written.")
    print(
        f"To take it back, until something is built on it: likewright import --take-back {done.id}"
    )
    return DONE


def take_back(workshop: Workshop, import_id: int) -> int:
    """Take an import back; gives the exit code. Raises Refused."""
    actions.take_back(workshop, import_id, AUTOMATIC)
    print(f"Import {import_id} was taken back: all that came with it is gone.")
    return DONE


def _brought(done: actions.BroughtIn) -> str:
    said = [_many(done.pieces, "finished piece"), _many(done.orders, "open order")]
    out = [f"{_many(done.left_out, 'row')} left out"] if done.left_out else []
    return ", ".join([*said, *out])


def _as_read(sheet: table.Sheet, choices: Choices) -> Iterable[str]:
    where = f" of the sheet “{sheet.name}”" if sheet.name else ""
    yield f"{_many(len(sheet.rows), 'row')}{where}, one for each {choices.row_is}. Columns:"
    for name in sheet.header:
        key = choices.columns.get(name)
        order = choices.orders.get(name)
        how = f" ({order.replace('_', ' ')})" if order else ""
        yield f"  {name} → {FIELDS[key] + how if key else 'not read'}"


def _found(
    sheet: table.Sheet, reading: rules.Reading, planned: actions.Plan, *, with_doubles: bool
) -> Iterable[str]:
    yield (
        f"{_many(planned.pieces, 'finished piece')} and {_many(len(planned.open), 'open order')}, "
        f"of {_many(planned.new_customers, 'new customer')} and {planned.known_customers:,} known."
    )
    if planned.doubles:
        what = "brought in all the same" if with_doubles else "left out"
        yield f"Probably doubles, {what}: {_many(len(planned.doubles), 'row')}:"
        yield from _some(f"  line {d.line}: {d.who}: {d.where}" for d in planned.doubles)
    if reading.faults:
        yield f"{len(reading.bad_lines):,} of {len(sheet.rows):,} rows will not do:"
        yield from _some(
            f"  line {f.line}{f', {f.column}' if f.column else ''}: {f.why}" for f in reading.faults
        )


def _many(number: int, one: str) -> str:
    return f"{number:,} {one}{'' if number == 1 else 's'}"


def _some(lines: Iterable[str]) -> Iterable[str]:
    every = list(lines)
    yield from every[:_NAMED]
    if len(every) > _NAMED:
        yield f"  and {len(every) - _NAMED} more"


def _write_bad(sheet: table.Sheet, reading: rules.Reading, file: Path) -> Path:
    """The bad rows in a new file beside the sheet; nothing is overwritten."""
    number, path = 2, file.with_name(f"{file.stem}-to-mend.csv")
    while path.exists():
        path, number = file.with_name(f"{file.stem}-to-mend-{number}.csv"), number + 1
    path.write_text(rules.bad_rows(sheet, reading), encoding="utf-8-sig", newline="")
    return path


def _lines(lines: Iterable[str], *, error: bool = False) -> None:
    for line in lines:
        print(line, file=sys.stderr if error else sys.stdout, flush=True)


def _warn(text: str) -> None:
    _lines([text], error=True)
