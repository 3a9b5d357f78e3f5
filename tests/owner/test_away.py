"""Absences: noted, refused, taken back; and what they mean for the work of some days."""

from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest

from app.main import staff_site
from app.owner import whatif_command
from app.owner.away.rules import LEAST_LEFT, Away, parts_there, places_out
from app.shared.calendar import Calendar
from tests.making import CAST, DAY, NOW, rows
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import words

LONDON = ZoneInfo("Europe/London")
MONDAY = int(datetime(2026, 3, 2, 8, tzinfo=LONDON).timestamp())


def away(first: str, last: str, account: int | None = 3, machine: int | None = None) -> Away:
    return Away(1, account, machine, "Wren", date.fromisoformat(first), date.fromisoformat(last))


def test_a_week_away_of_four_leaves_three_quarters() -> None:
    """By hand: 5 of the 20 working days of four weeks; a weekend takes nothing, and two absences
    that share days count them once."""
    calendar = Calendar(LONDON)
    assert parts_there([away("2026-03-09", "2026-03-13")], calendar, MONDAY, 28) == {3: 0.75}
    twice = [away("2026-03-09", "2026-03-11"), away("2026-03-10", "2026-03-15")]
    assert parts_there(twice, calendar, MONDAY, 28) == {3: 0.75}
    assert parts_there([away("2026-03-07", "2026-03-08")], calendar, MONDAY, 28) == {}
    assert parts_there([away("2026-05-07", "2026-05-08")], calendar, MONDAY, 28) == {}
    assert parts_there([away("2026-03-01", "2026-06-01")], calendar, MONDAY, 28) == {3: LEAST_LEFT}


def test_a_machine_is_out_where_it_is_out_for_more_than_half_of_the_time() -> None:
    machines = [(7, 2, None), (8, 6, "blanks")]
    long, short = (
        away("2026-03-01", "2026-03-20", None, 7),
        away("2026-03-01", "2026-03-10", None, 8),
    )
    assert places_out([long, short], machines, date(2026, 3, 1), 28) == {None: 2}


@pytest.fixture
def owner(empty: ClockedWorkshop) -> Browser:
    empty.moment = NOW
    return Browser(staff_site(empty)).as_(empty, CAST.owner)


def note(browser: Browser, whose: str, first: str, last: str = ""):
    return browser.post("/absences", {"whose": whose, "first_day": first, "last_day": last})


def test_an_absence_is_noted_shown_in_the_week_and_taken_back(
    owner: Browser, empty: ClockedWorkshop
) -> None:
    # NOW is Wednesday 4 March 2026.
    who = f"person:{CAST.painter.account_id}"
    assert note(owner, who, "2026-03-06", "2026-03-12").status_code == 303
    name = CAST.painter.name
    assert f"{name} away Fri 6 Mar to Thu 12 Mar" in words(owner.get("/absences"))
    assert f"{name} is away until Thu 12 Mar" in words(owner.get("/week"))
    assert owner.post("/absences/1/take-back").status_code == 303
    assert "Nobody is away" in words(owner.get("/absences"))
    assert name not in words(owner.get("/week"))
    assert owner.post("/absences/1/take-back").status_code == 404
    assert rows(empty.database, "SELECT account_id FROM absences") == [(CAST.painter.account_id,)]


@pytest.mark.parametrize(
    ("whose", "first", "last", "said"),
    [
        ("", "2026-03-06", "", "Choose a person or a machine"),
        ("person:999", "2026-03-06", "", "Choose a person or a machine"),
        ("machine:1", "2026-03-06", "", "Choose a person or a machine"),
        ("person:1", "", "", "Which day?"),
        ("person:1", "6.3.2026", "", "A day like 2026-11-25"),
        ("person:1", "2026-03-06", "2026-03-05", "The last day is before the first"),
        ("person:1", "2026-03-06", "2027-03-07", "more than a year"),
        ("person:1", "2031-03-06", "", "Is the year right?"),
    ],
)
def test_what_makes_no_sense_is_refused_beside_its_field(
    owner: Browser, empty: ClockedWorkshop, whose: str, first: str, last: str, said: str
) -> None:
    answer = note(owner, whose, first, last)
    assert answer.status_code == 422
    assert said in words(answer)
    assert rows(empty.database, "SELECT count(*) FROM absences") == [(0,)]


def test_days_noted_already_are_named(owner: Browser) -> None:
    who = f"person:{CAST.painter.account_id}"
    note(owner, who, "2026-03-06", "2026-03-12")
    again = note(owner, who, "2026-03-12", "2026-03-13")
    assert again.status_code == 422
    assert "noted already, from Fri 6 Mar" in words(again)
    assert note(owner, f"person:{CAST.shaper.account_id}", "2026-03-12").status_code == 303


def test_the_bench_sees_absences_and_notes_none(empty: ClockedWorkshop) -> None:
    bench = Browser(staff_site(empty)).as_(empty, CAST.painter)
    shown = bench.get("/absences")
    assert shown.status_code == 200
    assert "/settings/closures" not in shown.text, "closures are the office's"
    assert note(bench, f"person:{CAST.painter.account_id}", "2026-03-06").status_code == 403


def test_whatif_counts_them_as_hours_less_and_says_so(workshop: ClockedWorkshop) -> None:
    now = workshop.now()
    before = whatif_command.floor_of(workshop)
    who, name = rows(
        workshop.database,
        "SELECT a.id, a.name FROM transitions t JOIN accounts a ON a.id = t.account_id"
        f" WHERE t.kind = 'start' AND t.from_step = 'packing' AND a.off_at IS NULL"
        f" AND t.happened_at > {now - 30 * DAY} GROUP BY a.id ORDER BY count(*) DESC LIMIT 1",
    )[0]
    with workshop.database.writing() as db:
        db.exec_driver_sql(
            "INSERT INTO absences (account_id, first_day, last_day, made_at)"
            " VALUES (?, '2026-11-30', '2026-12-04', 1)", (who,),
        )  # fmt: skip
    after = whatif_command.floor_of(workshop)
    assert before.away == ()
    assert after.away == (name,)
    then = {crew.steps: crew.there * crew.people for crew in after.floor.crews}
    less = [
        (crew.there * crew.people - then[crew.steps]) / crew.there
        for crew in before.floor.crews
        if "Packing" in crew.steps and crew.there * crew.people - then[crew.steps] > 1e-9
    ]
    # A week of the four: five of nineteen or twenty days, as many as the calendar opens.
    assert len(less) == 1
    assert less[0] == pytest.approx(0.25, abs=0.03)
