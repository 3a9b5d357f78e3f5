"""Everything handed out: files of .csv, what their columns are, and customers' photos as they came.

`pieces.csv` is a sheet that `import` reads: what is in it comes back with the same lead times.
"""

import csv
import io
import os
import re
import shutil
import zipfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, Final, Protocol

import numpy as np
from sqlalchemy import Connection, text

from app.history.columns import FIELDS, STEP_FIELDS
from app.history.handed_out import TABLES, OutTable
from app.leadtimes.log import CANCELLED, FINISHED, cases
from app.orders.forecast import record
from app.shared.calendar import Calendar
from app.shared.text import safe_cell
from app.studio.workshop import Workshop

PIECES: Final = "pieces.csv"
COLUMNS: Final = "columns.csv"
_PHOTOS: Final = "photos"
PIECE_FIELDS: Final = (
    "code", "reference", "customer", "mail", "phone", "animal", "kind", "breed", "colours", "life",
    "marks", "size", "pose", "base", "finish", "inscription", "note", "ordered",
    *map(str, STEP_FIELDS), "sent", "cancelled", "step", "since", "needed_by",
)  # fmt: skip
_WHO = (
    "(SELECT mail FROM customer_mails WHERE customer_id = k.id ORDER BY receives DESC, id LIMIT 1)"
    " AS mail, k.id AS customer_id, k.name AS customer, k.phone, a.name AS animal, a.kind, a.breed,"
    " a.colours, a.life, (SELECT group_concat(what, '; ') FROM marks WHERE animal_id = a.id"
    " AND gone_at IS NULL) AS marks"
)
_COPIES = text(
    "SELECT c.id, o.number || '-' || c.letter || c.number AS code,"  # noqa: S608
    " o.number AS reference, c.size_mm AS size, c.pose, c.base, c.finish, c.inscription,"
    " '' AS note, o.needed_by,"
    f" o.taken_at, o.imported, {_WHO} FROM copies c JOIN orders o ON o.id = c.order_id"
    " JOIN customers k ON k.id = o.customer_id JOIN models m ON m.id = c.model_id"
    " JOIN animals a ON a.id = m.animal_id"
)
_PAST = text(
    "SELECT p.id, 'before-' || p.id AS code, p.reference, p.size_mm AS size,"  # noqa: S608
    " '' AS pose, '' AS base, '' AS finish, '' AS inscription, p.note, NULL AS needed_by,"
    f" p.by_day, p.cancelled AS gone, p.order_key, {_WHO} FROM past_pieces p"
    " JOIN customers k ON k.id = p.customer_id JOIN animals a ON a.id = p.animal_id"
)
_PICTURES = text(
    "SELECT o.number, p.id, p.name, p.path FROM pictures p JOIN orders o ON o.id = p.order_id"
    " WHERE :customer IS NULL OR o.customer_id = :customer ORDER BY p.id"
)
_ODD = re.compile(r"[^\w .()+-]+")


class Place(Protocol):
    """Where files are written to: a folder, or a ZIP."""

    def write(self, name: str, text_: str) -> None:
        """A text file."""

    def copy(self, name: str, file: Path) -> None:
        """A file as it is."""


class IntoFolder:
    """A folder that is made, or is there and empty."""

    def __init__(self, path: Path) -> None:
        self.path = path
        path.mkdir(mode=0o700, parents=True, exist_ok=True)

    def write(self, name: str, text_: str) -> None:
        """A text file, with the mark by which spreadsheets know its encoding."""
        (self.path / name).write_text(text_, encoding="utf-8-sig", newline="")

    def copy(self, name: str, file: Path) -> None:
        """A file as it is."""
        target = self.path / name
        target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        shutil.copyfile(file, target)


class IntoZip:
    """A ZIP. Photos are packed already, so they are stored as they are."""

    def __init__(self, path: Path) -> None:
        handle = os.open(path, os.O_CREAT | os.O_TRUNC | os.O_RDWR, 0o600)
        self._file = os.fdopen(handle, "wb")
        self._zip = zipfile.ZipFile(self._file, "w", zipfile.ZIP_DEFLATED)

    def write(self, name: str, text_: str) -> None:
        """A text file."""
        self._zip.writestr(name, text_.encode("utf-8-sig"))

    def copy(self, name: str, file: Path) -> None:
        """A file as it is."""
        self._zip.write(file, name, zipfile.ZIP_STORED)

    def close(self) -> None:
        """The end of it."""
        self._zip.close()
        self._file.close()


