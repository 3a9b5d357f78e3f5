"""What time ends: photos, the texts of emails, and people who have not ordered for years.

It is shown on the page before it happens, and done by the nightly worker after the night's backup.
What went up to which moment stands in the list beside the key, so that it goes again where an older
backup brings it back.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, TextClause, bindparam, delete, text, update

from app import tables as t
from app.studio.workshop import Workshop
from app.upkeep.kept import erased_list, erasing, rules, store
from app.upkeep.kept.erased_list import PERSON, GoneForGood
from app.upkeep.kept.rows import theirs_of_orders
from app.upkeep.kept.rules import LETTERS, PEOPLE, PHOTOS
from app.upkeep.kept.what_goes import PHOTOS as ROWS_OF_PHOTOS

_ENDED = (
    "o.open = 0 AND (SELECT max(p.last_at) FROM (SELECT last_at, order_id FROM copies UNION ALL"
    " SELECT last_at, order_id FROM models) p WHERE p.order_id = o.id) < :until"
)
# Where an open order is made from a model of an older one, its photos are still worked from.
_PHOTOS = text(
    "SELECT o.id, o.number, c.name, (SELECT count(*) FROM pictures p WHERE p.order_id = o.id)"  # noqa: S608
    " + (SELECT count(*) FROM aftercare_pictures a JOIN aftercare_cases k ON k.id = a.case_id"
    " WHERE k.order_id = o.id) AS many"
    f" FROM orders o JOIN customers c ON c.id = o.customer_id WHERE {_ENDED} AND many > 0"
    " AND NOT EXISTS (SELECT 1 FROM aftercare_cases k WHERE k.order_id = o.id"
    " AND k.closed_at IS NULL)"
    " AND NOT EXISTS (SELECT 1 FROM pictures p JOIN picture_models pm ON pm.picture_id = p.id"
    " JOIN order_animals oa ON oa.model_id = pm.model_id JOIN orders other"
    " ON other.id = oa.order_id WHERE p.order_id = o.id AND other.open = 1) ORDER BY o.number"
)
_LETTERS = text(
    "SELECT l.id FROM letters l JOIN orders o ON o.id = l.order_id"
    " WHERE l.facts <> '' AND o.open = 0 AND l.state IN ('sent', 'dead', 'dropped')"
    " AND coalesce(l.sent_at, l.formed_at) < :until"
)
_PEOPLE = text(
    "SELECT c.id, c.name, c.made_at FROM customers c WHERE c.joined_into_id IS NULL"  # noqa: S608
    " AND c.erased_at IS NULL AND c.made_at < :until AND NOT EXISTS (SELECT 1 FROM orders o"
    f" WHERE o.customer_id = c.id AND (o.taken_at >= :until OR NOT ({_ENDED})))"
    " AND NOT EXISTS (SELECT 1 FROM past_pieces p WHERE p.customer_id = c.id"
    " AND p.ended_at >= :until) AND NOT EXISTS (SELECT 1 FROM contacts w"
    " WHERE w.customer_id = c.id AND w.at >= :until) ORDER BY c.name_key"
)


@dataclass(frozen=True, slots=True)
class DuePhotos:
    """An order whose photos are to go."""

    order_id: int
    number: int
    customer: str
    many: int


@dataclass(frozen=True, slots=True)
class ToGo:
    """What is to go now: photos by order, letters by number, people as (id, name, made at)."""

    photos: Sequence[DuePhotos]
    letters: Sequence[int]
    people: Sequence[tuple[int, str, int]]

    def __bool__(self) -> bool:
        return bool(self.photos or self.letters or self.people)


def due(db: Connection, until: Mapping[str, int]) -> ToGo:
    """What is older than the moment of its kind; a kind without one stays for ever."""

    def asked(kind: str, query: TextClause) -> Sequence[Any]:
        return db.execute(query, {"until": until[kind]}).all() if kind in until else []

    return ToGo(
        [DuePhotos(*row) for row in asked(PHOTOS, _PHOTOS)],
        [row.id for row in asked(LETTERS, _LETTERS)],
        [tuple(row) for row in asked(PEOPLE, _PEOPLE) if not store.unsettled(db, row.id)],
    )


def due_now(workshop: Workshop) -> ToGo:
    """What the coming night would let go, by the settings in force."""
    in_force = workshop.in_force()
    until = rules.cutoffs(in_force.settings.keeps, in_force.calendar, workshop.now())
    with workshop.database.reading() as db:
        return due(db, until)


def end(workshop: Workshop) -> None:
    """Let go what time ends, and note it. Raises CannotStart, OSError."""
    in_force, now = workshop.in_force(), workshop.now()
    until = rules.cutoffs(in_force.settings.keeps, in_force.calendar, now)
    if until:
        let_go(workshop, until)


def let_go(workshop: Workshop, until: Mapping[str, int], *, again: bool = False) -> bool:
    """Let go what is older than these moments; says whether there was anything."""
    now = workshop.now()
    with workshop.database.writing() as db:
        found = due(db, until)
        if not found:
            return False
        new = [GoneForGood(PERSON, id_, made_at) for id_, _, made_at in found.people]
        gone = {PHOTOS: found.photos, LETTERS: found.letters}
        new += [GoneForGood(kind, 0, until[kind]) for kind, rows in gone.items() if rows]
        erased_list.add(workshop.folder, new)
        if found.photos:
            _photos(db, workshop, found.photos, now, again=again)
        if found.letters:
            _letters(db, found.letters, now, again=again)
        for id_, _, _ in found.people:
            erasing.erase_in(db, workshop.folder, id_, None, now, again=again)
    workshop.database.take_in_log()
    workshop.changed.set()
    return True


def _photos(
    db: Connection, workshop: Workshop, rows: Sequence[DuePhotos], now: int, *, again: bool
) -> None:
    whose = theirs_of_orders(t.orders.c.id.in_([row.order_id for row in rows]))
    erasing.remove(workshop.folder, list(erasing.files(db, workshop.folder, whose)))
    for row in rows:
        erasing.remove_inbox(workshop.folder, row.number)
    for table, column in ROWS_OF_PHOTOS:
        db.execute(delete(table).where(whose.of(table, column)))
    checks = update(t.photo_checks).where(whose.of(t.photo_checks, "model_id"))
    db.execute(checks.values(result="{}", graph=""))
    erasing.note(db, PHOTOS, sum(row.many for row in rows), None, now, again=again)


def _letters(db: Connection, ids: Sequence[int], now: int, *, again: bool) -> None:
    empty = update(t.letters).where(t.letters.c.id == bindparam("of"))
    gone = empty.values(facts="", subject="", to_name="", remembered="", why="")
    db.execute(gone, [{"of": id_} for id_ in ids])
    erasing.note(db, LETTERS, len(ids), None, now, again=again)
