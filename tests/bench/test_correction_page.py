"""Correcting an entry of the log days later: the right move, the right time, or that it never was."""

from datetime import UTC, datetime

import httpx
import pytest

from app.flow import store
from app.flow.stays import stays
from app.flow.steps import Step
from app.flow.store import Ref
from tests.making import (
    CAST,
    DAY,
    HOUR,
    NOW,
    MadeOrder,
    Wanted,
    fingerprint,
    make_order,
    move,
    piece,
    rows,
    step_of,
)
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import address, at_field, free_to_leave, the_form, typed_in, words


@pytest.fixture
def made(workshop: ClockedWorkshop) -> MadeOrder:
    """A copy that stood at its blank on Saturday at ten, shaped on Sunday, painted on Monday."""
    wanted = [Wanted(step=Step.READY, copy_step=Step.BLANK)]
    made = make_order(workshop.database, CAST.desk, NOW - 4 * DAY, wanted)
    for days, key in ((3, "blank_done"), (2, "shaped"), (1, "painted")):
        move(workshop.database, made.copy(), CAST.shaper, NOW - days * DAY, key)
    return made


def entry(workshop: ClockedWorkshop, key: str) -> int:
    [(id_,)] = rows(
        workshop.database, "SELECT max(id) FROM transitions WHERE kind = 'move' AND move = ?", key
    )
    return int(str(id_))


def put_right(browser: Browser, entry_id: int, **typed: str) -> httpx.Response:
    """Send the correction's form as it stands, with some fields typed."""
    where = f"/corrections/{entry_id}"
    form = the_form(browser.get(where).text, where)
    return browser.post(where, form.fields | {"reason": "it was pressed late"} | typed)


def own_stays(workshop: ClockedWorkshop, ref: Ref) -> list[tuple[Step, int, int | None]]:
    with workshop.database.reading() as db:
        log = store.log_of(db, ref)
    found = stays(ref.of, log, workshop.in_force().calendar, workshop.moment)
    return [(stay.step, stay.entered, stay.left) for stay in found]


def said(browser: Browser, ref: Ref) -> str:
    return words(browser.get(address(ref)))


