"""What would help: which changes are tried, what is kept, and what the page says."""

import json
import shutil
import time as clock
from datetime import date, datetime, time
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from app.leadtimes.floor import (
    ChangeError,
    Comparison,
    Floor,
    Outcome,
    apply_changes,
    parse_change,
    simulate,
)  # fmt: skip
from app.leadtimes.log import FINISHED
from app.leadtimes.trend import shift
from app.main import staff_site
from app.owner.floor_now import Built
from app.owner.what_if import figuring, rules, store, worker
from app.owner.what_if.actions import MOST_WAITING
from app.owner.what_if.rules import HALF_DAY, PHOTOS
from app.owner.what_if.since import compared
from app.owner.whatif_command import by_name, floor_of
from app.shared.calendar import Calendar
from app.shared.people import Person
from app.shared.places import DataFolder
from tests.demo.invented import A_TUESDAY
from tests.making import CAST, DAY, rows
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import words

LONDON = ZoneInfo("Europe/London")
CALENDAR = Calendar(LONDON)
RUNS = 40


def owner_of(workshop: ClockedWorkshop) -> Browser:
    (first, name) = rows(
        workshop.database, "SELECT id, name FROM accounts WHERE role = 'owner' ORDER BY id LIMIT 1"
    )[0]
    me = Person(first, CAST.owner.role, name)
    return Browser(staff_site(workshop)).as_(workshop, me)


# ---------------------------------------------------------------- rules


def test_half_a_day_more_is_four_hours_on_the_first_free_day() -> None:
    """Monday to Friday from nine: Saturday from nine to one. Who has all days has none to add."""
    said = rules.half_day_more(CALENDAR)
    assert "sat 9:00-13:00" in said
    week = parse_change(f"hours={said}").week
    assert week is not None
    assert week[5] == ((time(9), time(13)),)
    assert {day: week[day] for day in range(5)} == {d: CALENDAR.hours[d] for d in range(5)}
    always = Calendar(LONDON, dict.fromkeys(range(7), ((time(9), time(17)),)))
    with pytest.raises(ChangeError, match="no half day to add"):
        rules.half_day_more(always)


@pytest.mark.parametrize(
    ("newest", "started", "now", "due"),
    [
        (None, "2026-03-04 09:00", "2026-03-04 23:00", False),
        (None, "2026-03-04 09:00", "2026-03-05 02:59", False),
        (None, "2026-03-04 09:00", "2026-03-05 03:00", True),
        ("2026-03-05 03:05", "2026-03-04 09:00", "2026-03-05 20:00", False),
        ("2026-03-05 03:05", "2026-03-04 09:00", "2026-03-06 03:00", True),
        # The clock goes forward at one on 29 March 2026: three o'clock comes all the same.
        ("2026-03-28 03:05", "2026-03-04 09:00", "2026-03-29 04:00", True),
    ],
)
def test_once_after_each_night_and_not_because_the_program_was_started(
    newest: str | None, started: str, now: str, due: bool
) -> None:
    def at(said: str) -> int:
        return int(datetime.fromisoformat(said).replace(tzinfo=LONDON).timestamp())

    assert worker.is_due(newest and at(newest), at(started), at(now), CALENDAR) == due


@pytest.fixture(scope="module")
def known(built: Built) -> tuple[Floor, Outcome]:
    """The floor of the invented studio, and its simulation."""
    return built.floor, simulate(built.floor, RUNS)


@pytest.fixture(scope="module")
def built(invented: Path, tmp_path_factory: pytest.TempPathFactory) -> Built:
    """The floor of the invented studio, as it is built from the log."""
    folder = DataFolder(tmp_path_factory.mktemp("floor"))
    folder.prepare()
    shutil.copyfile(invented / "studio.db", folder.database_file)
    workshop = ClockedWorkshop(folder)
    workshop.moment = A_TUESDAY
    found = floor_of(workshop)
    workshop.close()
    return found


