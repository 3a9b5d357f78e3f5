"""The rows from which orders' facts are made: a fixed number of queries, however many orders."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, bindparam, text
from sqlalchemy.engine import Row

from app.flow.after.cases import SUPERSEDED
from app.flow.gates import read
from app.flow.rules import Entry, Kind, TimeIs
from app.flow.steps import Step
from app.shared.people import first_name

_Row = Row[Any]


def _query(sql: str) -> Any:
    return text(sql).bindparams(bindparam("ids", expanding=True))


_ORDERS = _query(
    "SELECT o.*, c.address_as, c.name AS customer_name, w.put_at, w.typed, w.typed_on, w.begins_on,"
    " w.round AS begins_round, w.began_at, w.off_at FROM orders o"
    " JOIN customers c ON c.id = o.customer_id"
    " LEFT JOIN waiting_list w ON w.order_id = o.id WHERE o.id IN :ids"
)
# A model may come from another order than the one that it is used in.
_ANIMALS = _query(
    "SELECT oa.order_id AS for_order, oa.letter AS in_order, oa.animal_id,"
    " a.name, a.kind, a.sex, a.life, a.height, m.*"
    " FROM order_animals oa JOIN animals a ON a.id = oa.animal_id"
    " JOIN models m ON m.id = oa.model_id WHERE oa.order_id IN :ids ORDER BY oa.letter"
)
# A replaced copy lives on in the one that replaced it, and one that came back in its repair.
_COPIES = _query(
    "SELECT *, (SELECT s.decided FROM aftercare_copies k JOIN aftercare_cases s"  # noqa: S608
    " ON s.id = k.case_id WHERE k.made_id = copies.id) AS of_case,"
    " (SELECT group_concat(oa.letter, '') FROM copy_companions g JOIN order_animals oa"
    " ON oa.id = g.order_animal_id WHERE g.copy_id = copies.id) AS beside"
    " FROM copies WHERE order_id IN :ids AND withdrawn = 0 AND step <> 'replaced'"
    f" AND id NOT IN ({SUPERSEDED})"
    " ORDER BY letter, number, making"
)
# The versions of an animal's model that are not the one it is known by.
_VERSIONS = _query("SELECT * FROM models WHERE id IN :ids")
_MARKS = _query(
    "SELECT animal_id, what, side, place FROM marks"
    " WHERE animal_id IN :ids AND gone_at IS NULL ORDER BY id"
)
_VIEWS = _query(
    "SELECT model_id, attempt, number, wish FROM views_asked WHERE model_id IN :ids"
    " ORDER BY attempt, number"
)
_ENTRIES = (
    "SELECT {piece} AS piece, id, seq, kind, move, to_step, happened_at, recorded_at, time_is,"
    " act, account_id, amount, about_id, until FROM transitions WHERE {piece} IN :ids"
    " ORDER BY {piece}, seq"
)
_MODEL_LOG = _query(_ENTRIES.format(piece="model_id"))
_COPY_LOG = _query(_ENTRIES.format(piece="copy_id"))
# What is asked anew is required by the act that notes the no.
_QUESTIONS = _query(
    "SELECT id, order_id, model_id, copy_id, topic, asked, blocking, asked_at, channel, until_paid,"
    " round,"
    " overridden_at, EXISTS (SELECT 1 FROM questions b WHERE b.order_id = questions.order_id"
    " AND b.topic = questions.topic AND b.verdict = 'no' AND b.answered_at = questions.asked_at)"
    " AS after_no,"
    " (SELECT l.sent_at FROM news n JOIN letters l ON l.id = n.letter_id AND l.state = 'sent'"
    " WHERE n.order_id = questions.order_id AND n.kind = 'question' AND n.round = questions.id)"
    " AS sent_at, EXISTS (SELECT 1 FROM news n LEFT JOIN letters l ON l.id = n.letter_id"
    " WHERE n.order_id = questions.order_id AND n.kind = 'question' AND n.round = questions.id"
    " AND n.taken_back_at IS NULL AND (n.told_at IS NULL AND n.held_at IS NULL"
    " OR l.state IN ('waiting', 'sending'))) AS on_its_way FROM questions"
    " WHERE order_id IN :ids AND answered_at IS NULL AND dropped = 0 ORDER BY asked_at, id"
)
_PARCELS = _query(
    "SELECT id, way, carrier, number, sent_at, corrected_at, usual_first, usual_last FROM parcels"
    " WHERE id IN :ids AND taken_back_at IS NULL ORDER BY sent_at, id"
)
_NEWS = _query(
    "SELECT order_id, max(at) AS at FROM news WHERE order_id IN :ids AND taken_back_at IS NULL"
    " GROUP BY order_id"
)
_TELLINGS = _query(
    "SELECT t.*, (SELECT b.to_day FROM tellings b WHERE b.order_id = t.order_id"
    " AND b.id < t.id AND b.to_day IS NOT NULL ORDER BY b.at DESC, b.id DESC LIMIT 1)"
    " AS end_before,"
    " (SELECT b.cause FROM tellings b WHERE b.order_id = t.order_id AND b.answer IS NOT NULL"
    " ORDER BY b.at DESC, b.id DESC LIMIT 1) AS why_longer,"
    " (SELECT max(at) FROM changes WHERE of = 'closures') AS calendar_at"
    " FROM tellings t WHERE t.order_id IN :ids ORDER BY t.at, t.id"
)
# Of which the customer has yet to be told: from the first that is news still.
_CHANGES = _query(
    "SELECT c.id, c.order_id, c.of, c.of_id, c.field, c.before, c.after, c.asked_by FROM changes c"
    " JOIN (SELECT order_id, min(round) AS first FROM news WHERE kind = 'order_changed'"
    "  AND told_at IS NULL AND taken_back_at IS NULL GROUP BY order_id) n"
    " ON n.order_id = c.order_id AND c.id >= n.first"
    " WHERE c.order_id IN :ids AND c.tell = 1 ORDER BY c.id"
)
# What the customer lent; what was noted wrongly never was here.
_LENT = _query(
    "SELECT b.order_id, b.kind, b.what, b.way, b.returned_at, b.parcel_id, a.name AS animal"
    " FROM belongings b LEFT JOIN order_animals oa ON oa.id = b.order_animal_id"
    " LEFT JOIN animals a ON a.id = oa.animal_id"
    " WHERE b.order_id IN :ids AND b.gone_at IS NULL ORDER BY b.id"
)
# Cases that are open, or of what is lost for good, with the parcel and the animals of each.
_CASES = _query(
    "SELECT s.id, s.order_id, s.kind, s.said_by, s.opened_at, s.decided, s.parcel_id, p.way,"
    " p.carrier, p.number, p.sent_at, max(k.made_id IS NOT NULL) AS here,"
    " min(c.step = 'received' AND c.entered_at <= s.opened_at) AS came,"
    " group_concat(c.letter || c.number) AS codes"
    " FROM aftercare_cases s JOIN aftercare_copies k ON k.case_id = s.id"
    " JOIN copies c ON c.id = k.copy_id LEFT JOIN parcels p ON p.id = s.parcel_id"
    " WHERE s.order_id IN :ids AND (s.closed_at IS NULL OR s.kind = 'lost' AND"
    " s.decided = 'nothing') GROUP BY s.id ORDER BY s.id"
)
_PARTS = _query("SELECT id, kind, due_on FROM parts WHERE id IN :ids")
_FORECASTS = _query("SELECT * FROM forecasts WHERE order_id IN :ids")
_DELIVERIES = _query(
    "SELECT order_id, model_id, files_said FROM photo_deliveries WHERE order_id IN :ids"
    " ORDER BY told_at, id"
)
_PEOPLE = _query("SELECT id, name FROM accounts WHERE id IN :ids")


@dataclass(slots=True)
class Rows:
    """Rows by the id that they belong to."""

    orders: dict[int, _Row] = field(default_factory=dict)
    animals: dict[int, list[_Row]] = field(default_factory=dict)
    copies: dict[int, list[_Row]] = field(default_factory=dict)
    versions: dict[int, _Row] = field(default_factory=dict)
    marks: dict[int, list[_Row]] = field(default_factory=dict)
    views: dict[int, list[_Row]] = field(default_factory=dict)
    model_logs: dict[int, list[Entry]] = field(default_factory=dict)
    copy_logs: dict[int, list[Entry]] = field(default_factory=dict)
    questions: dict[int, list[_Row]] = field(default_factory=dict)
    parcels: dict[int, _Row] = field(default_factory=dict)
    news: dict[int, int] = field(default_factory=dict)
    tellings: dict[int, _Row] = field(default_factory=dict)
    forecasts: dict[int, _Row] = field(default_factory=dict)
    deliveries: dict[int, list[_Row]] = field(default_factory=dict)
    changes: dict[int, list[_Row]] = field(default_factory=dict)
    lent: dict[int, list[_Row]] = field(default_factory=dict)
    cases: dict[int, list[_Row]] = field(default_factory=dict)
    parts: dict[int, _Row] = field(default_factory=dict)
    first_names: dict[int, str] = field(default_factory=dict)


def load(db: Connection, order_ids: Sequence[int]) -> Rows:
    """Everything that the facts of some orders need: nineteen queries at most."""

    def ask(query: Any, ids: Iterable[int | None]) -> list[_Row]:
        wanted = sorted({id_ for id_ in ids if id_ is not None})
        return list(db.execute(query, {"ids": wanted})) if wanted else []

    rows = Rows()
    rows.orders = {row.id: row for row in ask(_ORDERS, order_ids)}
    animals, copies = ask(_ANIMALS, order_ids), ask(_COPIES, order_ids)
    rows.animals = _by(animals, lambda row: row.for_order)
    rows.copies = _by(copies, lambda row: row.order_id)
    rows.marks = _by(ask(_MARKS, (r.animal_id for r in animals)), lambda row: row.animal_id)
    rows.views = _by(ask(_VIEWS, (r.id for r in animals)), lambda row: row.model_id)
    others = {r.model_id for r in copies} - {r.id for r in animals}
    rows.versions = {row.id: row for row in ask(_VERSIONS, others)}
    rows.model_logs = _logs(ask(_MODEL_LOG, {*others, *(r.id for r in animals)}))
    rows.copy_logs = _logs(ask(_COPY_LOG, (r.id for r in copies)))
    rows.questions = _by(ask(_QUESTIONS, order_ids), lambda row: row.order_id)
    rows.parcels = {row.id: row for row in ask(_PARCELS, (r.parcel_id for r in copies))}
    rows.news = {row.order_id: row.at for row in ask(_NEWS, order_ids)}
    rows.tellings = {row.order_id: row for row in ask(_TELLINGS, order_ids)}
    rows.forecasts = {row.order_id: row for row in ask(_FORECASTS, order_ids)}
    rows.changes = _by(ask(_CHANGES, order_ids), lambda row: row.order_id)
    rows.lent = _by(ask(_LENT, order_ids), lambda row: row.order_id)
    rows.cases = _by(ask(_CASES, order_ids), lambda row: row.order_id)
    rows.deliveries = _by(ask(_DELIVERIES, order_ids), lambda row: row.order_id)
    gates = (gate for row in copies if row.gates for gate in read(row.gates))
    rows.parts = {row.id: row for row in ask(_PARTS, (gate.part for gate in gates))}
    hands = ask(_PEOPLE, (row.hand_id for row in [*animals, *copies, *rows.versions.values()]))
    # Of the staff a customer never reads more than a first name.
    rows.first_names = {row.id: first_name(row.name) for row in hands}
    return rows


def _by(rows: Iterable[_Row], key: Callable[[_Row], int]) -> dict[int, list[_Row]]:
    found: dict[int, list[_Row]] = {}
    for row in rows:
        found.setdefault(key(row), []).append(row)
    return found


def _logs(rows: Iterable[_Row]) -> dict[int, list[Entry]]:
    found: dict[int, list[Entry]] = {}
    for row in rows:
        found.setdefault(row.piece, []).append(
            Entry(
                row.id, row.seq, Kind(row.kind), row.happened_at, row.recorded_at,
                Step(row.to_step) if row.to_step is not None else None, row.move, row.act,
                by=row.account_id, time_is=TimeIs(row.time_is), amount=row.amount,
                about_id=row.about_id, until=row.until,
            )
        )  # fmt: skip
    return found
