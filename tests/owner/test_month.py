"""One month: its rows recounted from the log, as a file, and no month that is none."""

import csv
import io
import re
import sqlite3
from contextlib import closing
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from tests.owner.test_page import page_of
from tests.owner.test_what_if import owner_of
from tests.staff.browser import ClockedWorkshop
from tests.whole_site import words

OCTOBER = [datetime(2026, month, 1, tzinfo=ZoneInfo("Europe/London")) for month in (10, 11)]


def handed_over(workshop: ClockedWorkshop, first: datetime, end: datetime) -> set[str]:
    """The codes of the copies whose last handing over lies between, by the log alone."""
    with closing(sqlite3.connect(workshop.folder.database_file)) as db:
        return {
            f"{number}-{letter}{copy}"
            for number, letter, copy in db.execute(
                "SELECT o.number, c.letter, c.number FROM copies c JOIN orders o ON o.id = c.order_id"
                " JOIN transitions t ON t.copy_id = c.id AND t.to_step = 'handed_over'"
                " WHERE c.step IN ('handed_over', 'received') AND NOT EXISTS"
                " (SELECT 1 FROM transitions u WHERE u.copy_id = c.id AND u.about_id = t.id)"
                " GROUP BY c.id HAVING max(t.happened_at) BETWEEN ? AND ?",
                (first.timestamp(), end.timestamp() - 1),
            )
        }


def test_what_left_in_a_month_is_what_the_log_says_and_comes_as_a_file(
    workshop: ClockedWorkshop,
) -> None:
    page = page_of(workshop, "/lead-times/2026-10")
    body = page.split('id="t-left"')[1].split("</table>")[0]
    codes = set(re.findall(r'href="/orders/\d+">([^<]+)</a>', body))
    assert codes == handed_over(workshop, *OCTOBER)
    assert len(codes) > 10
    answer = owner_of(workshop).get("/lead-times/2026-10?csv=t-left")
    rows = list(csv.reader(io.StringIO(answer.text.lstrip("\ufeff"))))
    assert {row[0] for row in rows[1:]} == codes
    of_all = page_of(workshop)
    table = of_all.split('id="t-finishing"')[1].split("</table>")[0]
    counted = re.search(r'2026-10">[^<]*</a></th>\s*<td class="n">(\d+)', table)
    assert counted is not None
    assert int(counted[1]) == len(codes)


def test_the_month_that_is_not_over_says_so_and_leads_to_the_one_before(
    workshop: ClockedWorkshop,
) -> None:
    page = page_of(workshop, "/lead-times/2026-11")
    assert "November 2026 <small>so far</small>" in page
    assert 'href="/lead-times/2026-10"' in page
    assert 'href="/lead-times/2026-12"' not in page


def test_a_month_before_the_first_piece_is_said_in_words(workshop: ClockedWorkshop) -> None:
    answer = owner_of(workshop).get("/lead-times/2025-02")
    assert answer.status_code == 200
    assert "Nothing left in this month." in words(answer)
    assert owner_of(workshop).get("/lead-times/2025-02?csv=t-left").status_code == 404


@pytest.mark.parametrize(
    "month", ["2026-13", "0000-01", "2027-01", "1990-01", "october", "9" * 300]
)
def test_what_is_no_month_is_a_page_that_is_not_there(
    workshop: ClockedWorkshop, month: str
) -> None:
    assert owner_of(workshop).get(f"/lead-times/{month}").status_code == 404
