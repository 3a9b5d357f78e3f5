"""Days on the way, and what a day that something is needed by is held against. By hand."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.shared.carriers import (
    Carrier,
    Journey,
    check_tracking,
    last_arrival,
    last_leaving,
    named,
    read_countries,
    read_days,
    said_days,
    said_way,
    usual_journey,
)

FRIDAY = date(2026, 12, 4)
DAYS = st.dates(date(2020, 1, 1), date(2035, 12, 31))
JOURNEYS = st.builds(
    lambda least, more, working: Journey(least, least + more or 1, working),
    st.integers(0, 30), st.integers(0, 30), st.booleans(),
)  # fmt: skip


def test_working_days_leave_the_weekend_out_and_calendar_days_do_not() -> None:
    assert Journey(1, 3).arrives(FRIDAY) == (date(2026, 12, 7), date(2026, 12, 9))
    assert Journey(1, 3, working=False).arrives(FRIDAY) == (date(2026, 12, 5), date(2026, 12, 7))
    assert Journey(0, 1).arrives(FRIDAY) == (FRIDAY, date(2026, 12, 7))


@given(DAYS, JOURNEYS)
def test_the_last_day_to_leave_is_the_last_that_arrives_in_time(
    needed: date, journey: Journey
) -> None:
    last = last_leaving(needed, journey)
    assert last_arrival(last, journey) <= needed
    # Each later one is too late; beside a weekend several days arrive alike.
    assert all(last_arrival(last + timedelta(days=n), journey) > needed for n in range(1, 4))


def test_where_nothing_is_known_of_the_way_it_leaves_the_day_before() -> None:
    assert last_leaving(FRIDAY, None) == date(2026, 12, 3)
    assert last_arrival(FRIDAY, None) == date(2026, 12, 5)


TERN = Carrier(
    1, "Tern Parcels", home=Journey(1, 3), countries={"IE": Journey(2, 5)},
    tracking="https://track.ternparcels.example/find?number={number}", claim_days=21,
)  # fmt: skip
POST = Carrier(2, "Harbour Post", home=Journey(1, 5, False), abroad=Journey(5, 14, False))


@pytest.mark.parametrize(
    ("country", "home", "days"),
    [("", "GB", (1, 3)), ("GB", "GB", (1, 3)), ("England", "GB", (1, 3)), ("Ireland", "GB", (2, 5)),
     ("IE", "", (2, 5)), ("FR", "GB", (5, 14)), ("FR", "", None), ("Atlantis", "GB", None)],
)  # fmt: skip
def test_the_first_that_goes_to_a_country_is_the_usual_one_there(
    country: str, home: str, days: tuple[int, int] | None
) -> None:
    found = usual_journey((TERN, POST), country, home)
    assert (found and (found.least, found.most)) == days


def test_a_parcel_names_its_carrier_in_any_case() -> None:
    assert named((TERN, POST), "TERN parcels ") is TERN
    assert named((TERN, POST), "Gull & Sons") is None
    assert TERN.claim_by(FRIDAY) == date(2026, 12, 25)
    assert POST.claim_by(FRIDAY) is None


def test_a_number_goes_into_the_address_as_one_value_whatever_is_in_it() -> None:
    assert TERN.link("TE1") == "https://track.ternparcels.example/find?number=TE1"
    link = TERN.link('"><script>&x=/../#?')
    assert not set(link.partition("number=")[2]) & set("\"<>&/#?' ")
    assert link.startswith("https://track.ternparcels.example/find?number=%22")
    assert TERN.link("") == POST.link("TE1") == ""


@pytest.mark.parametrize(
    "address",
    ["http://a.example/{number}", "javascript:alert({number})", "https://a.example/", "//a/{number}",
     "https://{number}.a.example/", "https://a.example/ {number}", "https://me@a.example/{number}",
     "https://localhost/{number}", "https://a.example/\"{number}", "https://[::1/{number}",
     "ftp://a.example/{number}", "https://ä.example/{number}"],
)  # fmt: skip
def test_a_tracking_address_that_is_none_is_refused(address: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        check_tracking(address)


def test_days_are_read_as_people_type_them_and_said_again() -> None:
    for typed in ("2 to 4", "2-4", "2 – 4", " 2 to 4 "):
        assert read_days(typed, working=True) == Journey(2, 4)
    assert read_days("3", working=False) == Journey(3, 3, False)
    assert read_days("  ", working=True) is None
    assert said_days(Journey(2, 4)) == "2 to 4"
    assert said_way(Journey(1, 1)) == "1 working day"
    assert said_way(Journey(2, 4, False)) == "2 to 4 days"
    for wrong in ("4 to 2", "0", "many", "2 to 400", "-1", "2 to", "²", "1.5"):
        with pytest.raises(ValueError, match=r"."):
            read_days(wrong, working=True)


def test_countries_have_lines_of_their_own() -> None:
    found = read_countries("Ireland 2 to 5\n\nDE: 3\nUnited States 6-12", working=True)
    assert found == {"IE": Journey(2, 5), "DE": Journey(3, 3), "US": Journey(6, 12)}
    for wrong in ("Atlantis 3", "IE", "IE 2 to 5\nIreland 3", "3 to 5", "IE 9 to 2"):
        with pytest.raises(ValueError, match=r"."):
            read_countries(wrong, working=True)
