"""A clock that is behind what was noted already is said at the start and on every page."""

import pytest

from app import opening
from app.main import staff_site
from app.upkeep.clock_check import behind, warning
from tests.making import CAST, DAY, NOW, Wanted, make_order
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import words


def test_a_clock_behind_the_last_entry_is_said(
    workshop: ClockedWorkshop, capsys: pytest.CaptureFixture[str]
) -> None:
    assert behind(workshop) is None, "nothing was noted yet"
    make_order(workshop.database, CAST.desk, NOW, [Wanted("Juniper")])
    assert behind(workshop) is None
    workshop.moment = NOW - 60
    assert behind(workshop) is None, "a clock that the network puts right steps back a little"
    workshop.moment = NOW - 365 * DAY
    said = str(behind(workshop))
    assert (
        "clock says 4 March 2025, 10:00, but the last entry was made on 4 March 2026, 10:00" in said
    )
    opening.say_where(workshop, "http://127.0.0.1:8600")
    assert f"({said})" in capsys.readouterr().err
    assert warning(workshop) == said
    page = Browser(staff_site(workshop)).as_(workshop, CAST.painter).get("/")
    assert said in words(page)
