"""What customers say of what was made for them, passed on to those who made it."""

from collections.abc import Sequence
from typing import Any, Literal

from sqlalchemy import Connection, bindparam, insert, select, text, update
from sqlalchemy.engine import Row

from app.flow.changes import note
from app.shared.errors import AlreadyMoved, BadFields, NotFound
from app.shared.people import Person
from app.shared.web.fields import Day, Fields, Line, Reason
from app.studio.workshop import Workshop
from app.tables import customer_words

MAY_SHOW = {"not_asked": "not asked", "asked": "asked, no answer yet", "yes": "yes", "no": "no"}
_MOST = 100
# Of the pieces of some orders, who did what with hands.
_MAKERS = text(
    "SELECT DISTINCT p.order_id, a.name FROM transitions t JOIN accounts a ON a.id = t.account_id"
    " JOIN (SELECT id AS copy_id, NULL AS model_id, order_id FROM copies WHERE withdrawn = 0"
    "  UNION ALL SELECT NULL, id, order_id FROM models) p"
    " ON p.copy_id = t.copy_id OR p.model_id = t.model_id"
    " WHERE p.order_id IN :orders AND t.move IN ('model_finished', 'blank_done', 'shaped',"
    " 'painted', 'passed') ORDER BY a.name"
).bindparams(bindparam("orders", expanding=True))
_SAID = (
    "SELECT w.*, o.number, c.address_as, (SELECT group_concat(DISTINCT a.name) FROM order_animals"
    " oa JOIN animals a ON a.id = oa.animal_id WHERE oa.order_id = o.id) AS animals,"
    " (SELECT group_concat(k.letter || k.number, ', ') FROM copies k WHERE k.order_id = o.id AND"
    " k.withdrawn = 0 AND k.step IN ('handed_over', 'received')) AS pieces"
    " FROM customer_words w JOIN orders o ON o.id = w.order_id"
    " JOIN customers c ON c.id = o.customer_id WHERE w.gone_at IS NULL"
)
_NEWEST = text(f"{_SAID} ORDER BY w.said_at DESC, w.id DESC LIMIT {_MOST}")
_OF_ORDER = text(f"{_SAID} AND w.order_id = :order ORDER BY w.said_at DESC, w.id DESC")


class WordsFields(Fields):
    """What they said, in their own words, and whether pictures of it may be shown."""

    words: Reason
    may_show: Literal["not_asked", "asked", "yes", "no"] = "not_asked"
    show_what: Line
    show_on: Day


class PermissionFields(Fields):
    """Whether pictures of it may be shown: for what, and when they said so."""

    may_show: Literal["not_asked", "asked", "yes", "no"] = "not_asked"
    show_what: Line
    show_on: Day


def said(db: Connection, order_id: int | None = None) -> list[tuple[Row[Any], str]]:
    """What was said of all orders, or of one, the newest first, each with who made it."""
    rows = (
        db.execute(_NEWEST).all()
        if order_id is None
        else db.execute(_OF_ORDER, {"order": order_id}).all()
    )
    makers = _makers(db, [row.order_id for row in rows])
    return [(row, ", ".join(makers.get(row.order_id, ()))) for row in rows]


def _makers(db: Connection, orders: Sequence[int]) -> dict[int, list[str]]:
    found: dict[int, list[str]] = {}
    for row in db.execute(_MAKERS, {"orders": sorted(set(orders))}) if orders else ():
        found.setdefault(row.order_id, []).append(row.name.split(" ")[0])
    return found


def keep(workshop: Workshop, order_id: int, typed: WordsFields, who: Person, once: str) -> None:
    """Note what a customer said. Raises AlreadyMoved for a form that was sent twice."""
    permission = _permission(workshop, typed)
    with workshop.database.writing() as db:
        tapped = select(customer_words.c.id).where(customer_words.c.once == once)
        if once and db.execute(tapped).first() is not None:
            raise AlreadyMoved("That is already noted.")
        db.execute(
            insert(customer_words).values(
                order_id=order_id, words=typed.words, said_at=workshop.now(),
                noted_by_id=who.account_id, once=once or None, **permission,
            )
        )  # fmt: skip
    workshop.changed.set()


def _permission(workshop: Workshop, typed: WordsFields | PermissionFields) -> dict[str, Any]:
    """What is kept of a permission: a yes or no has a day, and a yes says for what.

    Raises BadFields where that is missing, or the day has not come yet.
    """
    now = workshop.now()
    today = workshop.in_force().calendar.day_of(now)
    if typed.may_show == "yes" and not typed.show_what:
        raise BadFields({"show_what": "For what? They said yes to something."})
    if typed.show_on is not None and typed.show_on > today:
        raise BadFields({"show_on": "That is in the future. A day up to today."})
    answered = typed.may_show != "not_asked"
    day = (typed.show_on or today).isoformat() if answered else None
    what = typed.show_what if answered else ""
    return {"may_show": typed.may_show, "show_what": what, "show_on": day}


def permit(
    workshop: Workshop, order_id: int, words_id: int, typed: PermissionFields, who: Person
) -> None:
    """Keep what they said of showing pictures, or that they take it back."""
    permission = _permission(workshop, typed)
    with workshop.database.writing() as db:
        row = _one(db, order_id, words_id)
        _write(db, words_id, permission)
        note(
            db, who.account_id, workshop.now(), "customer_words", "may be shown", row.may_show,
            typed.may_show, of_id=words_id, order_id=order_id,
        )  # fmt: skip
    workshop.changed.set()


def strike(workshop: Workshop, order_id: int, words_id: int) -> None:
    """They did not say that, or it is not for the house to read."""
    with workshop.database.writing() as db:
        _one(db, order_id, words_id)
        _write(db, words_id, {"gone_at": workshop.now()})
    workshop.changed.set()


def _write(db: Connection, words_id: int, values: dict[str, Any]) -> None:
    db.execute(update(customer_words).where(customer_words.c.id == words_id).values(values))


def _one(db: Connection, order_id: int, words_id: int) -> Any:
    c = customer_words.c
    its = (c.id == words_id) & (c.order_id == order_id) & c.gone_at.is_(None)
    row = db.execute(select(customer_words).where(its)).first()
    if row is None:
        raise NotFound("Nothing of that is noted.")
    return row
