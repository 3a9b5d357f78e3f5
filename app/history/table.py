"""A sheet as a file holds it, .csv or .xlsx: a header and rows of cells, nothing understood yet.

A file is not trusted: how large it is, unpacked too, and how many rows it has are limited, and a
formula stays the text that it is. Pure: bytes in, cells out.
"""

import csv
import io
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import PurePath
from typing import Any, Final
from xml.etree.ElementTree import ParseError

MOST_BYTES: Final = 32 * 2**20
MOST_ROWS: Final = 60_000
MOST_COLUMNS: Final = 200
# A workbook is a ZIP: so much may come out of it, and of the one part that is read whole.
MOST_UNPACKED: Final = 300 * 2**20
MOST_STRINGS: Final = 64 * 2**20
MOST_PARTS: Final = 2_000
_STRINGS: Final = "xl/sharedstrings.xml"
_ENCODINGS: Final = ("utf-8-sig", "cp1252", "latin-1")
_DELIMITERS: Final = (",", ";", "\t", "|")
_ZIP: Final = b"PK\x03\x04"
_OLD_BOOK: Final = b"\xd0\xcf\x11\xe0"
_LOOKED_AT: Final = 20


class NotASheet(ValueError):
    """The file cannot be read as a sheet; the words say why and what to do."""


@dataclass(frozen=True)
class Sheet:
    """One sheet. `rows` are as long as `header`; `lines` are their lines in the file, from 1.

    Cells are text; `ragged` holds the lines whose cells were more than the header's.
    """

    name: str
    header: tuple[str, ...]
    rows: Sequence[Sequence[str]]
    lines: Sequence[int]
    ragged: frozenset[int] = frozenset()

    def column(self, name: str) -> list[str]:
        """The cells of a column, row by row."""
        place = self.header.index(name)
        return [row[place] for row in self.rows]


def sheet_names(data: bytes) -> list[str]:
    """The names of a workbook's sheets; of a text file one empty name. Raises NotASheet."""
    if not is_book(data):
        return [""]
    book = _book(data)
    try:
        return list(book.sheetnames)
    finally:
        book.close()


def is_book(data: bytes) -> bool:
    """Whether a file is a workbook rather than text."""
    return data[:4] == _ZIP


def read(data: bytes, sheet: str = "") -> Sheet:
    """A file's sheet of that name, or its first.

    Raises NotASheet for what is none, is too large, or has no header.
    """
    if len(data) > MOST_BYTES:
        raise NotASheet(
            f"This file has {len(data) / 2**20:,.0f} MB; {MOST_BYTES // 2**20} MB is the most. "
            "Save the sheet without pictures, or in parts by year."
        )
    if is_book(data):
        return _read_book(data, sheet)
    if data[:4] == _OLD_BOOK:
        raise NotASheet("This is a workbook of the old kind (.xls). Save it as .xlsx or .csv.")
    return _read_text(data)


def file_name(name: str) -> str:
    """The last part of a file's name as somebody's browser sent it."""
    return PurePath(name.replace("\\", "/")).name[:200]


def _read_text(data: bytes) -> Sheet:
    if b"\0" in data[:4096] and data[:2] not in (b"\xff\xfe", b"\xfe\xff"):
        raise NotASheet("This is neither a .csv file nor an .xlsx workbook.")
    text = _decoded(data)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text))
    try:
        return _sheet("", ((reader.line_num, cells) for cells in reader))
    except csv.Error as why:
        raise NotASheet(f"Line {reader.line_num} cannot be read: {why}.") from why


def _decoded(data: bytes) -> str:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", "replace")
    for encoding in _ENCODINGS[:-1]:
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    return data.decode(_ENCODINGS[-1])


def _delimiter(text: str) -> str:
    """The sign that parts the cells: the one that parts the first lines most evenly."""
    lines = [line for line in text[:65_536].splitlines()[:_LOOKED_AT] if line.strip()]

    def how_good(sign: str) -> tuple[int, int]:
        counts = [len(cells) for cells in csv.reader(lines, delimiter=sign)]
        usual = max(set(counts), key=counts.count) if counts else 1
        return (counts.count(usual) if usual > 1 else 0, usual)

    return max(_DELIMITERS, key=how_good)


