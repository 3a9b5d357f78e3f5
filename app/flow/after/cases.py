"""Work on what had left the house: kept apart from lead times, taken back with what began it."""

from sqlalchemy import Connection, select, update

from app.tables import aftercare_cases, aftercare_copies

# What goes on in the place of a copy that a case is about, and whatever replaces that in turn.
_MADE = (
    "WITH RECURSIVE made(id) AS ("
    "SELECT k.made_id FROM aftercare_copies k JOIN aftercare_cases s ON s.id = k.case_id"
    " WHERE k.made_id IS NOT NULL{0}"
    " UNION SELECT c.id FROM copies c JOIN made ON c.replaces_id = made.id) SELECT id FROM made"
)
# All work of cases, and of it what is mended or only sent again.
OF_CASES = _MADE.format("")
REPAIRS = _MADE.format(" AND s.decided = 'repair'")
# What a repair or a copy made again for a case goes on for: its forerunner has ended.
FIRST_OF_CASES = "SELECT made_id FROM aftercare_copies WHERE made_id IS NOT NULL"
# Whether a copy, known as {0}, is a repair: what came back goes on, nothing is made anew.
MENDS = (
    "EXISTS (SELECT 1 FROM aftercare_copies mk JOIN aftercare_cases ms ON ms.id = mk.case_id"
    " WHERE mk.made_id = {0}.id AND ms.decided = 'repair')"
)
# A copy that was received, and in whose place another one goes on.
SUPERSEDED = (
    "SELECT k.copy_id FROM aftercare_copies k JOIN copies r ON r.id = k.made_id"
    " WHERE r.withdrawn = 0"
)


def put(db: Connection, case_id: int, copy_id: int, made_id: int) -> None:
    """A copy goes on in the place of one that a case is about."""
    its = (aftercare_copies.c.case_id == case_id) & (aftercare_copies.c.copy_id == copy_id)
    db.execute(update(aftercare_copies).where(its).values(made_id=made_id))


def withdrawn(db: Connection, copy_id: int) -> None:
    """A copy that was to go on in another's place never was: its case is to be decided again."""
    c = aftercare_copies.c
    cases = select(c.case_id).where(c.made_id == copy_id)
    _undecided(db, list(db.execute(cases).scalars()))
    db.execute(update(aftercare_copies).where(c.made_id == copy_id).values(made_id=None))


def not_given_up(db: Connection, copy_id: int) -> None:
    """A copy was not lost for good after all: the case that said so is to be decided again."""
    c = aftercare_copies.c
    its = select(c.case_id).join(aftercare_cases, aftercare_cases.c.id == c.case_id)
    given_up = aftercare_cases.c.decided == "nothing"
    _undecided(db, list(db.execute(its.where(c.copy_id == copy_id, given_up)).scalars()))


def _undecided(db: Connection, cases: list[int]) -> None:
    none = {"decided": None, "decided_at": None, "decided_by_id": None, "closed_at": None}
    db.execute(update(aftercare_cases).where(aftercare_cases.c.id.in_(cases)).values(none))
