"""What-if settings, the fair comparison they lead to, and the report a person reads."""

from dataclasses import replace
from datetime import date, datetime, time
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from app.leadtimes.floor import (
    Arrivals,
    ChangeError,
    Crew,
    Floor,
    FloorPiece,
    FloorStep,
    OpenHours,
    Rework,
    apply_changes,
    compare,
    floor_report,
    parse_change,
    quantile_table,
    simulate,
)
from app.leadtimes.floor.outcome import mean, quantiles
from app.shared.calendar import Calendar

CALENDAR = Calendar(ZoneInfo("Europe/Vienna"))
NOW = int(datetime(2031, 3, 26, 11, tzinfo=CALENDAR.zone).timestamp())  # a Wednesday
WEEK = OpenHours.from_calendar(CALENDAR, NOW)


def studio() -> Floor:
    generator = np.random.default_rng(3)

    def work(hours: float) -> np.ndarray:
        return quantile_table(generator.lognormal(np.log(hours), 0.5, 60))

    steps = (
        FloorStep("building", work(12), machines=1),
        FloorStep("shaping", work(4), people=2, hours=WEEK),
        FloorStep("painting", work(7), people=2, hours=WEEK, rework=(Rework("shaping", 0.02), Rework("painting", 0.06))),
        FloorStep("packing", work(0.5), people=1, hours=WEEK),
    )  # fmt: skip
    pieces = tuple(FloorPiece(f"11{k}-A1", steps[k % 4].name, oldest=k) for k in range(40))
    coming = (Arrivals("building", generator.exponential(30, 40), 28 * 24.0),)
    return Floor(steps, pieces, coming, calendar=CALENDAR, now=NOW)


def changed(*texts: str) -> Floor:
    return apply_changes(studio(), [parse_change(text) for text in texts])


def step(floor: Floor, name: str) -> FloorStep:
    return floor.steps[floor.index(name)]


def test_people_and_machines_are_set_or_added():
    assert step(changed("painting people=3"), "painting").places == 3
    assert step(changed("painting people=+2"), "painting").places == 4
    assert step(changed("Painting  People = -1"), "painting").places == 1
    assert step(changed("building machines=2"), "building").places == 2
    assert step(changed("building machines=3", "building people=2"), "building").places == 2
    assert step(changed("building batch=4"), "building").batch == 4


def crewed(*texts: str) -> Floor:
    """The studio with two who shape and paint, one who paints, one who packs."""
    crews = (
        Crew("both", 2, ("shaping", "painting")),
        Crew("painter", 1, ("painting",)),
        Crew("desk", 1, ("packing",)),
    )
    floor = replace(studio(), crews=crews)
    return apply_changes(floor, [parse_change(text) for text in texts])


def who(floor: Floor) -> dict[tuple[str, ...], int]:
    return {crew.steps: crew.people for crew in floor.crews}


def test_people_who_come_do_one_step_and_bring_a_place_to_work_at():
    floor = crewed("painting people=+1")
    assert who(floor)["painting",] == 2
    assert step(floor, "painting").people == 3
    floor = crewed("shaping people=4")
    assert who(floor)["shaping",] == 2
    assert who(floor)["shaping", "painting"] == 2


def test_people_who_go_are_those_who_do_the_fewest_steps_and_are_missed_at_all_of_theirs():
    assert who(crewed("painting people=-1")) == {("shaping", "painting"): 2, ("packing",): 1}
    assert who(crewed("painting people=1")) == {("shaping", "painting"): 1, ("packing",): 1}
    assert who(crewed("shaping people=1"))["shaping", "painting"] == 1
    with pytest.raises(ChangeError, match="too few"):
        crewed("painting people=-3")
    alone = (
        Crew("a", 1, ("painting", "packing")),
        Crew("b", 1, ("building", "shaping", "painting")),
    )
    with pytest.raises(ChangeError, match="Nobody would be left for packing"):
        apply_changes(replace(studio(), crews=alone), [parse_change("painting people=1")])


