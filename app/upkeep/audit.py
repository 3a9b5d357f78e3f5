"""The audit: everything that is cached, recomputed from the log and compared.

It reads one snapshot, beside a running server too. It takes no lock, migrates nothing and writes
nothing.
"""

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy import Connection
from sqlalchemy.exc import DatabaseError

from app.flow.steps import Of, piece_code
from app.photos.pictures.audit import check_pictures
from app.shared.calendar import Calendar
from app.shared.differences import Difference, Reading
from app.shared.places import DataFolder
from app.shared.tokens import key_fingerprint
from app.studio.rules import StudioSettings
from app.studio.workshop import InForce, in_force_at
from app.upkeep import keys
from app.upkeep.looking import is_at_rest, looking_at, raw_of, stamp
from app.upkeep.replay import Tally, named, pieces_of

# The clock of another machine may be a little ahead.
_CLOCKS_DIFFER = 300


PageChecks = Callable[[Reading, Path, InForce, int], tuple[int, Sequence[Difference]]]
"""Compares the customers' pages: given a way to read, the pages file, the studio's settings and
calendar, and now, it says how many pages it compared, and what differs."""

_OPEN = """
SELECT o.id, o.open, o.right FROM (
  SELECT o.id, o.open,
    EXISTS (SELECT 1 FROM models m WHERE m.order_id = o.id AND m.open = 1)
    OR EXISTS (SELECT 1 FROM copies c WHERE c.order_id = o.id AND c.open = 1)
    OR EXISTS (SELECT 1 FROM belongings b WHERE b.order_id = o.id AND b.returned_at IS NULL
      AND b.gone_at IS NULL) AS right
  FROM orders o) o WHERE o.open <> o.right
"""
_ACTS_BEGIN = """
SELECT t.id, t.act FROM transitions t LEFT JOIN transitions f ON f.id = t.act
WHERE f.id IS NULL OR f.act <> f.id OR t.act > t.id
"""
_ACTS_APART = """
SELECT act, count(*), max(id) - min(id) + 1 FROM transitions
GROUP BY act HAVING count(*) <> max(id) - min(id) + 1
"""
_BEFORE_RECORDED = """
SELECT id, happened_at, recorded_at FROM transitions WHERE happened_at > recorded_at
"""
_IN_THE_FUTURE = "SELECT id, recorded_at FROM transitions WHERE recorded_at > ?"
_NAMES_ITS_OWN = """
SELECT t.id, t.about_id FROM transitions t JOIN transitions a ON a.id = t.about_id
WHERE t.model_id IS NOT a.model_id OR t.copy_id IS NOT a.copy_id OR a.seq >= t.seq
"""
# What was entered when it had left already, or imported so, may have gone without a parcel here.
_WITHOUT_PARCEL = """
SELECT c.id, c.step FROM copies c WHERE c.parcel_id IS NULL AND c.withdrawn = 0
AND c.step IN ('handed_over', 'received')
AND EXISTS (SELECT 1 FROM transitions t WHERE t.copy_id = c.id
  AND t.move = 'handed_over' AND t.time_is <> 'imported')
"""


_FINDS_NOTHING = """
SELECT f.id, f.transition_id FROM findings f LEFT JOIN transitions t ON t.id = f.transition_id
  AND t.copy_id = f.copy_id
  AND (t.kind = 'finding' OR t.move = 'remake' OR t.move LIKE 'back_to_%') WHERE t.id IS NULL
"""
# Only what is still being made: nobody can do anything about the pose of what has left.
_TWO_POSES = """
SELECT o.number, m.letter, group_concat(DISTINCT c.pose) FROM models m
JOIN copies c ON c.model_id = m.id AND c.withdrawn = 0 AND c.open = 1 AND c.pose <> ''
JOIN orders o ON o.id = m.order_id
WHERE m.pose IS NULL AND m.step NOT IN ('photos_wanted', 'photos_in', 'building', 'assessing')
GROUP BY m.id HAVING count(DISTINCT lower(c.pose)) > 1 ORDER BY o.number, m.letter
"""
# On the base of a copy stand animals of its own order, with a model of theirs.
_OTHER_ORDER = """
SELECT g.copy_id, oa.order_id FROM copy_companions g JOIN copies c ON c.id = g.copy_id
JOIN order_animals oa ON oa.id = g.order_animal_id JOIN models m ON m.id = g.model_id
WHERE oa.order_id <> c.order_id OR oa.animal_id <> m.animal_id OR oa.letter = c.letter
"""
_BEGUN_EARLY = """
SELECT DISTINCT c.id, c.step FROM copies c JOIN copy_companions g ON g.copy_id = c.id
JOIN models m ON m.id IN (c.model_id, g.model_id)
WHERE m.step <> 'ready' AND c.withdrawn = 0 AND c.step NOT IN ('not_begun', 'cancelled')
"""


@dataclass(frozen=True, slots=True)
class AuditResult:
    """What was looked at, how much of it, and what differs.

    `to_look_at` is what agrees with the log, but wants a person: in sentences.
    """

    ok: bool
    counts: dict[str, int]
    differences: list[Difference]
    to_look_at: list[str] = field(default_factory=list)


