"""How good the check is: sets against their truth, shares with n, and words where n is small."""

from datetime import UTC, date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import insert
from statsmodels.stats.proportion import proportion_confint

from app.flow.rules import Entry, Kind
from app.flow.steps import Step
from app.photos.check.record import (
    OUTCOMES,
    VERDICTS,
    Check,
    Judged,
    Share,
    first_time,
    judged_of,
    lost_days,
    record,
    right,
)
from app.tables import photo_checks
from tests.making import CAST, DAY, NOW, Wanted, make_order, walk
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import words

ENDS = {
    "photos_counted": Step.PHOTOS_IN, "build_started": Step.BUILDING, "good": Step.FINISHING,
    "build_finished": Step.ASSESSING, "build_failed": Step.ASSESSING, "limits": Step.FINISHING,
    "build_stopped": Step.PHOTOS_IN, "no_build": Step.ASSESSING, "by_eye": Step.FINISHING,
    "more_views": Step.PHOTOS_WANTED, "new_set": Step.PHOTOS_WANTED, "build_again": Step.PHOTOS_IN,
}  # fmt: skip


def day_of(moment: int) -> date:
    return datetime.fromtimestamp(moment, UTC).date()


def log(*moves: str) -> list[Entry]:
    """A log with an hour between its moves, begun at photos wanted."""
    entries = [Entry(1, 1, Kind.ENTER, 0, 0, Step.PHOTOS_WANTED)]
    for n, move in enumerate(moves, start=2):
        at = (n - 1) * 3_600
        entries.append(Entry(n, n, Kind.MOVE, at, at, ENDS[move], move))
    return entries


BUILT = ("photos_counted", "build_started", "build_finished")


@pytest.mark.parametrize(
    ("moves", "outcomes"),
    [
        ((*BUILT, "good"), ["good"]),
        ((*BUILT, "limits"), ["limits"]),
        ((*BUILT, "more_views", *BUILT, "good"), ["asked", "good"]),
        (("photos_counted", "more_views", *BUILT, "good"), ["stopped", "good"]),
        (("photos_counted", "no_build", "by_eye"), ["by_eye"]),
        (("photos_counted", "no_build", "new_set"), ["stopped"]),
        (("photos_counted", "build_started", "build_failed", "more_views"), ["asked"]),
        (("photos_counted", "build_started", "build_stopped", "more_views"), ["stopped"]),
        ((*BUILT, "build_again", "build_started", "build_finished", "good"), ["good"]),
        ((*BUILT, "good", "more_views", *BUILT, "good"), ["asked", "good"]),
        (("photos_counted", "build_started"), []),
    ],
)
def test_what_became_of_each_set_is_read_from_the_log(moves, outcomes) -> None:
    found = judged_of(7, log(*moves), [])
    assert [one.outcome for one in found] == outcomes
    assert [one.number for one in found] == list(range(1, len(outcomes) + 1))


def test_a_set_is_held_to_the_last_check_before_its_build() -> None:
    checks = [Check(10, "doubtful"), Check(3_700, "will do"), Check(9_000, "will not do")]
    [one] = judged_of(7, log(*BUILT, "good"), checks)
    assert one.verdict == "will do"


def test_a_second_set_is_not_held_to_the_check_of_the_first() -> None:
    checks = [Check(3_700, "will do")]
    first, second = judged_of(7, log(*BUILT, "more_views", *BUILT, "good"), checks)
    assert (first.verdict, second.verdict) == ("will do", "")


def test_days_lost_run_from_the_first_asking_to_the_passing() -> None:
    moves = (*BUILT, "more_views", *BUILT, "more_views", *BUILT, "good")
    assert lost_days(log(*moves)) == pytest.approx(8 / 24)
    assert lost_days(log(*BUILT, "good")) is None
    assert lost_days(log(*BUILT, "more_views")) is None


def sets(verdict: str, outcome: str, count: int, codes: tuple[str, ...] = ()) -> list[Judged]:
    return [Judged(n, 1, outcome, DAY, Check(1, verdict, codes)) for n in range(count)]


