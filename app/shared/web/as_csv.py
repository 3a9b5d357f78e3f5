"""A table of a page as CSV: read from the page itself, so that both say the same."""

import csv
import io
import re
from html.parser import HTMLParser

from starlette.responses import HTMLResponse, Response

from app.shared.errors import NotFound
from app.shared.text import safe_cell

# A spreadsheet works nothing out in a number with a sign.
_NUMBER = re.compile(r"[+\-][\d.,]+\s*%?")


class _Tables(HTMLParser):
    """Collects the cells of the table with an id."""

    def __init__(self, wanted: str) -> None:
        super().__init__()
        self.wanted, self.inside = wanted, False
        self.rows: list[list[str]] = []
        self.cell: list[str] | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "table":
            self.inside = dict(attrs).get("id") == self.wanted
        elif self.inside and tag == "tr":
            self.rows.append([])
        elif self.inside and tag in ("td", "th"):
            self.cell = []

    def handle_endtag(self, tag: str) -> None:
        if tag == "table":
            self.inside = False
        elif self.inside and tag in ("td", "th") and self.cell is not None:
            self.rows[-1].append(" ".join("".join(self.cell).split()))
            self.cell = None

    def handle_data(self, data: str) -> None:
        if self.cell is not None:
            self.cell.append(data)


def table_as_csv(page: str, wanted: str) -> str | None:
    """The cells of a page's table as they stand there, as CSV; None where there is no such table.

    A cell that a spreadsheet would work out as a formula begins with an apostrophe.
    """
    found = _Tables(wanted)
    found.feed(page)
    if not found.rows:
        return None
    out = io.StringIO()
    writer = csv.writer(out)
    for row in found.rows:
        cells = [cell if _NUMBER.fullmatch(cell) else safe_cell(cell) for cell in row]
        writer.writerow(cells)
    return out.getvalue()


def or_csv(page: HTMLResponse, wanted: str) -> Response:
    """The page, or of its tables the wanted one as a file. Raises NotFound for one not there."""
    if not wanted:
        return page
    found = table_as_csv(bytes(page.body).decode(), wanted)
    if found is None:
        raise NotFound("There is no such table on this page now: too little to count, perhaps.")
    return csv_file(found, re.sub(r"\W+", "", wanted.removeprefix("t-")))


def csv_file(text: str, name: str) -> Response:
    """A .csv to keep, with the mark by which a spreadsheet knows its encoding."""
    headers = {"content-disposition": f'attachment; filename="{name}.csv"'}
    return Response(text.encode("utf-8-sig"), media_type="text/csv; charset=utf-8", headers=headers)
