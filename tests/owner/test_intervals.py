"""The classes in arrays against the rule for one piece, to the second."""

from collections import defaultdict
from datetime import date, datetime, time
from zoneinfo import ZoneInfo

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from app.flow.rules import Kind, after, effective
from app.flow.stays import stays
from app.flow.steps import Of, Step, TimeClass
from app.flow.store import Ref, log_of
from app.leadtimes.log import FINISHED, cases
from app.leadtimes.working import split
from app.orders.forecast import record
from app.owner import store
from app.owner.intervals import CLASS_LIST, STEP_CODE, classed, intervals
from app.owner.spans import spans_of
from app.owner.ways import rows_of, ways
from app.shared.calendar import DAY, Calendar

LONDON = ZoneInfo("Europe/London")


def moment(*when: int) -> int:
    return int(datetime(*when, tzinfo=LONDON).timestamp())


@given(
    st.integers(moment(2026, 3, 20), moment(2026, 4, 8)), st.integers(0, 20 * DAY),
    st.sampled_from([((time(9), time(17)),), ((time(0), time(3)), (time(4), time(0)))]),
)  # fmt: skip
def test_spans_count_the_seconds_that_the_calendar_counts_over_a_clock_change(start, long, hours):
    calendar = Calendar(LONDON, dict.fromkeys(range(7), hours), frozenset({date(2026, 4, 3)}))
    found = spans_of(calendar, start, start + long)
    pair = np.array([start]), np.array([start + long])
    assert found.work.between(*pair)[0] == calendar.working_seconds(start, start + long)
    assert found.closed.between(*pair)[0] == calendar.closed_seconds(start, start + long)


def test_every_stay_has_the_classes_that_the_rule_for_one_piece_gives_it(workshop):
    calendar, now = workshop.in_force().calendar, workshop.now()
    with workshop.database.reading() as db:
        raw = store.since(db, 0)
        hours = spans_of(calendar, int(raw.entries.at.min()), now)
        found, pieces = intervals(raw.entries), ways(raw.copies, raw.entries, hours)
        sisters = {2 * c + 1: int(pieces.sisters[row]) for c, row in rows_of(raw.copies).items()}
        by_interval = np.array([sisters.get(piece, 0) for piece in found.piece.tolist()])
        by_class = classed(found, by_interval, hours)
        ours = defaultdict(lambda: np.zeros(len(CLASS_LIST), dtype=int))
        for piece, step, row in zip(
            found.piece.tolist(), found.step.tolist(), by_class, strict=True
        ):
            ours[piece, step] += row
        for piece in np.unique(found.piece).tolist():
            ref = Ref(Of.COPY if piece % 2 else Of.MODEL, piece // 2)
            ready = sisters.get(piece, 0)
            rest = [(0, ready)] if ready else []
            theirs = defaultdict(lambda: np.zeros(len(CLASS_LIST), dtype=int))
            for stay in stays(ref.of, log_of(db, ref), calendar, now, rest):
                if stay.left is not None:
                    for kind, seconds in stay.classes.items():
                        theirs[STEP_CODE[stay.step]][CLASS_LIST.index(kind)] += seconds
            last = found.step[np.flatnonzero(found.piece == piece)[-1]]
            for step, seconds in theirs.items():
                if step != last:
                    assert (ours[piece, step] == seconds).all(), (ref, step)
    kinds = {CLASS_LIST[n] for n in np.flatnonzero(by_class.sum(axis=0))}
    assert kinds == set(TimeClass), "the invented history knows every class"


def test_the_seconds_of_a_way_add_up_to_its_lead_time(workshop):
    with workshop.database.reading() as db:
        raw = store.since(db, 0)
    hours = spans_of(workshop.in_force().calendar, int(raw.entries.at.min()), workshop.now())
    found = ways(raw.copies, raw.entries, hours)
    assert found.whole.sum() > 100
    assert (found.seconds.sum(axis=(1, 2)) == np.where(found.whole, found.lead, 0)).all()
    assert (found.seconds >= 0).all()
    assert not found.seconds[:, STEP_CODE[Step.NOT_BEGUN]].any(), "no second is lost between steps"


def test_ways_begin_and_end_as_the_record_for_the_forecast_says(workshop):
    with workshop.database.reading() as db:
        known = cases(record.read(db).log)
        raw = store.since(db, 0)
    hours = spans_of(workshop.in_force().calendar, int(raw.entries.at.min()), workshop.now())
    found = ways(raw.copies, raw.entries, hours)
    place = np.searchsorted(known.piece, found.root)
    assert (known.piece[place] == found.root).all()
    assert len(found) == known.piece.size
    assert (known.outcome[place] == found.outcome).all()
    assert (np.nan_to_num(known.ended[place]) == found.ended).all()
    own = found.known_from == found.started
    assert (known.started[place] == found.started)[own].all()
    assert (found.outcome == FINISHED).sum() > 100


def test_hands_read_for_all_are_those_that_folding_each_log_gives(workshop):
    now = workshop.now()
    with workshop.database.reading() as db:
        found = store.hands(db, 0, now)
        pieces = {one.piece for one in found.held}
        assert len(pieces) > 100
        for piece in sorted(pieces)[::7]:
            of = Of.COPY if piece % 2 else Of.MODEL
            state, since, theirs = None, None, []
            for entry in effective(log_of(db, Ref(of, piece // 2))):
                before, state = state, after(of, state, entry)
                if since is not None and (
                    entry.kind in (Kind.START, Kind.HOLD) or not state.in_hand
                ):
                    theirs.append((before.step, before.hand_id, since, entry.happened_at))
                    since = None
                hands = state.in_hand and not state.in_batch
                if hands and not state.held and since is None:
                    since = entry.happened_at
            if since is not None:
                theirs.append((state.step, state.hand_id, since, now))
            ours = [(h.step, h.person, h.start, h.end) for h in found.held if h.piece == piece]
            assert ours == theirs, piece
    worked = split(found.held, workshop.in_force().calendar)
    assert 0 < sum(one.assumed for one in worked) < len(worked)
