"""Whatever is recorded, undone and corrected, in any order: the cached columns are what the log
says, and what was refused left no trace."""

import shutil
import tempfile
from pathlib import Path
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import insert, select

from app.flow import store
from app.flow.actions import Wish, begin_act, record, settle
from app.flow.amendments import Right, correct, undo
from app.flow.approvals import requiring
from app.flow.approvals.rules import Approves
from app.flow.legality import passed_gates
from app.flow.offers import offers
from app.flow.rules import PART, Kind, Policy, fold
from app.flow.stays import stays
from app.flow.steps import Of, Step
from app.flow.store import Ref
from app.shared.calendar import Calendar
from app.shared.database import Database
from app.shared.errors import Refused
from app.shared.people import Role
from app.tables import questions
from tests.making import CAST, NOW, Wanted, fingerprint, make_order, piece, rows

WANTED = [
    Wanted("Juniper", copies=2, step=Step.FINISHING),
    Wanted("Bramble", life="remembered"),
    Wanted("Quince", step=Step.READY, copies=2, copy_step=Step.INSPECTION),
    Wanted("Thistle", step=Step.FINISHING, copies=0, beside="A2"),
]
CALENDAR = Calendar(ZoneInfo("Europe/Berlin"))
DOINGS = st.lists(
    st.tuples(
        st.sampled_from(
            ["move", "move", "move", "speak", "approve", "undo", "undo", "time", "strike", "change"]
        ),
        st.integers(0, 10_000),
        st.integers(0, 500),
    ),
    min_size=15,
    max_size=15,
)  # fmt: skip


def refs(database: Database) -> list[Ref]:
    with database.reading() as db:
        return [
            Ref(of, number)
            for of, table in store.TABLE.items()
            for number in db.execute(select(table.c.id)).scalars().all()
        ]


def an_entry(database: Database, pick: int) -> int:
    """The newest entry more often than any other."""
    newest = rows(database, "SELECT max(id) FROM transitions")[0][0]
    return newest if pick % 2 else 1 + pick % newest


def a_fresh_entry(database: Database) -> int:
    """The newest entry of a kind that can be undone and was not."""
    found = rows(
        database,
        "SELECT coalesce(max(id), 1) FROM transitions t WHERE kind IN"
        " ('move', 'start', 'aside', 'hold', 'lift', 'told') AND NOT EXISTS (SELECT 1 FROM"
        " transitions u WHERE u.kind = 'undo' AND u.about_id = t.id)",
    )
    return found[0][0]