def test_where_the_waiting_goes_adds_up_and_tells_the_same_story_as_whatif(
    built: Built, known: tuple[Floor, Outcome]
) -> None:
    """Nights, hands and the rest are all of the waiting, to the second. What is laid on hands is at
    no step more nor less than pieces wait for hands in the simulation, but for the part of a day by
    which today's line differs from that of the last three months; and it is most where that is most.
    """
    floor, out = known
    part = out.open_hours / floor.horizon_h
    waited = dict(zip((s.name for s in floor.steps), out.wait_hours().value * part, strict=True))
    assert len(built.waits) >= 5
    for one in built.waits:
        assert one.nights + (one.hands + one.rest) / 24 == pytest.approx(one.days)
        assert one.hands >= 0
        assert one.rest >= 0
        assert abs(one.hands - waited[one.name]) <= 4, one
    most = max(built.waits, key=lambda one: one.hands)
    longest = sorted((one.name for one in built.waits), key=waited.__getitem__)
    assert most.name in longest[-2:]
    total = sum(one.days for one in built.waits)
    by_hands = sum(one.hands for one in built.waits) / 24
    assert by_hands < 0.5 * total, "most of the waiting is nights, weekends and what just lies"


def test_the_ready_changes_are_of_this_floor_and_their_answers_its_own(
    known: tuple[Floor, Outcome],
) -> None:
    floor, base = known
    asks = {ask.settings[0]: ask for ask in rules.ready(floor, base)}
    waiting = base.waiting().value
    people = [s for s in asks if s.endswith("people=+1")]
    able = {name for crew in floor.crews for name in crew.steps}
    longest = max(able, key=lambda name: waiting[floor.index(name)])
    assert people[0] == f"{longest} people=+1"
    assert len(people) == 2
    assert {HALF_DAY, "newcomers=+20%"} <= asks.keys()

    (change,) = map(by_name, rules.resolved([people[0]], floor, CALENDAR))
    both = Comparison(base, simulate(apply_changes(floor, [change]), RUNS))
    found = rules.answer(both)
    assert found["half"][0] == pytest.approx(float(np.median(base.ready)))
    assert found["slow"][1] == pytest.approx(float(np.quantile(both.then.ready, 0.85)))
    apart = (both.now.ready - both.then.ready).mean(axis=1) / 24
    assert found["days"] == pytest.approx(apart.mean())
    assert found["error"] == pytest.approx(apart.std(ddof=1) / RUNS**0.5)
    assert found["days"] > 0, "one more pair of hands where most waits makes nothing later"


def test_better_photos_take_ten_points_off_what_is_sent_back(known: tuple[Floor, Outcome]) -> None:
    floor, _ = known
    shares = [
        (r.share, sum(x.share for x in step.rework), step.name)
        for step in floor.steps for r in step.rework if r.to == "Photos wanted"
    ]  # fmt: skip
    most, total, name = max(shares)
    (change,) = rules.resolved([f"{PHOTOS}10"], floor, CALENDAR)
    assert change.step == name
    assert change.number == pytest.approx(max(0.0, total - min(0.10, most)))


def test_what_happened_since_is_compared_by_what_left_before_and_after(
    workshop: ClockedWorkshop,
) -> None:
    from app.owner.known import Knowledge

    seen = Knowledge(workshop).look()
    calendar, now = workshop.in_force().calendar, workshop.now()
    said = compared(seen.ways, date(2026, 10, 1), calendar, now)
    edge = int(datetime(2026, 10, 1, tzinfo=LONDON).timestamp())
    done = [
        ((ended - started) / DAY, ended)
        for outcome, ended, started in zip(
            seen.ways.outcome, seen.ways.ended, seen.ways.started, strict=True
        )
        if outcome == FINISHED
    ]
    after = [days for days, ended in done if edge <= ended <= now]
    before = [days for days, ended in done if edge - 90 * DAY - 3600 <= ended < edge]
    assert f"Half of the {len(after)} pieces that left since" in said
    sure = shift(before, after).sure
    assert ("no more than chance" in said) != sure
    assert "too few to compare" in compared(seen.ways, date(2026, 11, 23), calendar, now)


# ---------------------------------------------------------------- asked, worked out, kept


def fill(browser: Browser, **typed: str) -> Any:
    return browser.post("/what-would-help", {"name": "A second painter", **typed})


