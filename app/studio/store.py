"""The studio's settings and closures, as they lie in the database."""

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any

from sqlalchemy import Connection, insert, select, update
from sqlalchemy.dialects.sqlite import insert as upsert

from app.flow.changes import note
from app.shared.calendar import Calendar, whole_days
from app.studio.rules import StudioSettings
from app.tables import accounts, changes, closures, settings, step_texts


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
        put(db, name, json.dumps(value), by, at)
        note(db, by, at, "settings", name, json.dumps(before.get(name)), json.dumps(value))


def put(db: Connection, name: str, value: str, by: int | None, at: int) -> None:
    """Keep a setting (JSON), whatever it was before."""
    row = {"value": value, "changed_at": at, "changed_by_id": by}
    new = upsert(settings).values(name=name, **row)
    db.execute(new.on_conflict_do_update(index_elements=["name"], set_=row))


def closed_days(db: Connection) -> frozenset[date]:
    """Every day of every closure that stands."""
    query = select(closures.c.first_day, closures.c.last_day).where(
        closures.c.taken_back_at.is_(None)
    )
    return whole_days((row.first_day, row.last_day) for row in db.execute(query))


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
        raise ValueError("We don’t have the holidays of that country or region.") from why
    return frozenset(found)


def calendar(db: Connection, studio: StudioSettings, this_year: int) -> Calendar:
    """The studio's working calendar, ten years back and three ahead."""
    years = range(this_year - 10, this_year + 4)
    holidays_ = public_holidays(studio.country, studio.region, years)
    return Calendar(studio.zone_info(), studio.weekly(), holidays_ | closed_days(db))


def texts_of_steps(db: Connection) -> dict[str, tuple[str, str]]:
    """By step: when it is done, and what to watch out for, in the studio's own words."""
    rows = db.execute(select(step_texts))
    return {row.step: (row.done_when, row.watch_out) for row in rows}


def save_texts(db: Connection, step: str, done_when: str, watch_out: str) -> None:
    """Keep the studio's words for a step."""
    said = {"done_when": done_when, "watch_out": watch_out}
    new = upsert(step_texts).values(step=step, **said)
    db.execute(new.on_conflict_do_update(index_elements=["step"], set_=said))


def standing_closures(db: Connection) -> Sequence[Any]:
    """Closures that were not taken back, the latest first."""
    query = select(closures).where(closures.c.taken_back_at.is_(None))
    return db.execute(query.order_by(closures.c.first_day.desc())).all()


def add_closure(db: Connection, first: date, last: date, reason: str) -> int:
    """Keep a closure of whole days."""
    new = insert(closures).values(
        first_day=first.isoformat(), last_day=last.isoformat(), reason=reason
    )
    return int(db.execute(new.returning(closures.c.id)).scalar_one())


def take_back_closure(db: Connection, closure_id: int, now: int) -> Any | None:
    """Let a closure count no more; returns it, or None where none stands under that number."""
    these = (closures.c.id == closure_id) & closures.c.taken_back_at.is_(None)
    query = update(closures).where(these).values(taken_back_at=now)
    return db.execute(query.returning(closures)).first()


def latest_changes(db: Connection, of: Iterable[str], most: int) -> Sequence[Any]:
    """The latest changes of settings, with the name of who made them."""
    query = (
        select(changes, accounts.c.name)
        .join(accounts, accounts.c.id == changes.c.account_id, isouter=True)
        .where(changes.c.of.in_(list(of)))
    )
    return db.execute(query.order_by(changes.c.id.desc()).limit(most)).all()