def test_one_of_those_who_do_a_step_may_do_another_too():
    floor = crewed("painting also=packing")
    assert who(floor) == {
        ("shaping", "painting"): 2, ("packing",): 1, ("painting", "packing"): 1,
    }  # fmt: skip
    assert ("shaping", "painting", "packing") in who(crewed("shaping also=packing"))
    with pytest.raises(ChangeError, match="already"):
        crewed("packing also=packing")
    with pytest.raises(ChangeError, match="Nobody is known to do building"):
        crewed("building also=packing")
    with pytest.raises(ChangeError, match="Did you mean “packing”"):
        crewed("painting also=paking")


def test_time_rework_and_newcomers_are_scaled():
    before = studio()
    assert np.allclose(step(changed("painting time=-10%"), "painting").durations,
                       step(before, "painting").durations * 0.9)  # fmt: skip
    back = step(changed("painting rework=4%"), "painting").rework
    assert [(r.to, round(r.share, 9)) for r in back] == [("shaping", 0.01), ("painting", 0.03)]
    gaps = changed("newcomers=+25%").arrivals[0].gaps_h
    assert np.allclose(gaps * 1.25, before.arrivals[0].gaps_h)


def test_hours_are_read_as_people_write_them():
    read = parse_change("shaping hours=mon-thu 7:00-12, 12:30-16:00, sat-sun 22-24").week
    assert read[0] == ((time(7), time(12)), (time(12, 30), time(16)))
    assert sorted(read) == [0, 1, 2, 3, 5, 6]
    assert read[6] == ((time(22), time(0)),)
    assert parse_change("shaping hours=always").week is None
    hours = step(changed("shaping hours=mon-fri 7-15:30"), "shaping").hours
    assert hours.closes[0] == 4.5  # from Wednesday 11:00 to 15:30
    assert hours.opens[1] == 20  # Thursday 7:00
    assert step(changed("hours=mon 9-17"), "building").hours.until == np.inf  # never closes


def test_closed_days_cut_the_hours_of_people_but_not_of_machines():
    floor = changed("closed=2031-03-27..2031-03-28, 2031-04-01")
    hours = step(floor, "painting").hours
    day = (CALENDAR.start_of(date(2031, 3, 31)) - NOW) / 3600
    assert hours.opens[:3].tolist() == [0, day + 9, day + 48 + 9]
    assert step(floor, "building").hours.until == np.inf
    both = changed("closed=2031-03-27", "painting hours=mon-sun 8-18")
    assert step(both, "painting").hours.opens[:2].tolist() == [0, 45]  # closures come last
    alone = changed("building closed=2031-03-27")
    assert step(alone, "building").hours.closes[0] == 13
    assert step(alone, "painting").hours is step(alone, "shaping").hours


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("painting", "no setting"),
        ("painting people=", "no setting"),
        ("painting peple=3", "Did you mean “people”"),
        ("people=3", "of one step"),
        ("painting people=two", "whole number"),
        ("painting people=0", "one at least"),
        ("painting people=2.5", "whole number"),
        ("painting time=0%", "something must be left"),
        ("painting time=3", "percentage"),
        ("painting rework=+5%", "without a sign"),
        ("painting also=packing,", "a step is needed"),
        ("also=packing", "of one step"),
        ("painting rework=120%", "between 0% and 100%"),
        ("painting newcomers=+5%", "whole floor"),
        ("painting hours=7-15", "names no day"),
        ("painting hours=mon-fri", "not a span"),
        ("painting hours=mon 7-25", "not a span"),
        ("painting hours=mon 15-7", "end after they begin"),
        ("painting hours=mon 7-12, 11-15", "follow one another"),
        ("closed=soon", "no day"),
        ("closed=2031-08-15..2031-08-04", "ends before it begins"),
    ],
)
def test_a_setting_that_cannot_be_understood_says_why(text, says):
    with pytest.raises(ChangeError, match=says):
        parse_change(text)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("paintin people=3", "Did you mean “painting”.*The steps are: building, shaping"),
        ("painting people=-2", "0 is too few"),
        ("building people=+1", "counts no people"),
        ("packing rework=5%", "nobody knows where to"),
        ("closed=2031-01-01..2040-01-01", "never open"),
    ],
)
def test_a_setting_that_does_not_fit_the_floor_says_why(text, says):
    with pytest.raises(ChangeError, match=says):
        changed(text)


