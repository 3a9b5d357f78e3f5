"""The studio's settings and closures, as they lie in the database."""

import json
from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

from sqlalchemy import Connection, insert, select, text

from app.shared.calendar import Calendar
from app.studio.rules import StudioSettings
from app.tables import changes, closures, settings

_SAVE = text(
    "INSERT INTO settings (name, value, changed_at, changed_by_id)"
    " VALUES (:name, :value, :at, :by)"
    " ON CONFLICT (name) DO UPDATE SET value = :value, changed_at = :at, changed_by_id = :by"
)


def load(db: Connection) -> StudioSettings:
    """The studio's settings, defaults where nothing was set."""
    rows = db.execute(select(settings.c.name, settings.c.value))
    return StudioSettings.model_validate({row.name: json.loads(row.value) for row in rows})


def save(
    db: Connection, new: Mapping[str, Any], old: StudioSettings, by: int | None, at: int
) -> None:
    """Save the fields that differ, and note who changed them."""
    before = old.model_dump(mode="json")
    for name, value in new.items():
        if before.get(name) == value:
            continue
        row = {"name": name, "value": json.dumps(value), "at": at, "by": by}
        db.execute(_SAVE, row)
        db.execute(
            insert(changes).values(
                at=at,
                account_id=by,
                of="settings",
                of_id=0,
                field=name,
                before=json.dumps(before.get(name)),
                after=json.dumps(value),
            )
        )


def closed_days(db: Connection) -> frozenset[date]:
    """Every day of every closure that stands."""
    query = select(closures.c.first_day, closures.c.last_day).where(
        closures.c.taken_back_at.is_(None)
    )
    days: set[date] = set()
    for row in db.execute(query):
        day, last = date.fromisoformat(row.first_day), date.fromisoformat(row.last_day)
        while day <= last:
            days.add(day)
            day += timedelta(days=1)
    return frozenset(days)


def public_holidays(country: str, region: str, years: range) -> frozenset[date]:
    """The public holidays of a country (ISO 3166-1) and region, by the `holidays` library.

    Raises ValueError for a country or region that it does not know.
    """
    if not country:
        return frozenset()
    # Imported where it is used: it is large, and a studio without holidays never needs it.
    import holidays

    try:
        found = holidays.country_holidays(country, subdiv=region or None, years=years)
    except NotImplementedError as why:
        raise ValueError("The holidays of that country or region are not known.") from why
    return frozenset(found)


def calendar(db: Connection, studio: StudioSettings, this_year: int) -> Calendar:
    """The studio's working calendar, ten years back and three ahead."""
    years = range(this_year - 10, this_year + 4)
    holidays_ = public_holidays(studio.country, studio.region, years)
    return Calendar(studio.zone_info(), studio.weekly(), holidays_ | closed_days(db))
