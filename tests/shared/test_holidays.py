"""Public holidays as the library gives them, against days that law and governments name.

All from memory: gov.uk "UK bank holidays" for 2026; for Germany the holiday laws of the Länder
and, for 3 October, the Unification Treaty, article 2 (2). Easter Sunday 2026 is 5 April.
"""

from datetime import date

import pytest

from app.studio.store import public_holidays


def days(country: str, region: str, year: int) -> set[str]:
    found = public_holidays(country, region, range(year, year + 1))
    return {f"{day:%m-%d}" for day in found}


def test_england_2026():
    assert days("GB", "ENG", 2026) >= {
        "01-01", "04-03", "04-06", "05-04", "05-25", "08-31", "12-25",
        "12-28",  # the substitute for Boxing Day, a Saturday in 2026
    }  # fmt: skip


def test_scotland_2026_has_its_own():
    scotland = days("GB", "SCT", 2026)
    assert scotland >= {"01-01", "01-02", "04-03", "05-04", "05-25", "08-03", "11-30", "12-25"}
    assert not scotland & {"04-06", "08-31"}  # no Easter Monday, no August holiday at its end


EVERYWHERE_IN_GERMANY = {
    "01-01", "04-03", "04-06", "05-01", "05-14", "05-25", "10-03", "12-25", "12-26",
}  # fmt: skip


@pytest.mark.parametrize(
    ("region", "more"),
    [
        ("", set()),
        ("BY", {"01-06", "06-04", "11-01"}),  # Epiphany, Corpus Christi, All Saints
        ("BE", {"03-08"}),  # International Women's Day
        ("SN", {"10-31", "11-18"}),  # Reformation Day, Day of Repentance and Prayer
    ],
)
def test_germany_2026_by_region(region, more):
    assert days("DE", region, 2026) == EVERYWHERE_IN_GERMANY | more


def test_no_country_means_no_holidays():
    assert public_holidays("", "", range(2026, 2027)) == frozenset()


@pytest.mark.parametrize(("country", "region"), [("QQ", ""), ("DE", "QQ")])
def test_an_unknown_country_or_region_is_refused_in_words(country, region):
    with pytest.raises(ValueError, match="We don’t have the holidays"):
        public_holidays(country, region, range(2026, 2027))


def test_the_days_are_plain_days():
    assert all(type(day) is date for day in public_holidays("DE", "BY", range(2026, 2028)))