def test_a_time_is_put_right_three_days_later_and_both_lines_stay(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    done = put_right(desk, entry(workshop, "blank_done"), on="2026-02-28", at="16:00")
    assert done.headers["location"] == f"{address(made.copy())}?done=corrected"
    right = NOW - 4 * DAY + 6 * HOUR
    assert own_stays(workshop, made.copy())[:2] == [
        (Step.BLANK, NOW - 4 * DAY, right), (Step.SHAPING, right, NOW - 2 * DAY),
    ]  # fmt: skip
    page = said(desk, made.copy())
    assert "28 Feb, 16:00blank done, corrected by Dara: it was pressed late" in page
    assert "entered today, 10:00" in page


def test_only_the_move_is_put_right_and_its_seconds_stay(
    desk: Browser, workshop: ClockedWorkshop, made
) -> None:
    move(workshop.database, made.copy(), CAST.painter, NOW - HOUR + 20, "passed")
    before = piece(workshop.database, made.copy()).state.entered_at
    done = put_right(desk, entry(workshop, "passed"), move="back_to_painting")
    assert done.status_code == 303, words(done)
    state = piece(workshop.database, made.copy()).state
    assert (state.step, state.entered_at) == (Step.PAINTING, before)
    assert "passed inspection back to Painting" in said(desk, made.copy())


def test_what_never_happened_is_struck(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    done = put_right(desk, entry(workshop, "painted"), struck="1", reason="another horse")
    assert done.status_code == 303
    assert step_of(workshop.database, made.copy()) is Step.PAINTING
    assert "painted painted; deleted" not in said(desk, made.copy())
    assert "deleted by Dara: another horse" in said(desk, made.copy())
    assert desk.get(f"/corrections/{entry(workshop, 'painted')}").status_code == 404


def test_a_correction_that_does_not_fit_says_what_to_correct_first(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    before = fingerprint(workshop.folder.database_file)
    page = put_right(desk, entry(workshop, "blank_done"), struck="1")
    assert page.status_code == 409
    assert "The move to Painting would not fit any more. Correct that first." in words(page)
    page = put_right(desk, entry(workshop, "shaped"), on="2026-03-03", at="12:00")
    assert page.status_code == 409
    assert "The move to Inspection would not fit any more." in words(page)
    assert typed_in(page, "at") == "12:00"
    assert typed_in(page, "reason") == "it was pressed late"
    page = put_right(desk, entry(workshop, "shaped"), on="2026-02-28", at="11:00")
    assert "before the last thing that happened" in words(page)
    assert fingerprint(workshop.folder.database_file) == before


@pytest.mark.parametrize(
    ("typed", "field", "sentence"),
    [
        ({"reason": ""}, "reason", "Why is it corrected?"),
        ({"at": ""}, "at", "At what time?"),
        ({"at": "25:00"}, "at", "A time like 14:30"),
        ({"on": "soon"}, "on", "A day like"),
        ({"on": "2026-03-04", "at": "10:01"}, "at", "in the future"),
        ({"on": "1066-10-14", "at": "9:00"}, "on", "Is the year right?"),
        ({"reason": "r" * 201}, "reason", "200 at most"),
    ],
)
def test_what_is_wrong_is_said_at_its_field_and_all_is_kept(
    desk: Browser,
    workshop: ClockedWorkshop,
    made: MadeOrder,
    typed: dict[str, str],
    field: str,
    sentence: str,
) -> None:
    before = fingerprint(workshop.folder.database_file)
    page = put_right(desk, entry(workshop, "painted"), **typed)
    assert page.status_code == 422
    assert sentence in at_field(page, field)
    for name, value in typed.items():
        assert (typed_in(page, name) or "") == value
    assert fingerprint(workshop.folder.database_file) == before


@pytest.mark.parametrize("day", ["2026-03-29", "2026-10-25"])
def test_the_clock_changes_odd_hour_is_asked_back_at_its_field(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, day: str
) -> None:
    workshop.moment = int(datetime(2026, 11, 1, 9, tzinfo=UTC).timestamp())
    desk.as_(workshop, CAST.desk)
    page = put_right(desk, entry(workshop, "painted"), on=day, at="1:30")
    assert page.status_code == 422
    assert "on this day" in at_field(page, "at")


def test_an_entering_is_put_right_to_another_step_but_never_struck(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = make_order(
        workshop.database, CAST.desk, NOW - DAY, [Wanted(step=Step.READY, copy_step=Step.SHAPING)]
    )
    [(entered,)] = rows(
        workshop.database, "SELECT id FROM transitions WHERE copy_id IS NOT NULL AND kind = 'enter'"
    )
    assert 'name="struck"' not in desk.get(f"/corrections/{entered}").text
    assert put_right(desk, int(str(entered)), step="painting").status_code == 303
    assert step_of(workshop.database, made.copy()) is Step.PAINTING
    assert put_right(desk, int(str(entered)), step="sanding").status_code == 422
    refused = put_right(desk, int(str(entered)), struck="1")
    assert refused.status_code == 409
    assert "Cancel the piece instead" in words(refused)


def test_the_letters_that_an_entry_may_have_sent_are_named_and_none_goes_by_itself(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = make_order(workshop.database, CAST.desk, NOW - DAY, [Wanted(step=Step.ASSESSING)])
    move(workshop.database, made.model(), CAST.desk, NOW - HOUR, "good")
    page = words(desk.get(f"/corrections/{entry(workshop, 'good')}"))
    assert "The customer may have read of this already: photos passed." in page
    [(count,)] = rows(workshop.database, "SELECT count(*) FROM news")
    put_right(desk, entry(workshop, "good"), on="2026-03-03", at="11:00")
    assert rows(workshop.database, "SELECT count(*) FROM news") == [(count,)]
    put_right(desk, entry(workshop, "good"), struck="1")
    assert rows(workshop.database, "SELECT count(*) FROM news WHERE taken_back_at IS NULL") == [
        (0,)
    ]


def test_a_handing_over_that_never_happened_frees_its_parcel(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = make_order(
        workshop.database, CAST.desk, NOW - DAY, [Wanted(step=Step.READY, copy_step=Step.PACKING)]
    )
    free_to_leave(workshop, made)
    sent = {"copy": str(made.copy().id), "carrier": "Parcel Goose", "number": "G1", "once": "k"}
    assert desk.post("/parcels/new", sent).status_code == 303
    assert put_right(desk, entry(workshop, "handed_over"), struck="1").status_code == 303
    assert step_of(workshop.database, made.copy()) is Step.PACKING
    assert rows(workshop.database, "SELECT parcel_id FROM copies") == [(None,)]
    assert "Withdrawn: handing over was undone." in words(desk.get("/parcels/1"))


def test_a_correction_is_made_once_and_undone_entries_take_none(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    where = f"/corrections/{entry(workshop, 'painted')}"
    sent = {"reason": "late", "on": "2026-03-03", "at": "8:00", "once": "wet"}
    assert [desk.post(where, sent).status_code for _ in range(2)] == [303, 409]
    assert rows(
        workshop.database, "SELECT count(*) FROM transitions WHERE kind = 'correction'"
    ) == [(1,)]
    assert desk.get("/corrections/999").status_code == 404
    assert desk.post("/corrections/999", sent).status_code == 404


def test_a_time_that_was_corrected_can_be_corrected_again(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    put_right(desk, entry(workshop, "painted"), on="2026-03-03", at="8:00")
    form = the_form(
        desk.get(f"/corrections/{entry(workshop, 'painted')}").text,
        f"/corrections/{entry(workshop, 'painted')}",
    )
    assert (form.fields["on"], form.fields["at"]) == ("2026-03-03", "08:00")
    put_right(desk, entry(workshop, "painted"), on="2026-03-03", at="9:00")
    assert piece(workshop.database, made.copy()).state.entered_at == NOW - DAY - HOUR
    assert own_stays(workshop, made.copy())[-1][0] is Step.INSPECTION