def hand_out(
    workshop: Workshop, place: Place, *, customer: int | None = None, with_photos: bool = True
) -> Iterator[str]:
    """Write everything, or one customer's, and say the name of each file as it is written.

    Photos that are not there any more are left out; photos.csv names them all the same.
    """
    calendar = workshop.in_force().calendar
    with workshop.database.reading() as db:
        for table in TABLES:
            query = text(table.query(one=customer is not None))
            rows: Iterable[Any] = db.execute(query, {"customer": customer} if customer else {})
            if table.name == _PHOTOS:
                rows = _with_places(table, rows)
            place.write(f"{table.name}.csv", _csv([c.name for c in table.columns], rows))
            yield f"{table.name}.csv"
        pieces = _pieces(db, calendar, customer)
        place.write(PIECES, _csv([FIELDS[key] for key in PIECE_FIELDS], pieces))
        yield PIECES
        place.write(COLUMNS, _csv(["file", "column", "what it says"], _described()))
        yield COLUMNS
        pictures = db.execute(_PICTURES, {"customer": customer}).all() if with_photos else []
    for picture in pictures:
        file = workshop.folder.pictures / picture.path
        if file.is_file():
            name = _place_of(picture.number, picture.id, picture.name)
            place.copy(name, file)
            yield name


def _place_of(order: int, photo: int, name: str) -> str:
    """Where a photo lies: under its own name, made fit for any disk."""
    return f"photos/{order}/{photo}-{_ODD.sub('_', name).strip('. ')[-120:] or 'photo'}"


def _with_places(table: OutTable, rows: Iterable[Any]) -> Iterator[list[Any]]:
    """The rows of photos with the place of each file."""
    place = [column.name for column in table.columns].index("file")
    for row in rows:
        own = _place_of(row.order_number, row.photo, row.name)
        yield [own if n == place else value for n, value in enumerate(row)]


def _csv(names: Sequence[str], rows: Iterable[Iterable[Any]]) -> str:
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(names)
    for row in rows:
        writer.writerow(
            [safe_cell(v) if isinstance(v, str) else "" if v is None else v for v in row]
        )
    return out.getvalue()


def _described() -> Iterator[tuple[str, str, str]]:
    for table in TABLES:
        yield f"{table.name}.csv", "", table.says
        for column in table.columns:
            yield f"{table.name}.csv", column.name, column.says
    yield PIECES, "", "A row a copy, with its days: a sheet that the import of this program reads."
    for key in PIECE_FIELDS:
        yield PIECES, FIELDS[key], _SAYS.get(key, f"{FIELDS[key]}.")
    yield "photos", "", "Customers’ photos as they came, by order; photos.csv says which is which."


_SAYS: Final = {
    "code": "The piece’s code; before-… for one that was itself brought in.",
    "step": "The step at which an open piece stands.",
    "since": "Since when it stands there.",
    "sent": "When it was handed over.",
    "ordered": "When it was ordered: a moment in UTC, or a day where no more is known.",
    **dict.fromkeys(map(str, STEP_FIELDS), "When it first came there; empty where not known."),
}


def _pieces(db: Connection, calendar: Calendar, customer: int | None) -> Iterator[list[Any]]:
    """Every piece with its days: by what its log gives, or by what its sheet said. One that was
    made again is as its newest copy is."""
    known = record.read(db)
    log, whole = known.log, cases(known.log)
    copies = {row.id: row for row in db.execute(_COPIES)}
    past = {-row.id: row for row in db.execute(_PAST)}
    edges = np.append(np.searchsorted(log.piece, whole.piece), len(log))
    for place, piece in enumerate(whole.piece.tolist()):
        row = past[piece] if piece < 0 else copies[known.newest[piece]]
        if customer is not None and row.customer_id != customer:
            continue
        stays = slice(edges[place], edges[place + 1])
        came = _came(log.steps, log.step[stays].tolist(), log.entered[stays].tolist())
        started, ended = float(whole.started[place]), float(whole.ended[place])
        if piece < 0:
            say = partial(_day, calendar) if row.by_day else _moment
            days = _days(started, ended, came, say, gone=bool(row.gone))
            reference = row.reference or f"before-{row.order_key}"
        else:
            if row.imported:
                started = min(started, row.taken_at)
            gone = whole.outcome[place] == CANCELLED
            ends = ended if whole.outcome[place] >= FINISHED else None
            days = _days(started, ends, came, _moment, gone=bool(gone))
            if ends is None:
                last = edges[place + 1] - 1
                days["step"] = log.steps[log.step[last]]
                days["since"] = _moment(log.entered[last])
            reference = row.reference
        said = {**dict(row._mapping), **days, "reference": reference}
        yield [said.get(key) for key in PIECE_FIELDS]


def _came(steps: Sequence[str], codes: list[int], entered: list[float]) -> dict[str, float]:
    """When a piece first came to each step, as far as these moments are in the way's own order."""
    first: dict[int, float] = {}
    for code, at in zip(codes, entered, strict=True):
        first.setdefault(code, at)
    found: dict[str, float] = {}
    latest = -np.inf
    for code in sorted(first):
        if first[code] >= latest:
            found[steps[code]] = latest = first[code]
    return found


def _days(
    started: float, ended: float | None, came: dict[str, float], say: Callable[[float], str], *,
    gone: bool,
) -> dict[str, str]:  # fmt: skip
    days = {str(step): say(came[step]) for step in STEP_FIELDS if step in came}
    days["ordered"] = say(started)
    if ended is not None:
        days["cancelled" if gone else "sent"] = say(ended)
    return days


def _moment(at: float) -> str:
    return datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _day(calendar: Calendar, at: float) -> str:
    return calendar.day_of(int(at)).isoformat()