def _sheet(name: str, found: Iterable[tuple[int, Sequence[str]]]) -> Sheet:
    """The header is the first row with anything in it; empty rows are passed over."""
    lines: list[int] = []
    rows: list[Sequence[str]] = []
    ragged: set[int] = set()
    header: tuple[str, ...] = ()
    for line, cells in found:
        if not any(cells):
            continue
        if not header:
            header = _header(cells)
            continue
        if len(rows) >= MOST_ROWS:
            raise NotASheet(
                f"This sheet has more than {MOST_ROWS:,} rows. Save it in parts, a year in each."
            )
        if len(cells) != len(header):
            if any(cell.strip() for cell in cells[len(header) :]):
                ragged.add(line)
            cells = [*cells[: len(header)], *[""] * (len(header) - len(cells))]
        lines.append(line)
        rows.append(cells)
    if not header:
        raise NotASheet("There is nothing in this sheet.")
    if not rows:
        raise NotASheet("There is a header in this sheet and no row below it.")
    return Sheet(name, header, rows, lines, frozenset(ragged))


def _header(cells: Sequence[str]) -> tuple[str, ...]:
    """Names of the columns: a second one of a name gets a number, an empty one its place."""
    last = max(place for place, cell in enumerate(cells) if cell.strip()) + 1
    if last > MOST_COLUMNS:
        raise NotASheet(f"This sheet has {last} columns; {MOST_COLUMNS} is the most.")
    names: list[str] = []
    for place, cell in enumerate(cells[:last], start=1):
        name = " ".join(cell.split())[:80] or f"Column {place}"
        number, plain = 2, name
        while name in names:
            name, number = f"{plain} ({number})", number + 1
        names.append(name)
    return tuple(names)


def _read_book(data: bytes, sheet: str) -> Sheet:
    book = _book(data)
    try:
        names = book.sheetnames
        if sheet and sheet not in names:
            raise NotASheet(f"There is no sheet “{sheet}” in this workbook.")
        name = sheet or names[0]
        page = book[name]
        if not hasattr(page, "iter_rows"):
            raise NotASheet(f"“{name}” is a chart, not a sheet.")
        # What a sheet says of its own size may be wrong.
        page.reset_dimensions()
        return _sheet(name, _book_rows(page))
    except (ParseError, zipfile.BadZipFile, KeyError, EOFError, OSError, AttributeError) as why:
        raise NotASheet("This workbook is damaged. Save it once more, or as .csv.") from why
    finally:
        book.close()


def _book_rows(page: Any) -> Iterator[tuple[int, Sequence[str]]]:
    for line, row in enumerate(page.iter_rows(values_only=True, max_col=MOST_COLUMNS + 1), start=1):
        if line > MOST_ROWS * 2:
            raise NotASheet(f"This sheet has more than {MOST_ROWS:,} rows. Save it in parts.")
        yield line, [_as_text(cell) for cell in row]


def _as_text(cell: Any) -> str:
    """A cell as text: a day in ISO, a whole number without a point, a formula as it was typed."""
    if cell is None:
        return ""
    if isinstance(cell, str):
        return cell
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, datetime):
        return cell.date().isoformat() if not (cell.hour or cell.minute) else cell.isoformat()
    if isinstance(cell, date):
        return cell.isoformat()
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell)


def _book(data: bytes) -> Any:
    """The workbook, opened to be read cell by cell, its formulas left as they are."""
    _check_parts(data)
    # Large, and needed by hardly anybody: loaded where a workbook is.
    from openpyxl import load_workbook
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        return load_workbook(io.BytesIO(data), read_only=True, data_only=False, keep_links=False)
    except (
        InvalidFileException, zipfile.BadZipFile, KeyError, ValueError, TypeError, ParseError,
        EOFError, OSError, AttributeError, IndexError,
    ) as why:  # fmt: skip
        raise NotASheet("This workbook is damaged. Save it once more, or as .csv.") from why


def _check_parts(data: bytes) -> None:
    """Refuse a workbook that would fill the memory, before anything of it is unpacked.

    Declared sizes bind: reading a part stops at the size that is declared for it.
    """
    try:
        parts = zipfile.ZipFile(io.BytesIO(data)).infolist()
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError) as why:
        raise NotASheet("This workbook is damaged. Save it once more, or as .csv.") from why
    if any(part.flag_bits & 1 for part in parts):
        raise NotASheet("This workbook is locked with a password. Save it without one.")
    strings = sum(part.file_size for part in parts if part.filename.lower() == _STRINGS)
    if (
        len(parts) > MOST_PARTS
        or sum(part.file_size for part in parts) > MOST_UNPACKED
        or strings > MOST_STRINGS
    ):
        raise NotASheet(
            "This workbook is small and unpacks to far more than a sheet of orders has. "
            "It was not opened. Save the sheet as .csv instead."
        )
