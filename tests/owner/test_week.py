"""The week ahead: what falls on which day, and what should move on."""

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from app.flow.actions import Wish, record
from app.flow.rules import Kind
from app.flow.steps import STEPS, Step
from app.main import staff_site
from app.orders.order import parts
from app.owner.week import rules
from app.owner.week.page import page
from app.owner.week.rules import Event
from app.shared.calendar import Calendar
from tests.making import CAST, DAY, NOW, Wanted, make_order
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import words

LONDON = ZoneInfo("Europe/London")
WEDNESDAY = date(2026, 3, 4)


def test_seven_days_from_today_and_what_was_before() -> None:
    events = [Event(WEDNESDAY + timedelta(days=n), f"{n}") for n in (6, -1, 0, 7)]
    before, days = rules.week_days(events, Calendar(LONDON), WEDNESDAY)
    assert [event.what for event in before] == ["-1"]
    assert [[event.what for event in day.events] for day in days] == [["0"], *[[]] * 5, ["6"]]
    assert [day.works for day in days] == [True, True, True, False, False, True, True]


@pytest.fixture
def house(empty: ClockedWorkshop) -> ClockedWorkshop:
    """Wednesday 4 March 2026, ten o'clock: one piece long at painting, one just come to it, one on
    hold until Friday, a part due on Thursday, an order needed by Tuesday."""
    empty.moment = NOW
    old = [Wanted("Juniper", step=Step.READY, copy_step=Step.PAINTING)]
    late = make_order(
        empty.database, CAST.desk, NOW - 60 * DAY, old, needed_by=date(2026, 3, 10)
    )  # fmt: skip
    new = [Wanted("Otis", step=Step.READY, copy_step=Step.PAINTING, copies=2)]
    fresh = make_order(empty.database, CAST.desk, NOW - 12 * DAY, new)
    hold = Wish(
        fresh.copy("A2"), Kind.HOLD, "hold", reason="varnish", whose="studio",
        look_on=date(2026, 3, 6),
    )  # fmt: skip
    record(empty.database, [hold], CAST.desk, NOW - 60, None)
    plate = parts.PartFields(kind="plate", about=str(late.copy("A1")), due_on=date(2026, 3, 5))
    parts.add(empty, late.id, plate, CAST.desk, "")
    return empty


def test_everything_falls_on_its_day(house: ClockedWorkshop) -> None:
    found = page(house)
    on = {day.day: [event.what for event in day.events] for day in found["days"]}
    assert any("plate due" in what for what in on[date(2026, 3, 5)])
    assert any("look at 1002-A2 Otis again, on hold: varnish" in w for w in on[date(2026, 3, 6)])
    # Needed on Tuesday, and no carrier's days are known: it takes a night, so it leaves on Monday.
    assert any("last day to send" in w and "Juniper" in w for w in on[date(2026, 3, 9)])


def test_what_should_move_has_been_there_as_long_as_usual(house: ClockedWorkshop) -> None:
    (painting,) = [one for one in page(house)["moves"] if one.name == STEPS[Step.PAINTING].name]
    usual = STEPS[Step.PAINTING].usual
    assert painting.usual == usual
    assert painting.onward == STEPS[Step.INSPECTION].name
    day = datetime.fromtimestamp(NOW - 12 * DAY, LONDON).date() + timedelta(days=usual)
    listed = {due.piece.code: due.day for due in painting.by_now} | {
        due.piece.code: on for on, dues in painting.later for due in dues
    }
    assert listed.get("1002-A1") in (None, day), "thirteen days after it came there"
    assert "1002-A2" not in listed, "what is on hold is not listed"


def test_the_page_is_everybodys_and_says_it_in_words(house: ClockedWorkshop) -> None:
    text = words(Browser(staff_site(house)).as_(house, CAST.painter).get("/week"))
    assert "Wednesday 4 March to Tuesday 10 March" in text
    assert "nobody works" in text
    assert "What should move on" in text
