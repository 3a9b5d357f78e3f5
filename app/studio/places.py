"""Time zones, countries and regions as lists to choose from, and where this machine seems to be."""

import os
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files
from pathlib import Path
from zoneinfo import available_timezones

from app.shared.countries import COUNTRIES

Options = Sequence[tuple[str, str]]
_LOCAL = Path("/etc/localtime")
_ZONES = "zoneinfo"


@cache
def zones() -> Options:
    """Every zone that somebody can live in, and UTC, as pairs of what is kept and what is read."""
    named = set(_countries_of()) & available_timezones()
    return [(name, name.replace("_", " ")) for name in sorted(named | {"UTC"})]


@cache
def countries() -> Options:
    """Every country by its name; the first stands for none."""
    by_name = sorted(COUNTRIES.items(), key=lambda pair: pair[1])
    return [("", "no public holidays"), *by_name]


def with_own(options: Options, value: str) -> Options:
    """The options, with a value that is not among them: what was typed is never dropped."""
    known = not value or any(value == one for one, _ in options)
    return options if known else [*options, (value, value)]


def regions(country: str) -> Mapping[str, str]:
    """The regions of a country whose holidays differ, by their code (ISO 3166-2), with what each is
    called where that is known."""
    if not country:
        return {}
    # Imported where it is used: it is large, and a studio without holidays never needs it.
    import holidays

    try:
        found = holidays.country_holidays(country)
    except NotImplementedError:
        return {}
    called = {code: name for name, code in found.subdivisions_aliases.items()}
    return {code: called.get(code, code) for code in found.subdivisions}


@cache
def _countries_of() -> Mapping[str, str]:
    """By zone its country, the first that the time zone database names (`zone.tab`)."""
    table = files("tzdata").joinpath(_ZONES).joinpath("zone.tab").read_text(encoding="utf-8")
    rows = [line.split("\t") for line in table.splitlines() if line and not line.startswith("#")]
    return {row[2]: row[0] for row in reversed(rows)}


def guessed(zone_file: Path = _LOCAL) -> tuple[str, str]:
    """The zone that this machine's clock is set to, and its country; two empty texts where that
    says nothing of a place, as UTC does."""
    named = os.environ.get("TZ", "").lstrip(":")
    if not named:
        try:
            named = str(zone_file.resolve()).rpartition(f"{_ZONES}/")[2]
        except OSError:
            return "", ""
    country = _countries_of().get(named, "")
    return (named, country) if country else ("", "")