def test_what_the_floor_does_not_know_cannot_be_changed():
    bare = replace(studio(), calendar=None, arrivals=())
    for text in ("painting hours=mon 9-17", "closed=2031-04-01", "newcomers=+5%"):
        with pytest.raises(ChangeError):
            apply_changes(bare, [parse_change(text)])


def test_the_same_floor_compared_with_itself_differs_in_nothing():
    c = compare(studio(), changed("painting people=2"), 50)
    for estimate in (
        c.typical_change(),
        c.wait_change(),
        c.busy_change(),
        c.quantile_change([0.85]),
    ):
        assert not np.any(estimate.value)
        assert not np.nan_to_num(estimate.error).any()


def test_common_chances_make_a_difference_far_surer_than_two_runs_of_their_own():
    now, then = studio(), changed("painting people=3")
    paired = compare(now, then, 400, seed=1).typical_change()
    apart = mean((simulate(then, 400, 2).ready - simulate(now, 400, 1).ready).mean(axis=1))
    assert paired.value < 0
    assert paired.error < apart.error / 1.5
    assert abs(paired.value - apart.value) < 4 * np.hypot(paired.error, apart.error)


def test_the_stated_error_is_the_spread_between_seeds():
    out = [simulate(studio(), 100, seed) for seed in range(40)]
    for estimate in (lambda o: o.wait_hours(), lambda o: o.busy_share(), lambda o: o.waiting()):
        values = np.array([estimate(o).value[1] for o in out])
        stated = np.mean([estimate(o).error[1] for o in out])
        assert 0.7 < values.std(ddof=1) / stated < 1.4
    points = [o.ready_at([0.5, 0.85]) for o in out]
    spread = np.array([p.value for p in points]).std(axis=0, ddof=1).mean()
    assert 0.7 < spread / np.mean([p.error for p in points]) < 1.4


def test_quantiles_are_numpy_s_own():
    values = np.random.default_rng(1).exponential(3, (101, 4))
    shares = [0.05, 0.5, 0.85, 1.0]
    assert np.allclose(quantiles(values, shares).value, np.quantile(values, shares, axis=0).T)


def test_a_relieved_bottleneck_gives_way_to_the_next():
    now = simulate(studio(), 100)
    first, second = now.busiest()[:2]
    assert [now.floor.steps[i].name for i in (first, second)] == ["painting", "building"]
    assert simulate(changed("painting people=6"), 100).busiest()[0] == second
    assert now.bottleneck().value.sum() == pytest.approx(1)


def test_the_report_says_what_changed_in_plain_words():
    text = floor_report(compare(studio(), changed("painting people=3"), 200), most_pieces=3)
    assert text.startswith("200 simulations of 40 pieces on the floor today;")
    painting = next(line for line in text.splitlines() if line.startswith("painting"))
    assert "2 → 3" in painting
    assert "Now: Painting is the bottleneck, busy for " in text
    assert "sooner on average." in text
    assert "Mar 2031" in text
    assert "And 37 more pieces: --all shows them." in text
    alone = floor_report(simulate(replace(studio(), calendar=None), 50), most_pieces=40)
    assert "± days" in alone
    assert "more piece" not in alone


def test_a_change_that_changes_nothing_is_reported_as_such():
    text = floor_report(compare(studio(), changed("packing people=2"), 100))
    assert "neither sooner nor later" in text


def test_floors_that_cannot_be_compared_are_refused():
    other = replace(studio(), pieces=studio().pieces[1:])
    with pytest.raises(ValueError, match="same pieces"):
        compare(studio(), other)
    with pytest.raises(ValueError, match="same horizon"):
        compare(studio(), replace(studio(), horizon_h=24.0))


def test_progress_is_told_to_its_end():
    told = []
    compare(studio(), studio(), 2500, progress=lambda *so_far: told.append(so_far))
    assert told == [(2000, 5000), (2500, 5000), (4500, 5000), (5000, 5000)]
