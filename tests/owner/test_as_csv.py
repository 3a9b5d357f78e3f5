"""Tables of pages as CSV: the same figures, and no formula for a spreadsheet."""

import csv
import io
import re

import pytest

from app.shared.web.as_csv import table_as_csv
from tests.owner.test_page import page_of
from tests.owner.test_what_if import owner_of
from tests.staff.browser import ClockedWorkshop

PAGE = """<table id="t-a"><tr><th>Step</th><th>n</th></tr>
<tr><th><a href="/x">Pain&amp;t</a></th><td> 1 <small>so far</small></td></tr>
<tr><td>=1+1</td><td>-2.5</td></tr><tr><td>+4 %</td><td>@cmd</td></tr></table>
<table id="t-b"><tr><td>other</td></tr></table>"""


def test_cells_as_they_stand_and_formulas_made_harmless() -> None:
    found = table_as_csv(PAGE, "t-a")
    assert found is not None
    assert list(csv.reader(io.StringIO(found))) == [
        ["Step", "n"], ["Pain&t", "1 so far"], ["'=1+1", "-2.5"], ["+4 %", "'@cmd"],
    ]  # fmt: skip
    assert table_as_csv(PAGE, "t-c") is None


@pytest.mark.parametrize("address", ["/lead-times", "/rework", "/owner"])
def test_every_table_that_a_page_offers_is_there_with_all_its_rows(
    workshop: ClockedWorkshop, address: str
) -> None:
    page = page_of(workshop, f"{address}?rows=all")
    offered = re.findall(r'href="([^"]*csv=(t-[a-z]+))"', page)
    assert offered
    owner = owner_of(workshop)
    for link, table in offered:
        answer = owner.get(link.replace("&amp;", "&"))
        assert answer.status_code == 200, link
        assert answer.headers["content-type"].startswith("text/csv")
        body = page.split(f'id="{table}"')[1].split("</table>")[0]
        assert len(list(csv.reader(io.StringIO(answer.text)))) == body.count("<tr")
    assert owner.get(f"{address}?csv=t-nothing").status_code == 404
