"""The piece page: its moves as forms, with all that each of them has to say."""

from datetime import UTC, datetime

import httpx
import pytest
from sqlalchemy import insert, update

from app.flow.actions import Wish, record
from app.flow.rules import Kind
from app.flow.steps import MOVES, Of, Step
from app.flow.store import Ref
from app.tables import animals, copies, marks, models, orders, released_pictures, step_texts
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
    versions_after,
    walk,
)
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import LOOKED_AT, address, at_field, the_form, typed_in, words


def model_at(workshop: ClockedWorkshop, step: Step, **animal: str) -> MadeOrder:
    return make_order(workshop.database, CAST.desk, NOW - DAY, [Wanted(step=step, **animal)])


def copy_at(workshop: ClockedWorkshop, step: Step, copies: int = 1) -> MadeOrder:
    wanted = [Wanted(step=Step.READY, copy_step=step, copies=copies)]
    return make_order(workshop.database, CAST.desk, NOW - DAY, wanted)


def tap(browser: Browser, ref: Ref, key: str, **typed: str | list[str]) -> httpx.Response:
    """Send the form of a move as the piece's page shows it, with some fields typed."""
    where = address(ref)
    form = the_form(browser.get(where).text, f"{where}/move", move=key)
    return browser.post(f"{where}/move", {**form.fields, **typed})


def said(browser: Browser, ref: Ref) -> str:
    return words(browser.get(address(ref)))


# ---------------------------------------------------------------- what has to be said


TYPED = {
    "amount": "38", "views": "left ear\nhooves", "limits": "the tail", "cause": "model",
    "reason": "the ear broke", "whose": "studio", "mark": [],
    "check": LOOKED_AT,
}  # fmt: skip
NEEDS = {"amount": ["amount"], "views": ["views"], "limits": ["limits"], "marks": [],
         "finding": ["reason"], "reason": ["reason"], "whose": ["whose"], "parcel": []}  # fmt: skip
# A parcel and a last coat are asked on pages of their own.
ASKING = [m for m in MOVES if m.needs and m.key not in ("handed_over", "painted")]


@pytest.mark.parametrize("known", ASKING, ids=lambda m: f"{m.start}-{m.key}")
def test_each_move_is_made_with_its_words_and_comes_back_without_them(
    desk: Browser, workshop: ClockedWorkshop, known
) -> None:
    made = (model_at if known.of is Of.MODEL else copy_at)(workshop, known.start)
    ref = made.model() if known.of is Of.MODEL else made.copy()
    before = fingerprint(workshop.folder.database_file)
    for need in known.needs:
        for field in NEEDS[need]:
            page = tap(desk, ref, known.key, **(TYPED | {field: ""}))
            assert page.status_code == 422, field
            assert at_field(page, field)
            form = the_form(page.text, f"{address(ref)}/move", move=known.key)
            for name in set(form.fields) & set(TYPED) - {field, "check"}:
                assert form.fields[name].replace("\r", "") == TYPED[name], name
    assert fingerprint(workshop.folder.database_file) == before
    answer = tap(desk, ref, known.key, **TYPED)
    assert answer.status_code == 303, words(answer)
    assert step_of(workshop.database, ref) is known.end
    assert TYPED["reason"] in said(desk, ref) or known.needs[0] not in ("finding", "reason")


PLAIN = [m for m in MOVES if not m.needs and m.key != "begun"]


@pytest.mark.parametrize("known", PLAIN, ids=lambda m: f"{m.start}-{m.key}")
def test_a_move_that_needs_no_words_is_one_tap(
    desk: Browser, workshop: ClockedWorkshop, known
) -> None:
    made = (model_at if known.of is Of.MODEL else copy_at)(workshop, known.start)
    ref = made.model() if known.of is Of.MODEL else made.copy()
    answer = tap(desk, ref, known.key)
    assert answer.headers["location"].startswith(f"{address(ref)}?done=moved&act=")
    assert step_of(workshop.database, ref) is known.end
    assert "Moved." in words(desk.get(answer.headers["location"]))