def audit(
    folder: DataFolder,
    now: int,
    page_checks: PageChecks | None = None,
    *,
    with_pictures: bool = False,
    with_key: bool = False,
) -> AuditResult:
    """Recompute everything cached in a studio's database; with `page_checks` its pages, and
    with `with_pictures` read every original. `with_key` asks whether the key file is the one that
    the links were made with.

    Raises CannotStart where there is no database, or not one of this program's version.
    """
    path = folder.database_file
    if not path.exists():
        raise folder.missing()
    if is_at_rest(path):
        before = stamp(path)
        result = _audit(folder, now, page_checks, with_pictures, with_key, at_rest=True)
        # Where a server has started in the meantime, what was read may be half old, half new.
        if stamp(path) == before:
            return result
    return _audit(folder, now, page_checks, with_pictures, with_key, at_rest=False)


def _audit(
    folder: DataFolder,
    now: int,
    page_checks: PageChecks | None,
    with_pictures: bool,
    with_key: bool,
    *,
    at_rest: bool,
) -> AuditResult:
    counts: dict[str, int] = {}
    with looking_at(folder.database_file, at_rest=at_rest) as reading:
        found = list(_of_the_file(reading))
        if any(difference.field == "integrity" for difference in found):
            return AuditResult(False, counts, found)
        with reading() as db:
            in_force, troubles = _studio(db, now)
            found += troubles
            found += _of_the_log(raw_of(db), in_force.calendar, now, counts)
            look = _two_poses(raw_of(db))
            if with_key:
                found += _of_the_key(raw_of(db), folder)
        if page_checks is not None:
            counts["pages"], differ = page_checks(reading, folder.pages, in_force, now)
            found += differ
        if with_pictures:
            counts["pictures"], lost = check_pictures(reading, folder.pictures)
            found += lost
    return AuditResult(not found, counts, found, look)


def _two_poses(raw: sqlite3.Connection) -> list[str]:
    """Models whose copies are in two poses: the pose of one of them is to be put right."""
    return [
        f"{piece_code(number, letter)}: copies of one model are in two poses ({poses}). Put them "
        "right with “Edit this order” on its page."
        for number, letter, poses in raw.execute(_TWO_POSES)
    ]


def _of_the_key(raw: sqlite3.Connection, folder: DataFolder) -> Iterator[Difference]:
    """A key file that is lost or another one, where links were given out."""
    key = folder.key if folder.key_file.exists() else None
    if keys.given_out(raw).orders and (key is None or not keys.is_the_studios_own(raw, key)):
        found = None if key is None else key_fingerprint(key)
        yield Difference("key", 0, "fingerprint", keys.kept_fingerprint(raw), found)


def _of_the_file(reading: Reading) -> Iterator[Difference]:
    """SQLite's own checks."""
    try:
        with reading() as db:
            for (line,) in raw_of(db).execute("PRAGMA integrity_check"):
                if line != "ok":
                    yield Difference("file", 0, "integrity", line, "ok")
            for table, row_id, parent, _ in raw_of(db).execute("PRAGMA foreign_key_check"):
                yield Difference(
                    table, row_id or 0, "reference", f"a row of {parent}", "no such row"
                )
    except (sqlite3.DatabaseError, DatabaseError) as why:
        yield Difference("file", 0, "integrity", str(why), "ok")


def _studio(db: Connection, now: int) -> tuple[InForce, list[Difference]]:
    """Settings and calendar; where they cannot be read, the defaults and what is wrong."""
    try:
        return in_force_at(db, now), []
    except ValueError as why:
        settings = StudioSettings()
        wrong = Difference("settings", 0, "value", str(why).split("\n", 1)[0], "readable")
        return InForce(settings, Calendar(settings.zone_info())), [wrong]


def _of_the_log(
    raw: sqlite3.Connection, calendar: Calendar, now: int, counts: dict[str, int]
) -> list[Difference]:
    found: list[Difference] = []
    whole = Tally()
    for of in Of:
        tally = Tally()
        found += pieces_of(raw, of, calendar, now, tally)
        counts["models" if of is Of.MODEL else "copies"] = tally.pieces
        whole.transitions += tally.transitions
        whole.stays += tally.stays
    counts |= {"transitions": whole.transitions, "stays": whole.stays}
    counts["orders"] = raw.execute("SELECT count(*) FROM orders").fetchone()[0]
    counts["acts"] = raw.execute("SELECT count(DISTINCT act) FROM transitions").fetchone()[0]
    found += named("order", "open", None, raw.execute(_OPEN))
    found += named("transition", "act", "the first entry of its act", raw.execute(_ACTS_BEGIN))
    found += named("act", "entries", None, raw.execute(_ACTS_APART))
    found += named("transition", "happened_at", None, raw.execute(_BEFORE_RECORDED))
    found += named("copy", "parcel", "the one it left in", raw.execute(_WITHOUT_PARCEL))
    found += named("copy", "on its base", "animals of its order", raw.execute(_OTHER_ORDER))
    found += named("copy", "step", "not begun, like its models", raw.execute(_BEGUN_EARLY))
    found += named("finding", "entry", "one that found it", raw.execute(_FINDS_NOTHING))
    late = raw.execute(_IN_THE_FUTURE, (now + _CLOCKS_DIFFER,))
    found += named("transition", "recorded_at", "not after now", late)
    found += named("transition", "about_id", "an earlier one of it", raw.execute(_NAMES_ITS_OWN))
    return found
