"""Changing what a studio can set. Each public function is one act; who and when is kept.

The caller forgets the workshop's settings afterwards (Workshop.forget).
"""

import json
import logging
from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

from sqlalchemy import Connection

from app.flow.changes import note
from app.flow.store import mark_forecasts_stale, mark_pages_stale
from app.shared.database import Database
from app.shared.errors import BadFields, NotFound
from app.shared.people import Person
from app.shared.web.forms import check
from app.shared.web.words import day
from app.studio import as_form, store
from app.studio.as_form import TypedClosure
from app.studio.rules import StudioSettings

log = logging.getLogger("likewright.studio")

# What a customer's page prints, and what a range is computed with.
_CONTACT = {"name", "contact_mail", "contact_phone", "contact_hours", "how_to_send_photos"}
_WEEKS = {"usual_weeks_from", "usual_weeks_to"}
_CALENDAR = {"zone", "hours", "country", "region"}
_ON_PAGES = frozenset(_CONTACT | _CALENDAR | _WEEKS)
_IN_FORECASTS = frozenset({*_CALENDAR, *_WEEKS, "capacity", "blank_on"})
MEANWHILE = "Somebody changed this while you were typing. Check it, then save again."


def save_settings(
    database: Database, new: StudioSettings, steps: Iterable[str], seen: str, me: Person, now: int
) -> None:
    """Save the settings. `seen` is the digest of what the form was filled with.

    Raises BadFields where they were changed meanwhile, with what stands now at each field.
    """
    steps = list(steps)
    with database.writing() as db:
        old = store.load(db)
        stands = as_form.flat(old, steps)
        if seen != as_form.digest(stands):
            raise BadFields(_what_stands(stands, as_form.flat(new, steps)))
        before = old.model_dump(mode="json")
        after = new.model_dump(mode="json", exclude=as_form.ELSEWHERE)
        changed = {name for name in after if after[name] != before.get(name)}
        store.save(db, after, old, me.account_id, now)
        _what_follows(db, changed)
    log.info("account %s changed settings: %s", me.account_id, ", ".join(sorted(changed)) or "none")


def _what_follows(db: Connection, changed: set[str]) -> None:
    if changed & _ON_PAGES:
        mark_pages_stale(db)
    if changed & _IN_FORECASTS:
        mark_forecasts_stale(db)


def save_some(database: Database, typed: Mapping[str, Any], me: Person, now: int) -> None:
    """Save some settings and leave the others. Raises BadFields for what will not do."""
    with database.writing() as db:
        old = store.load(db)
        new = check(StudioSettings, {**old.model_dump(), **typed}).model_dump(mode="json")
        before = old.model_dump(mode="json")
        changed = {name for name in typed if new[name] != before[name]}
        store.save(db, {name: new[name] for name in changed}, old, me.account_id, now)
        _what_follows(db, changed)
    log.info("account %s changed settings: %s", me.account_id, ", ".join(sorted(changed)) or "none")


def _what_stands(stands: Mapping[str, str], wished: Mapping[str, str]) -> dict[str, str]:
    differing = {
        name: f"It says “{value or 'nothing'}” now."
        for name, value in stands.items()
        if wished.get(name) != value
    }
    return {"": MEANWHILE, **differing}


def save_step_texts(
    database: Database, new: Mapping[str, tuple[str, str]], seen: str, me: Person, now: int
) -> None:
    """Save the studio's words for its steps. `seen` is the digest of what the form was filled with.

    Raises BadFields where they were changed meanwhile.
    """
    with database.writing() as db:
        old = store.texts_of_steps(db)
        if seen != as_form.digest(old):
            raise BadFields({"": MEANWHILE})
        for step, texts in new.items():
            before = old.get(step, ("", ""))
            if texts == before:
                continue
            store.save_texts(db, step, *texts)
            for field, was, is_ in zip(("done_when", "watch_out"), before, texts, strict=True):
                if was != is_:
                    what = f"{field}_{step}"
                    said = json.dumps(was), json.dumps(is_)
                    note(db, me.account_id, now, "step_texts", what, *said)
    log.info("account %s changed the words for steps", me.account_id)


def save_elsewhere(
    database: Database, name: str, new: Mapping[str, Any], seen: str, me: Person, now: int
) -> None:
    """Save a setting that has a page of its own, field by field. `seen` is the digest of what the
    form was filled with.

    Raises BadFields where it was changed meanwhile.
    """
    with database.writing() as db:
        old: Mapping[str, Any] = getattr(store.load(db), name)
        if seen != as_form.digest(old):
            raise BadFields({"": MEANWHILE})
        store.put(db, name, json.dumps(dict(new)), me.account_id, now)
        for field in sorted({*old, *new}):
            was, is_ = old.get(field, ""), new.get(field, "")
            if was != is_:
                said = json.dumps(was), json.dumps(is_)
                note(db, me.account_id, now, "settings", f"{name}_{field}", *said)
    log.info("account %s changed %s", me.account_id, name)


def add_closure(database: Database, closure: TypedClosure, me: Person, now: int) -> None:
    """Shut the house for whole days. Raises BadFields where it is shut then already."""
    with database.writing() as db:
        for other in store.standing_closures(db):
            first, last = date.fromisoformat(other.first_day), date.fromisoformat(other.last_day)
            if first <= closure.last_day and closure.first_day <= last:
                said = day(first) if first == last else f"{day(first)} to {day(last)}"
                raise BadFields({"first_day": f"The workshop is already closed on {said}."})
        closure_id = store.add_closure(db, closure.first_day, closure.last_day, closure.reason)
        said = _said(closure.first_day.isoformat(), closure.last_day.isoformat(), closure.reason)
        _calendar_changed(db, me, now, closure_id, "closed", said)
    log.info("account %s added closure %d", me.account_id, closure_id)


def take_back_closure(database: Database, closure_id: int, me: Person, now: int) -> None:
    """Open the house again on the days of a closure. Raises NotFound."""
    with database.writing() as db:
        found = store.take_back_closure(db, closure_id, now)
        if found is None:
            raise NotFound("There is no such closure. It may have been deleted already.")
        said = _said(found.first_day, found.last_day, found.reason)
        _calendar_changed(db, me, now, closure_id, "open_again", said)
    log.info("account %s took back closure %d", me.account_id, closure_id)


def _said(first: str, last: str, reason: str) -> str:
    days = first if first == last else f"{first} to {last}"
    return f"{days}, {reason}" if reason else days


def _calendar_changed(
    db: Connection, me: Person, now: int, closure_id: int, field: str, said: str
) -> None:
    note(db, me.account_id, now, "closures", field, None, json.dumps(said), of_id=closure_id)
    mark_pages_stale(db)
    mark_forecasts_stale(db)