def test_a_cause_that_is_on_no_list_is_refused(desk: Browser, workshop: ClockedWorkshop) -> None:
    made = copy_at(workshop, Step.INSPECTION)
    for key in ("remake", "finding"):
        page = tap(desk, made.copy(), key, cause="the cat", reason="a scratch")
        assert page.status_code == 422
        assert "Choose one from the list" in at_field(page, "cause")


def test_taking_in_hand_setting_aside_and_taking_up_again(
    painter: Browser, workshop: ClockedWorkshop
) -> None:
    ref = copy_at(workshop, Step.PAINTING).copy()
    tap(painter, ref, "start")
    assert "Painting: Pilar has it" in said(painter, ref)
    page = tap(painter, ref, "aside", until_on="2026-03-04", until_at="9:30", reason="drying")
    assert page.status_code == 422
    assert "passed already" in at_field(page, "until_at")
    assert typed_in(page, "until_at") == "9:30"
    tap(painter, ref, "aside", until_on="2026-03-05", reason="drying")
    assert "set aside by Pilar until tomorrow 9:00, drying" in said(painter, ref)
    assert "Take up" in said(painter, ref)


def test_a_hold_on_the_piece_offers_only_to_lift_it(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    ref = copy_at(workshop, Step.SHAPING).copy()
    tap(desk, ref, "hold", reason="oak is late", whose="supplier", look_on="2026-03-20")
    page = said(desk, ref)
    assert "on hold, waiting on a supplier: oak is late" in page
    assert "Done: to painting" not in page
    tap(desk, ref, "lift")
    assert not piece(workshop.database, ref).state.held


def test_mending_here_counts_as_rework_and_stays_in_its_step(
    painter: Browser, workshop: ClockedWorkshop
) -> None:
    ref = copy_at(workshop, Step.PAINTING).copy()
    tap(painter, ref, "finding", cause="shaping", reason="a chip on the hoof")
    assert piece(workshop.database, ref).state.reworks == 1
    assert "fault found, repaired at this bench: a chip on the hoof (caused by shaping)" in said(
        painter, ref
    )


# ---------------------------------------------------------------- times as typed


def later(workshop: ClockedWorkshop, *moment: int) -> None:
    """Set the studio's clock to a moment of UTC."""
    workshop.moment = int(datetime(*moment, tzinfo=UTC).timestamp())


@pytest.mark.parametrize(
    ("typed", "field", "sentence"),
    [
        ({"happened_on": "2026-03-05"}, "happened_on", "in the future"),
        ({"happened_at": "10:01"}, "happened_at", "in the future"),
        ({"happened_on": "2026-03-02"}, "happened_on", "before the last thing"),
        ({"happened_on": "2026-03-03", "happened_at": "9:58"}, "happened_at", "before the last"),
        ({"happened_at": "25:00"}, "happened_at", "A time like 14:30"),
        ({"happened_at": "noon"}, "happened_at", "A time like 14:30"),
        ({"happened_on": "yesterday"}, "happened_on", "A day like"),
        ({"happened_on": "0001-01-01"}, "happened_on", "Is the year right?"),
    ],
)
def test_a_time_that_cannot_be_is_said_at_its_field(
    desk: Browser, workshop: ClockedWorkshop, typed: dict[str, str], field: str, sentence: str
) -> None:
    ref = copy_at(workshop, Step.INSPECTION).copy()  # since yesterday, 10:00
    before = fingerprint(workshop.folder.database_file)
    page = tap(desk, ref, "back_to_painting", reason="dull", **typed)
    assert page.status_code == 422
    assert sentence in at_field(page, field)
    assert typed_in(page, field) == typed[field]
    assert fingerprint(workshop.folder.database_file) == before


def test_a_typed_time_counts_and_is_marked_as_typed(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    ref = copy_at(workshop, Step.BLANK).copy()
    where = f"{address(ref)}/move"
    form = the_form(desk.get(address(ref)).text, where, "happened_on")
    sent = form.fields | {"happened_on": "2026-03-03", "happened_at": "16.30"}
    assert desk.post(where, sent | {"move": "blank_done"}).status_code == 303
    [(happened, recorded, time_is)] = rows(
        workshop.database,
        "SELECT happened_at, recorded_at, time_is FROM transitions WHERE move = 'blank_done'",
    )
    assert (happened, recorded, time_is) == (NOW - DAY + 6.5 * HOUR, NOW, "typed")
    assert "yesterday, 16:30blank done, Dara entered today, 10:00" in said(desk, ref)


def test_a_day_without_an_hour_means_noon_and_an_hour_without_a_day_today(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    ref = copy_at(workshop, Step.BLANK).copy()
    tap(desk, ref, "blank_done", happened_on="2026-03-03")
    assert piece(workshop.database, ref).state.entered_at == NOW - DAY + 2 * HOUR
    tap(desk, ref, "shaped", happened_at="9:15")
    assert piece(workshop.database, ref).state.entered_at == NOW - 45 * 60
    tap(desk, ref, "painted", happened_on="2026-03-04")
    assert piece(workshop.database, ref).state.entered_at == NOW, "today without an hour is now"


def test_a_typed_minute_in_which_the_step_began_is_taken(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    ref = copy_at(workshop, Step.BLANK).copy()
    move(workshop.database, ref, CAST.desk, NOW - 600 + 20, "blank_done")
    assert tap(desk, ref, "shaped", happened_at="9:50").status_code == 303
    assert piece(workshop.database, ref).state.entered_at == NOW - 600 + 20


@pytest.mark.parametrize(
    ("now", "day", "sentence"),
    [
        ((2026, 3, 30, 9), "2026-03-29", "does not exist on this day"),
        ((2026, 10, 26, 9), "2026-10-25", "comes twice on this day"),
    ],
)
def test_the_clock_changes_skipped_or_doubled_hour_is_asked_back(
    desk: Browser, workshop: ClockedWorkshop, now: tuple[int, ...], day: str, sentence: str
) -> None:
    ref = copy_at(workshop, Step.INSPECTION).copy()
    later(workshop, *now)
    desk.as_(workshop, CAST.desk)
    typed = {"happened_on": day, "happened_at": "1:30", "reason": "dull"}
    page = tap(desk, ref, "back_to_painting", **typed)
    assert page.status_code == 422
    assert sentence in at_field(page, "happened_at")
    assert (
        tap(desk, ref, "back_to_painting", **(typed | {"happened_at": "3:30"})).status_code == 303
    )


# ---------------------------------------------------------------- marks and inspection


def note_marks(workshop: ClockedWorkshop, made: MadeOrder) -> list[int]:
    """Two marks that must match, one that is nice to have, and one of another animal."""
    with workshop.database.writing() as db:
        other = db.execute(
            insert(animals).values(customer_id=made.customer_id, name="Fern", name_key="fern")
        ).inserted_primary_key[0]
        for animal, what, side, must in (
            (made.animal_ids["A"], "torn ear", "left", 1),
            (made.animal_ids["A"], "white star", "none", 1),
            (made.animal_ids["A"], "long lashes", "both", 0),
            (other, "a limp", "left", 1),
        ):
            db.execute(insert(marks).values(animal_id=animal, what=what, side=side, must=must))
    return [1, 2, 3, 4]


def test_an_inspection_passes_only_with_every_mark_that_must_match(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = copy_at(workshop, Step.INSPECTION)
    ear, star, lashes, other = note_marks(workshop, made)
    page = tap(desk, made.copy(), "passed", mark=[str(ear)])
    assert page.status_code == 422
    assert "1 marking is not ticked" in words(page)
    form = the_form(page.text, f"{address(made.copy())}/move", move="passed")
    assert form.ticked["mark"] == [str(ear)], "ticks stay"
    assert str(other) not in form.ticks["mark"]
    sent = [str(ear), str(star), str(other), "999999", "x", "9" * 15]
    assert tap(desk, made.copy(), "passed", mark=sent, check=LOOKED_AT).status_code == 303
    assert rows(workshop.database, "SELECT mark_id FROM mark_ticks ORDER BY mark_id") == [
        (ear,),
        (star,),
    ]
    assert lashes not in [ear, star]


def test_whoever_painted_the_piece_is_told_so_at_inspection(
    painter: Browser, desk: Browser, workshop: ClockedWorkshop
) -> None:
    ref = copy_at(workshop, Step.PAINTING).copy()
    tap(painter, ref, "painted")
    assert "You painted this piece. A second pair of eyes sees more." in said(painter, ref)
    assert "You painted this piece" not in said(desk, ref)
    assert tap(painter, ref, "passed", check=LOOKED_AT).status_code == 303, (
        "a warning, not a refusal"
    )


def test_a_remake_replaces_the_piece_and_a_fault_of_the_model_opens_its_next_version(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = copy_at(workshop, Step.INSPECTION, copies=2)
    tap(desk, made.copy("A1"), "remake", cause="shaping", reason="ear broke off")
    tap(desk, made.copy("A2"), "remake", cause="model", reason="wrong leg")
    assert rows(workshop.database, "SELECT making, step FROM copies WHERE replaces_id IS NOT NULL") == [
        (2, "blank"), (2, "not_begun"),
    ]  # fmt: skip
    [version] = versions_after(workshop.database, made.model())
    assert step_of(workshop.database, version) is Step.FINISHING
    assert "version 2" in words(desk.get(f"/orders/{made.number}"))


# ---------------------------------------------------------------- assessment


@pytest.mark.parametrize(
    ("key", "end"),
    [
        ("good", Step.FINISHING), ("limits", Step.FINISHING), ("by_eye", Step.FINISHING),
        ("more_views", Step.PHOTOS_WANTED), ("new_set", Step.PHOTOS_WANTED),
    ],
)  # fmt: skip
def test_the_five_outcomes_of_an_assessment(
    desk: Browser, workshop: ClockedWorkshop, key: str, end: Step
) -> None:
    made = model_at(workshop, Step.ASSESSING)
    tap(desk, made.model(), key, views="left ear\nhooves", limits="the tail", agreed="by phone")
    assert step_of(workshop.database, made.model()) is end
    [(deadline,)] = rows(workshop.database, "SELECT copy_deadline FROM orders")
    if end is Step.FINISHING:
        assert deadline == "2026-03-11", "five working days after Wednesday the 4th"
    else:
        assert deadline is None
        assert rows(workshop.database, "SELECT attempt, number, wish FROM views_asked") == [
            (1, 1, "left ear"), (1, 2, "hooves"),
        ]  # fmt: skip
        assert "Views asked for left ear hooves" in said(desk, made.model())
    limits = rows(workshop.database, "SELECT limits, limits_agreed FROM models")
    assert limits == [("the tail", "by phone") if key in ("limits", "by_eye") else ("", "")]


def test_a_remembered_animal_is_not_asked_for_a_new_set(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = model_at(workshop, Step.ASSESSING, life="remembered")
    assert "Ask for a new set" not in said(desk, made.model())
    sent = {"move": "new_set", "views": "left ear", "once": "k"}
    answer = desk.post(f"{address(made.model())}/move", sent)
    assert answer.status_code == 409
    assert "cannot be photographed again" in words(answer)


def test_views_that_come_join_the_pictures_that_are_here(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = model_at(workshop, Step.PHOTOS_WANTED)
    tap(desk, made.model(), "photos_counted", amount="40")
    tap(desk, made.model(), "more_views", views="left ear")
    tap(desk, made.model(), "photos_counted", amount="7")
    assert rows(workshop.database, "SELECT pictures FROM models") == [(47,)]
    for wrong in ("0", "-1", "20001", "forty", "9" * 25):
        made = model_at(workshop, Step.PHOTOS_WANTED)
        assert at_field(tap(desk, made.model(), "photos_counted", amount=wrong), "amount"), wrong


def test_after_the_third_request_the_desk_is_asked_to_decide(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = model_at(workshop, Step.PHOTOS_WANTED)
    for _ in range(3):
        tap(desk, made.model(), "photos_counted", amount="40")
        tap(desk, made.model(), "more_views", views="left ear")
    assert "Asked three times already. The office decides how to go on." in said(desk, made.model())


def test_finishing_a_model_before_the_copy_deadline_asks_first(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = model_at(workshop, Step.FINISHING)
    with workshop.database.writing() as db:
        db.execute(update(orders).values(copy_deadline="2026-03-11"))
    page = tap(desk, made.model(), "model_finished")
    assert page.status_code == 422
    assert "More copies may still join the order of Juniper" in words(page)
    assert "until 11 March" in words(page)
    form = the_form(page.text, f"{address(made.model())}/move", move="model_finished")
    assert form.ticks["sure"] == ["1"]
    assert tap(desk, made.model(), "model_finished", sure="1").status_code == 303
    assert step_of(workshop.database, made.copy()) is Step.BLANK
    late = model_at(workshop, Step.FINISHING)
    with workshop.database.writing() as db:
        db.execute(update(orders).values(copy_deadline="2026-03-03"))
    assert tap(desk, late.model(), "model_finished").status_code == 303, "the day is over"


# ---------------------------------------------------------------- stale, twice, not theirs


def test_a_stale_page_and_a_double_tap_are_told_where_the_piece_is(
    desk: Browser, painter: Browser, workshop: ClockedWorkshop
) -> None:
    ref = copy_at(workshop, Step.PAINTING).copy()
    where = f"{address(ref)}/move"
    form = the_form(desk.get(address(ref)).text, where, move="painted").fields
    assert painter.post(where, form).status_code == 303
    again = painter.post(where, form)
    stale = desk.post(where, form | {"once": "mine"})
    for page in (again, stale):
        assert page.status_code == 409
        assert "A1 has already moved to Inspection." in words(page)
    assert rows(workshop.database, "SELECT count(*) FROM transitions WHERE move = 'painted'") == [
        (1,)
    ]


def test_what_was_typed_stays_where_the_house_says_no(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    ref = copy_at(workshop, Step.INSPECTION).copy()
    where = f"{address(ref)}/move"
    form = the_form(desk.get(address(ref)).text, where, move="back_to_painting").fields
    record(workshop.database, [Wish(ref, Kind.START)], CAST.painter, NOW)
    page = desk.post(where, form | {"reason": "dull over the withers"})
    assert page.status_code == 409
    assert typed_in(page, "reason") == "dull over the withers"


def test_the_bench_cannot_cancel_a_piece(painter: Browser, workshop: ClockedWorkshop) -> None:
    ref = copy_at(workshop, Step.PAINTING).copy()
    assert 'id="cancel"' not in painter.get(address(ref)).text
    sent = {"move": "cancel", "reason": "x", "whose": "studio", "once": "k"}
    assert painter.post(f"{address(ref)}/move", sent).status_code == 403


def test_there_is_no_page_for_a_piece_that_is_not(desk: Browser, workshop: ClockedWorkshop) -> None:
    for where in ("copy/1", "model/77", "thing/1", "copy/x", "copy/-1"):
        assert desk.get(f"/pieces/{where}").status_code == 404
        assert desk.post(f"/pieces/{where}/move", {"move": "start"}).status_code == 404


@pytest.mark.parametrize(
    "back",
    ["//elsewhere.example", "https://elsewhere.example", "/\\elsewhere.example", "/\nx", "ł"],
)
def test_after_a_move_the_way_back_stays_on_this_site(
    desk: Browser, workshop: ClockedWorkshop, back: str
) -> None:
    ref = copy_at(workshop, Step.BLANK).copy()
    sent = {"move": "blank_done", "once": "k", "back": back}
    answer = desk.post(f"{address(ref)}/move", sent, **{"hx-request": "true"})
    assert answer.headers["hx-redirect"].startswith("/?done=moved&act=")


# ---------------------------------------------------------------- undo, and what the page shows


def test_undo_takes_the_last_move_back_from_the_pieces_own_page(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    ref = copy_at(workshop, Step.PAINTING).copy()
    tap(desk, ref, "painted")
    form = the_form(desk.get(address(ref)).text, "/undo")
    answer = desk.post("/undo", form.fields)
    assert answer.headers["location"] == f"{address(ref)}?done=undone"
    assert step_of(workshop.database, ref) is Step.PAINTING
    assert "painted; last coat: varnish over acrylics; undone" in said(desk, ref)
    assert desk.post("/undo", form.fields).status_code == 409
    tap(desk, ref, "painted")
    workshop.moment += 601
    assert 'action="/undo"' not in desk.get(address(ref)).text, "ten minutes are over"


def test_the_page_shows_what_helps_at_the_bench(desk: Browser, workshop: ClockedWorkshop) -> None:
    made = copy_at(workshop, Step.PAINTING)
    note_marks(workshop, made)
    with workshop.database.writing() as db:
        db.execute(update(copies).values(bench_note="glass eyes", inscription="Juni & Co"))
        texts = {"step": "painting", "done_when": "it is dry", "watch_out": "thin coats"}
        db.execute(insert(step_texts).values(**texts))
    page = said(desk, made.copy())
    for part in ("torn ear left", "glass eyes", "Juni & Co", "Done when it is dry",
                 "Watch out thin coats", "Take care", "air-fed breathing"):  # fmt: skip
        assert part in page, part


def test_the_way_to_the_parcel_is_a_link(desk: Browser, workshop: ClockedWorkshop) -> None:
    made = copy_at(workshop, Step.SHAPING)
    walk(workshop.database, made.copy(), CAST.desk, NOW - HOUR, "shaped", "painted", "passed")
    assert f'href="/parcels/new?copy={made.copy().id}"' in desk.get(address(made.copy())).text


def test_what_was_agreed_and_the_order_s_wishes_reach_every_bench(
    desk: Browser, painter: Browser, workshop: ClockedWorkshop
) -> None:
    made = copy_at(workshop, Step.PAINTING, copies=2)
    where = f"/orders/{made.number}/edit"
    form = the_form(desk.get(where).text, where)
    wish = {"bench_note": "Turn the head a little to the left."}
    assert desk.post(where, form.fields | wish).status_code == 303
    noted = "SELECT field, \"before\", after FROM changes WHERE field = 'bench_note'"
    assert rows(workshop.database, noted) == [("bench_note", None, wish["bench_note"])]
    first, second = made.copy("A1"), made.copy("A2")
    ask = {"topic": "colour", "asked": "Which brown?", "about": str(first), "once": "k"}
    desk.post(f"/orders/{made.number}/ask", ask)
    assert "Agreed with the customer" not in said(painter, first)
    desk.post(f"/orders/{made.number}/answer/1", {"answer": "As in the third picture"})
    with workshop.database.writing() as db:
        db.execute(update(models).values(limits="the tail", limits_agreed="by phone, 3 March"))
    for ref in (first, second):
        page = said(painter, ref)
        assert "For the bench Turn the head a little to the left." in page
        assert "Agreed with the customer the tail: by eye by phone, 3 March" in page
        agreed = "Colour: Which brown? As in the third picture today, 10:00, noted by Dara"
        assert (agreed in page) == (ref == first)


def test_a_piece_is_known_by_its_picture_its_breed_and_its_day_and_its_marks_stand_first(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    made = copy_at(workshop, Step.PAINTING)
    with workshop.database.writing() as db:
        db.execute(update(animals).values(kind="goat", breed="pygmy"))
        db.execute(update(orders).values(needed_by="2026-03-01"))
        db.execute(insert(marks).values(animal_id=made.animal_ids["A"], what="torn ear"))
        db.execute(
            insert(released_pictures).values(
                order_id=made.id, model_id=made.model().id, file="a.jpg", size=9, width=400,
                height=300, released_at=NOW,
            )
        )  # fmt: skip
    page = painter.get(address(made.copy())).text
    said = words(painter.get(address(made.copy())))
    assert "Needed by Sun 1 Mar: that day has passed" in said
    assert "Pygmy goat." in said
    assert '<image href="/released/1" width="400" height="300"/>' in page
    places = [page.index(at) for at in ('class="moves"', "Markings to match", 'id="aside"')]
    assert places == sorted(places)


def test_a_copy_is_not_begun_by_hand_while_its_model_is_made(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = make_order(workshop.database, CAST.desk, NOW, [Wanted(step=Step.FINISHING)])
    page = desk.get(f"/pieces/{made.copy()}".replace(":", "/"))
    assert page.status_code == 200
    assert 'value="begun"' not in page.text
