"""Sheets as files hold them, and files that mean ill: refused in words, at once, in little memory."""

import io
import time
import tracemalloc
import zipfile
from datetime import date, datetime

import pytest
from openpyxl import Workbook

from app.history import table
from app.history.columns import guess
from app.history.rules import read as read_rows

HEADER = ("Customer", "Animal", "Ordered", "Sent")
ROW = ("Ada Säuberlich", "Otto", "2024-02-01", "2024-03-12")


def book(rows, title="Orders", **more):
    workbook = Workbook()
    page = workbook.active
    page.title = title
    for row in rows:
        page.append(row)
    for name, others in more.items():
        other = workbook.create_sheet(name)
        for row in others:
            other.append(row)
    out = io.BytesIO()
    workbook.save(out)
    return out.getvalue()


def text_of(delimiter=",", encoding="utf-8", ends="\n"):
    return ends.join(delimiter.join(row) for row in (HEADER, ROW)).encode(encoding)


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_a_text_is_read_whatever_parts_its_cells_and_however_it_is_encoded(
    delimiter, encoding, ends
):
    found = table.read(text_of(delimiter, encoding, ends))
    assert found.header == HEADER
    assert [tuple(row) for row in found.rows] == [ROW]
    assert list(found.lines) == [2]


def test_cells_with_line_breaks_keep_the_lines_of_the_file():
    found = table.read(b'Customer,Animal,Note\nAda,Otto,"one\ntwo"\nBertil,Puck,\n')
    assert found.rows[0][2] == "one\ntwo"
    assert list(found.lines) == [3, 4], "the line on which a row ends"


def test_a_workbook_is_read_with_its_days_and_its_sheets():
    data = book(
        [HEADER, ("Ada", "Otto", datetime(2024, 2, 1), date(2024, 3, 12)), (None,) * 4, ROW],
        Prices=[("What", "How much"), ("Copy", 120)],
    )
    assert table.sheet_names(data) == ["Orders", "Prices"]
    found = table.read(data)
    assert found.rows[0] == ["Ada", "Otto", "2024-02-01", "2024-03-12"]
    assert list(found.lines) == [2, 4]
    assert table.read(data, "Prices").rows == [["Copy", "120"]]
    with pytest.raises(table.NotASheet, match="no sheet “Hours”"):
        table.read(data, "Hours")


def test_formulas_are_not_worked_out_and_named_as_bad_rows():
    found = table.read(
        book([(*HEADER, "Note"), (*ROW, "=1+1"), (*ROW, '=HYPERLINK("http://x.example")')])
    )
    reading = read_rows(found, guess(found, ""), date(2026, 3, 4))
    assert [(f.line, f.column) for f in reading.faults] == [(2, "Note"), (3, "Note")]
    assert all("formula" in fault.why for fault in reading.faults)


def bomb(megabytes, name="xl/worksheets/sheet1.xml"):
    """A workbook of some kilobytes that unpacks to so many megabytes."""
    made = io.BytesIO(book([HEADER, ROW]))
    out = io.BytesIO()
    with zipfile.ZipFile(made) as whole, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for part in whole.infolist():
            if part.filename != name:
                packed.writestr(part, whole.read(part))
        part = zipfile.ZipInfo(name)
        part.compress_type = zipfile.ZIP_DEFLATED
        with packed.open(part, "w") as grown:
            for _ in range(megabytes):
                grown.write(b" " * 2**20)
    return out.getvalue()


@pytest.mark.parametrize(
    ("megabytes", "name"), [(400, "xl/worksheets/sheet1.xml"), (80, "xl/sharedStrings.xml")]
)
def test_a_zip_bomb_is_refused_in_words_before_it_is_unpacked(megabytes, name):
    data = bomb(megabytes, name)
    assert len(data) < 2**20
    tracemalloc.start()
    begun = time.monotonic()
    with pytest.raises(table.NotASheet, match="unpacks to far more"):
        table.read(data)
    took, (_, most) = time.monotonic() - begun, tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert took < 1
    assert most < 5 * 2**20


def test_a_part_that_lies_about_its_size_is_not_read_beyond_it():
    data = bytearray(bomb(40))
    honest = (40 * 2**20).to_bytes(4, "little")
    assert honest in data
    lie = bytes(data).replace(honest, (100).to_bytes(4, "little"))
    with pytest.raises(table.NotASheet):
        table.read(lie)


def test_a_bomb_of_entities_is_refused():
    """A billion laughs: ten names, each ten times the one before."""
    lines = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 10))
    laughs = (
        f'<?xml version="1.0"?><!DOCTYPE s [<!ENTITY l0 "ha">{lines}]><worksheet>&l9;</worksheet>'
    )
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(book([HEADER, ROW]))) as whole,
        zipfile.ZipFile(out, "w") as packed,
    ):
        for part in whole.infolist():
            data = whole.read(part) if "sheet1" not in part.filename else laughs.encode()
            packed.writestr(part.filename, data)
    with pytest.raises(table.NotASheet):
        table.read(out.getvalue())


def test_a_million_rows_are_refused_in_words():
    data = b"Customer,Animal,Ordered,Sent\n" + b"A,B,2024-1-1,2024-2-2\n" * 1_000_000
    with pytest.raises(table.NotASheet, match="more than 60,000 rows"):
        table.read(data)
    with pytest.raises(table.NotASheet, match="32 MB is the most"):
        table.read(data * 2)


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "nothing in this sheet"), (b"\n\n,,\n", "nothing in this sheet"),
        (b"Customer,Animal\n", "no row below"), (b"PK\x03\x04nonsense", "damaged"),
        (b"\xd0\xcf\x11\xe0 old", "old kind"), (b"GIF89a\0\0\0\0", "neither"),
        (b"a" * 500 + b",b\n" + b'"' + b"x" * 200_000, "cannot be read"),
        (",".join(f"c{n}" for n in range(300)).encode() + b"\n1\n", "200 is the most"),
    ],
)  # fmt: skip
def test_what_is_no_sheet_is_refused_with_the_reason(data, why):
    with pytest.raises(table.NotASheet, match=why):
        table.read(data)


def test_a_row_with_more_cells_than_columns_is_a_bad_row():
    found = table.read(b"Customer,Animal,Ordered,Sent\nAda, Otto,Otto,2024-02-01,2024-03-12\n")
    reading = read_rows(found, guess(found, ""), date(2026, 3, 4))
    assert {fault.line for fault in reading.faults} == {2}
    assert "more cells than the header" in reading.faults[0].why
