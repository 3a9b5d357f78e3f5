"""Countries: the codes of ISO 3166-1, against the list that comes with the zones of the world."""

from importlib.resources import files

import pytest

from app.shared.countries import COUNTRIES, code_of, on_label


def test_the_codes_are_those_of_the_standard() -> None:
    """iso3166.tab of the tz database lists the codes of ISO 3166-1 alpha-2."""
    text = (files("tzdata") / "zoneinfo" / "iso3166.tab").read_text("utf-8")
    listed = {line.split("\t")[0] for line in text.splitlines() if not line.startswith("#")}
    assert set(COUNTRIES) == listed
    assert len(listed) == 249
    assert all(name == name.strip() and name for name in COUNTRIES.values())
    assert len(set(COUNTRIES.values())) == 249


@pytest.mark.parametrize(
    ("typed", "code"),
    [("GB", "GB"), ("gb", "GB"), ("UK", "GB"), ("Scotland", "GB"), ("united kingdom", "GB"),
     ("Ireland", "IE"), (" de ", "DE"), ("Türkiye", "TR"), ("turkiye", "TR"), ("USA", "US"),
     ("Cote d’Ivoire", "CI"), ("Atlantis", None), ("", None), ("XX", None)],
)  # fmt: skip
def test_a_country_is_known_by_its_code_or_its_name(typed: str, code: str | None) -> None:
    assert code_of(typed) == code


def test_the_last_line_of_an_address_is_the_name_in_capitals() -> None:
    assert on_label("uk") == "UNITED KINGDOM"
    assert on_label("Ireland") == "IRELAND"
    assert on_label("Curaçao") == "CURAÇAO"
    assert on_label("Wherever") == "WHEREVER", "what nobody knows stays as it was typed"