def test_a_question_is_worked_out_in_a_child_kept_and_marked_as_made(
    workshop: ClockedWorkshop,
) -> None:
    owner = owner_of(workshop)
    assert fill(owner, step="painting", people="+1", orders="10").status_code == 303
    assert "It is being worked out" in words(owner.get("/what-would-help"))
    with workshop.database.reading() as db:
        asks, ready = store.waiting(db)
    assert [one.settings for one in asks] == [["painting people=+1", "newcomers=+10%"]]
    assert not ready
    began = clock.monotonic()
    worker.work_out(workshop, asks, ready=False, runs=RUNS)
    assert clock.monotonic() - began < 60
    text = words(owner.get("/what-would-help"))
    assert "+1 person at Painting; +10% orders" in text
    assert "pieces half would be ready within" in text
    made = owner.post("/what-would-help/1/made", {"made_on": "2026-10-01"})
    assert made.status_code == 303
    text = words(owner.get("/what-would-help"))
    assert "Made on Thu 1 Oct." in text
    assert "that left since" in text
    wrong = owner.post("/what-would-help/1/made", {"made_on": "2027-10-01"})
    assert wrong.status_code == 422
    assert "A day of the last two years" in words(wrong)
    assert 'value="2027-10-01"' in wrong.text
    assert owner.post("/what-would-help/1/drop").status_code == 303
    assert owner.post("/what-would-help/1/drop").status_code == 404
    assert "Nothing yet." in words(owner.get("/what-would-help"))


def test_the_ready_changes_replace_the_last_ones(
    workshop: ClockedWorkshop, built: Built, monkeypatch: pytest.MonkeyPatch
) -> None:
    owner = owner_of(workshop)
    monkeypatch.setattr(figuring, "floor_at", lambda *_: built)
    monkeypatch.setattr(figuring, "ready", lambda *of: rules.ready(*of)[:2])
    owner.post("/what-would-help/now")
    owner.post("/what-would-help/now")
    assert rows(workshop.database, "SELECT count(*) FROM what_ifs") == [(1,)]
    said: list[dict[str, Any]] = []
    wish = {"asks": [], "ready": True, "runs": 4}
    figuring.work_out(workshop.folder.database_file, workshop.now(), wish, said.append)
    done = [line["done"] for line in said if "done" in line]
    assert done == list(range(1, len(done) + 1))
    (waits,) = [line["waits"] for line in said if "waits" in line]
    said = [line for line in said if "waits" not in line] + [{"waits": waits}]
    for _ in range(2):
        worker._keep(workshop, [], json.loads(json.dumps(said)), ready=True)
    with workshop.database.reading() as db:
        kept, (_, asked) = store.of_tonight(db), store.waiting(db)
    assert len(kept) == len(done) == 2
    assert not asked
    text = words(owner.get("/what-would-help"))
    for one in kept:
        assert one.name in text
    assert "is the bottleneck" in words(owner.get("/owner"))
    workshop.moment += 3 * DAY
    assert "is the bottleneck" not in words(owner.get("/owner")), "that was days ago"
    workshop.moment -= 3 * DAY
    page = words(owner.get("/lead-times"))
    assert "nobody was free, working hours" in page
    for one in waits:
        assert f"{one['days']:.1f}" in page


def test_a_floor_that_cannot_be_simulated_is_said_in_words(empty: ClockedWorkshop) -> None:
    owner = Browser(staff_site(empty)).as_(empty, CAST.owner)
    fill(owner, step="painting", people="1")
    owner.post("/what-would-help/now")
    with empty.database.reading() as db:
        asks, ready = store.waiting(db)
    worker.work_out(empty, asks, ready=ready)
    text = words(owner.get("/what-would-help"))
    assert "No answer: No piece is in work" in text
    assert text.count("nothing to simulate") == 2


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({}, "What would change?"),
        ({"name": "", "people": "1"}, "This has to be filled in"),
        ({"people": "1"}, "At which step?"),
        ({"people": "one", "step": "painting"}, "A whole number between -9 and 9"),
        ({"people": "99", "step": "painting"}, "A whole number between -9 and 9"),
        ({"people": "1", "step": "sailing"}, "Choose a step."),
        ({"orders": "-100"}, "A whole number between -90 and 300"),
        ({"photos": "-1"}, "A whole number between 0 and 100"),
    ],
)
def test_what_makes_no_sense_is_refused_and_keeps_what_was_typed(
    empty: ClockedWorkshop, typed: dict[str, str], said: str
) -> None:
    owner = Browser(staff_site(empty)).as_(empty, CAST.owner)
    answer = fill(owner, **typed)
    assert answer.status_code == 422
    assert said in words(answer)
    assert all(value in answer.text for name, value in typed.items() if name != "step")
    assert rows(empty.database, "SELECT count(*) FROM what_ifs") == [(0,)]


def test_not_more_than_a_few_wait_at_once(empty: ClockedWorkshop) -> None:
    owner = Browser(staff_site(empty)).as_(empty, CAST.owner)
    for _ in range(MOST_WAITING):
        assert fill(owner, orders="10").status_code == 303
    assert "Wait for them first" in words(fill(owner, orders="10"))