def test_below_twenty_a_share_is_said_in_words_only() -> None:
    assert str(Share(14, 19)) == "14 of 19, too few for a share"
    assert str(Share(0, 0)) == "nothing to count yet"
    low, high = proportion_confint(15, 20, method="wilson")
    said = f"75 % (15 of 20), likely between {low * 100:.0f} % and {high * 100:.0f} %"
    assert str(Share(15, 20)) == said


def test_stopped_sets_doubtful_ones_and_by_eye_are_not_in_the_share() -> None:
    all_ = [
        *sets("will do", "good", 3), *sets("will do", "asked", 1), *sets("will do", "stopped", 9),
        *sets("will not do", "asked", 2), *sets("will not do", "limits", 1),
        *sets("will not do", "stopped", 8), *sets("doubtful", "good", 5),
        *sets("will do", "by_eye", 4),
    ]  # fmt: skip
    assert right(all_) == Share(5, 7)
    assert record(all_, [], day_of).table["will not do"]["stopped"] == 8


def test_first_sets_that_were_stopped_did_not_do() -> None:
    assert first_time([*sets("", "good", 2), *sets("", "stopped", 1)]) == Share(2, 3)


def test_a_reason_that_most_good_sets_had_is_named_once_there_are_enough() -> None:
    few = [*sets("doubtful", "good", 18, ("gap",)), *sets("doubtful", "asked", 1, ("gap",))]
    assert "too few" in record(few, [], day_of).advice[0]
    many = [*sets("doubtful", "good", 24, ("gap",)), *sets("doubtful", "asked", 4, ("gap",))]
    [said] = record(many, [], day_of).advice
    assert said.startswith("Of 28 sets built in spite of “views missing”, 24 were good.")
    [one] = record(many, [], day_of).reasons
    assert len(one.went_otherwise) == 24


def test_a_check_that_is_too_mild_is_said() -> None:
    mild = [*sets("will do", "good", 20), *sets("will do", "asked", 10)]
    assert (
        record(mild, [], day_of)
        .advice[0]
        .startswith("Of 30 sets that the check called usable, 10 were not.")
    )
    fair = [*sets("will do", "good", 40), *sets("will do", "asked", 1)]
    assert record(fair, [], day_of).advice == ["Nothing here speaks for changing a threshold."]


@given(
    st.lists(
        st.builds(
            Judged, st.integers(1, 9), st.integers(1, 3), st.sampled_from(OUTCOMES),
            st.integers(0, 400 * DAY),
            st.one_of(
                st.none(),
                st.builds(
                    Check, st.integers(0, 9), st.sampled_from(VERDICTS[:3]),
                    st.lists(st.sampled_from(["gap", "dark"]), unique=True).map(tuple),
                ),
            ),
        ),
        max_size=60,
    )
)  # fmt: skip
def test_the_tables_hold_every_set_once_whatever_the_record(all_) -> None:
    found = record(all_, [], day_of)
    assert sum(sum(row.values()) for row in found.table.values()) == len(all_)
    assert sum(month.sets for month in found.months) == len(all_)
    assert found.checked + found.unchecked == len(all_)
    assert found.right.hits <= found.right.of <= found.checked
    for one in found.reasons:
        assert one.good.of + one.stopped <= one.sets
        assert len(one.went_otherwise) == one.good.hits


def test_the_page_stands_with_nothing_and_with_a_checked_set(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    page = painter.get("/photos/record")
    assert page.status_code == 200
    assert "No set has been assessed yet." in words(page)
    order = make_order(
        workshop.database, CAST.desk, NOW - 9 * DAY, [Wanted("Juniper", step=Step.PHOTOS_IN)]
    )
    with workshop.database.writing() as db:
        db.execute(
            insert(photo_checks).values(
                model_id=order.model().id, begun_at=NOW - 8 * DAY, ended_at=NOW - 8 * DAY,
                verdict="will not do",
                result='{"reasons": [{"code": "gap", "text": "", "pictures": [], "weight":'
                ' "doubt"}]}',
            )
        )  # fmt: skip
    walk(
        workshop.database, order.model(), CAST.finisher, NOW - DAY, "build_started", "build_finished",
        "good",
    )  # fmt: skip
    said = words(painter.get("/photos/record"))
    assert "One set was checked before assessment" in said
    assert "0 of 1, too few for a share" in said
    assert "Juniper 1001-A" in said