def wish_for(database: Database, pick: int, now: int) -> Wish | None:
    """Something that is offered for a piece that is still open."""
    pieces = [found for ref in refs(database) if (found := piece(database, ref)).state.open]
    if not pieces:
        return None
    chosen = pieces[pick % len(pieces)]
    offered = offers(chosen.state, Role.OWNER, Policy())
    offer = offered[pick // 7 % len(offered)]
    return Wish(
        chosen.ref, offer.kind, offer.key if offer.kind is Kind.MOVE else "",
        version=chosen.version, reason="a chip", whose="customer" if "whose" in offer.needs else "",
        cause="model" if pick % 3 == 0 else "", until=now + 900 if "until" in offer.needs else None,
        amount=7 if "parcel" in offer.needs else None,
    )  # fmt: skip


def do(database: Database, doing: str, pick: int, now: int) -> None:
    if doing == "move":
        if (wish := wish_for(database, pick, now)) is not None:
            record(database, [wish], CAST.owner, now)
    elif doing == "speak":
        everything = refs(database)
        kind = (Kind.ASK, Kind.ANSWER, Kind.TOLD)[pick % 3]
        asked = rows(database, "SELECT id, before_step FROM questions")
        question, named = asked[pick // 3 % len(asked)]
        before = Step(named) if named and kind is Kind.ASK else None
        chosen = everything[pick % len(everything)]
        wish = Wish(chosen, kind, question_id=question, before=before)
        if pick % 5 == 0 and kind is not Kind.TOLD:
            number = pick % 2 + 1
            wish = Wish(chosen, kind, PART, amount=number, before=before or Step.INSPECTION)
        record(database, [wish], CAST.desk, now)
    elif doing == "approve":
        with database.writing() as db:
            act = begin_act(db, CAST.desk, now)
            requiring.change_to(act, 1, list(Approves)[pick % 4])
            settle(act)
    elif doing == "undo":
        undo(
            database,
            a_fresh_entry(database) if pick % 4 else an_entry(database, pick),
            CAST.owner,
            now,
        )
    else:
        entry = an_entry(database, pick)
        happened = rows(database, "SELECT happened_at FROM transitions WHERE id = ?", entry)[0][0]
        right = {
            "time": Right(happened_at=happened + pick % 600 - 300),
            "strike": Right(struck=True),
            "change": Right(move=("good", "by_eye", "more_views", "passed")[pick % 4]),
        }[doing]
        correct(database, entry, right, CAST.owner, now)


def holds_together(database: Database, now: int) -> None:
    with database.reading() as db:
        for ref in refs(database):
            log, found = store.log_of(db, ref), store.load(db, ref)
            assert fold(ref.of, log) == found.state
            assert passed_gates(ref.of, log) == [], "nobody went past an open gate"
            assert [entry.seq for entry in log] == list(range(1, found.version + 1))
            for stay in stays(ref.of, log, CALENDAR, now):
                end = max(now, found.state.last_at) if stay.left is None else stay.left
                assert stay.seconds() == end - stay.entered
                assert min(stay.classes.values(), default=0) >= 0
    cached = rows(database, "SELECT (SELECT open FROM orders), EXISTS (SELECT 1 FROM models WHERE open"
                  " = 1) OR EXISTS (SELECT 1 FROM copies WHERE open = 1)")  # fmt: skip
    assert cached[0][0] == cached[0][1]
    # Every piece that was replaced has exactly one that stands for it, and no other has.
    found = rows(database, "SELECT c.id, c.step, (SELECT count(*) FROM copies n WHERE"
                 " n.replaces_id = c.id AND n.withdrawn = 0) FROM copies c")  # fmt: skip
    assert all(count == (step == "replaced") for _, step, count in found), found
    early = rows(database, "SELECT c.id FROM copies c JOIN copy_companions g ON g.copy_id = c.id"
                 " JOIN models m ON m.id IN (c.model_id, g.model_id) WHERE m.step <> 'ready'"
                 " AND c.withdrawn = 0 AND c.step NOT IN ('not_begun', 'cancelled')")  # fmt: skip
    assert early == [], "a group begins when all its models are ready"
    waits = rows(database, "SELECT c.gates, q.id FROM copies c JOIN orders o ON o.id = c.order_id"
                 " JOIN questions q ON q.copy_id = c.id AND q.round IS NOT NULL AND q.answered_at IS NULL"
                 " WHERE c.open = 1 AND o.approves IN ('paint', 'both') AND c.step = 'painting'"
                 " AND NOT EXISTS (SELECT 1 FROM transitions t WHERE t.copy_id = c.id AND"
                 " t.question_id = q.id AND t.kind = 'answer')")  # fmt: skip
    assert all(f"{question}:inspection" in (gates or "") for gates, question in waits), waits
    told = rows(database, "SELECT n.transition_id FROM news n WHERE taken_back_at IS NULL AND EXISTS"
                " (SELECT 1 FROM transitions t WHERE t.kind = 'undo' AND t.about_id ="
                " n.transition_id)")  # fmt: skip
    assert told == []


@settings(max_examples=20)
@given(DOINGS)
def test_the_cached_columns_are_what_the_log_says_whatever_was_done(template, doings):
    with tempfile.TemporaryDirectory() as folder:
        database = Database(Path(shutil.copyfile(template, Path(folder) / "studio.db")))
        made = make_order(database, CAST.desk, NOW, WANTED, approves="both")
        with database.writing() as db:
            for before in (None, "painting"):
                db.execute(insert(questions).values(
                    order_id=made.id, topic="x", asked="?", asked_at=NOW, before_step=before
                ))  # fmt: skip
        now = NOW
        for doing, pick, gap in doings:
            now += gap
            before = fingerprint(database.path)
            try:
                do(database, doing, pick, now)
            except Refused:
                assert fingerprint(database.path) == before
        holds_together(database, now)
        database.close()


def test_model_and_copies_are_all_looked_at(database):
    make_order(database, CAST.desk, NOW, WANTED)
    found = refs(database)
    assert [ref.of for ref in found].count(Of.MODEL) == 4
    assert len(found) == 9
