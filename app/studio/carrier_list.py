"""The studio's list of carriers in the database: reading it, and changing it. Each public function
that changes it is one act; the caller forgets the workshop's settings afterwards."""

import json
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import AfterValidator
from pydantic import Field as Limits
from sqlalchemy import Connection, insert, select, update

from app.flow.changes import note
from app.flow.store import mark_forecasts_stale, mark_pages_stale
from app.shared.carriers import (
    LONGEST_ADDRESS,
    Carrier,
    check_tracking,
    read_countries,
    read_days,
    said_days,
)
from app.shared.database import Database
from app.shared.errors import BadFields, NotFound
from app.shared.people import Person
from app.shared.text import fold
from app.shared.web.fields import Fields, Line, Name, Short, Tick, Words
from app.studio import as_form
from app.studio.actions import MEANWHILE
from app.tables import carriers

MOST_CARRIERS = 40
# What each field is called where changes are listed.
_CALLED = {
    "name": "name", "tracking": "tracking address", "number_form": "tracking numbers",
    "days_are": "kind of days", "home": "days at home", "abroad": "days abroad",
    "countries": "days by country", "claim_days": "claim within", "texts": "messages",
    "place": "place in the list",
}  # fmt: skip
_LONGEST_NAME = 60


def _tracking(value: str) -> str:
    return check_tracking(value)


class CarrierFields(Fields):
    """A carrier as typed. `home`, `abroad` and `countries` are days on the way."""

    name: Name
    tracking: Annotated[Line, AfterValidator(_tracking)]
    number_form: Literal["none", "s10", "sscc", "digits22"] = "none"
    days_are: Literal["working", "calendar"] = "working"
    home: Short
    abroad: Short
    countries: Words
    claim_days: Short
    texts: Tick
    place: Annotated[int, Limits(default=1, ge=1, le=MOST_CARRIERS)]
    seen: Line


def load(db: Connection) -> tuple[Carrier, ...]:
    """The carriers of the list, the usual one first."""
    query = select(carriers).where(carriers.c.gone_at.is_(None))
    rows = db.execute(query.order_by(carriers.c.place, carriers.c.id))
    return tuple(_carrier(row) for row in rows)


def _carrier(row: Any) -> Carrier:
    working = row.days_are == "working"
    return Carrier(
        row.id, row.name, row.tracking, row.number_form,
        read_days(row.home, working=working), read_days(row.abroad, working=working),
        read_countries(row.countries, working=working), row.claim_days, bool(row.texts),
    )  # fmt: skip


def typed_of(db: Connection, carrier_id: int) -> dict[str, str]:
    """A carrier as its form shows it. Raises NotFound."""
    these = (carriers.c.id == carrier_id) & carriers.c.gone_at.is_(None)
    row = db.execute(select(carriers).where(these)).mappings().first()
    if row is None:
        raise NotFound("There is no such carrier. It may have been taken off the list.")
    claim = row["claim_days"]
    shown = ("name", "tracking", "number_form", "days_are", "home", "abroad", "countries", "place")
    return {
        **{name: str(row[name]) for name in shown},
        "claim_days": "" if claim is None else str(claim),
        "texts": "1" if row["texts"] else "",
    }


def save(
    database: Database, carrier_id: int | None, typed: CarrierFields, who: Person, now: int
) -> None:
    """Put a carrier on the list, or change the one of a number.

    Raises BadFields for what will not do, for a name that stands there already, or where somebody
    changed it meanwhile; NotFound.
    """
    row = _row(typed)
    with database.writing() as db:
        standing = load(db)
        if any(fold(one.name) == fold(typed.name) and one.id != carrier_id for one in standing):
            raise BadFields({"name": "There is a carrier of that name on the list already."})
        before = {} if carrier_id is None else typed_of(db, carrier_id)
        if carrier_id is None:
            if len(standing) >= MOST_CARRIERS:
                raise BadFields({"": f"{MOST_CARRIERS} carriers at most. Take one off first."})
            made = db.execute(insert(carriers).values(row)).inserted_primary_key
            assert made is not None
            carrier_id = int(made[0])
        elif typed.seen != as_form.digest(before):
            raise BadFields({"": MEANWHILE})
        else:
            db.execute(update(carriers).where(carriers.c.id == carrier_id).values(row))
        _noted(db, who, now, carrier_id, before, typed_of(db, carrier_id))


def _row(typed: CarrierFields) -> dict[str, Any]:
    """The row of a carrier, its days in one form. Raises BadFields."""
    wrong: dict[str, str] = {}
    row = typed.model_dump(exclude={"seen"}) | {"texts": int(typed.texts)}
    if len(typed.tracking) > LONGEST_ADDRESS:
        wrong["tracking"] = f"{LONGEST_ADDRESS} characters at most."
    if len(typed.name) > _LONGEST_NAME:
        wrong["name"] = f"{_LONGEST_NAME} characters at most."
    working = typed.days_are == "working"
    for name in ("home", "abroad"):
        try:
            row[name] = said_days(read_days(row[name], working=working))
        except ValueError as why:
            wrong[name] = str(why)
    try:
        found = read_countries(typed.countries, working=working)
        row["countries"] = "\n".join(f"{code} {said_days(days)}" for code, days in found.items())
    except ValueError as why:
        wrong["countries"] = str(why)
    claim = typed.claim_days
    plain = claim.isascii() and claim.isdecimal() and len(claim) <= 3
    if claim and not (plain and 1 <= int(claim) <= 365):
        wrong["claim_days"] = "A whole number of days from 1 to 365, please, or nothing."
    if wrong:
        raise BadFields(wrong)
    row["claim_days"] = int(claim) if claim else None
    return row


def take_off(database: Database, carrier_id: int, who: Person, now: int) -> None:
    """Take a carrier off the list; parcels that went with it keep its name. Raises NotFound."""
    with database.writing() as db:
        before = typed_of(db, carrier_id)
        db.execute(update(carriers).where(carriers.c.id == carrier_id).values(gone_at=now))
        _noted(db, who, now, carrier_id, before, {})


def _noted(
    db: Connection, who: Person, now: int, carrier_id: int,
    before: Mapping[str, str], after: Mapping[str, str],
) -> None:  # fmt: skip
    """Who changed what; customers' days and the chances follow."""
    name = after.get("name") or before["name"]
    for field, label in _CALLED.items():
        was, is_ = before.get(field, ""), after.get(field, "")
        # One that comes or goes is one line.
        if was != is_ and (field == "name" or (before and after)):
            said = json.dumps(was), json.dumps(is_)
            note(
                db, who.account_id, now, "carriers", f"Carrier {name}, {label}", *said,
                of_id=carrier_id,
            )  # fmt: skip
    mark_pages_stale(db)
    mark_forecasts_stale(db)
