"""Taps on the Benches page: moved once, refused in words, undone; with htmx and without."""

import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import update

from app.flow.actions import Wish, record
from app.flow.rules import Kind
from app.flow.steps import Step
from app.orders.benches import words
from app.shared.calendar import Calendar
from app.tables import orders
from tests.making import CAST, DAY, HOUR, NOW, Wanted, fingerprint, make_order, piece, rows, step_of
from tests.orders.benches.site import Browser, TestShop, open_shop, site


@pytest.fixture
def workshop(studio_file: Path) -> Iterator[TestShop]:
    workshop = open_shop(studio_file.parent)
    yield workshop
    workshop.close()


def at(workshop: TestShop, step: Step, copies: int = 1, name: str = "Juniper"):
    """An order whose copies stand at a step since yesterday."""
    wanted = [Wanted(name, copies=copies, step=Step.READY, copy_step=step)]
    return make_order(workshop.database, CAST.desk, NOW, wanted, at=NOW - DAY)


def form(move: str, once: str = "a-key", **more: str | list[str]) -> dict[str, str | list[str]]:
    return {"move": move, "once": once, "show": "all", "by": "", **more}


def test_a_tap_moves_and_comes_back_to_the_same_filter_with_an_undo(workshop):
    made = at(workshop, Step.BLANK)
    browser = Browser(site(workshop))
    tapped = form(f"blank_done:copy:{made.copy().id}:1") | {"show": "mine"}
    answer = browser.post("/benches/move", tapped)
    assert answer.status_code == 303
    assert re.fullmatch(r"/\?show=mine&done=moved&undo=\d+", answer.headers["location"])
    assert step_of(workshop.database, made.copy()) is Step.SHAPING
    page = browser.get(answer.headers["location"]).text
    assert f"Juniper {made.number}-A1 is in Shaping now." in page
    assert 'action="/undo"' in page


def test_undo_takes_the_act_back_and_goes_back(workshop):
    made = at(workshop, Step.BLANK)
    browser = Browser(site(workshop))
    moved = browser.post("/benches/move", form(f"blank_done:copy:{made.copy().id}:1"))
    act = moved.headers["location"].rpartition("=")[2]
    taken = browser.post("/undo", {"entry": act, "once": "b", "back": "/?show=mine"})
    assert taken.headers["location"] == "/?show=mine&done=undone"
    assert step_of(workshop.database, made.copy()) is Step.BLANK
    assert "is in Shaping now" not in browser.get(f"/?undo={act}").text
    again = browser.post("/undo", {"entry": act, "once": "c", "back": "/"})
    assert again.status_code == 409
    assert "undone already" in again.text


@pytest.mark.parametrize(
    "back", ["//elsewhere.example/", "https://elsewhere.example/", "/\\elsewhere.example", "x", ""]
)
def test_undo_never_leads_off_the_site(workshop, back):
    made = at(workshop, Step.BLANK)
    browser = Browser(site(workshop))
    moved = browser.post("/benches/move", form(f"blank_done:copy:{made.copy().id}:1"))
    act = moved.headers["location"].rpartition("=")[2]
    taken = browser.post("/undo", {"entry": act, "once": "b", "back": back})
    assert taken.headers["location"] == "/?done=undone"


@pytest.mark.parametrize("entry", ["", "x", "9" * 30, "-1", "999999"])
def test_undo_of_nothing_is_not_found(workshop, entry):
    assert Browser(site(workshop)).post("/undo", {"entry": entry}).status_code == 404


def test_the_undo_is_offered_for_ten_minutes_and_while_nothing_followed(workshop):
    made = at(workshop, Step.BLANK)
    browser = Browser(site(workshop))
    address = browser.post("/benches/move", form(f"blank_done:copy:{made.copy().id}:1")).headers[
        "location"
    ]
    workshop.at += 601
    assert 'action="/undo"' not in browser.get(address).text
    workshop.at -= 300
    assert 'action="/undo"' in browser.get(address).text
    record(workshop.database, [Wish(made.copy(), Kind.START)], CAST.shaper, workshop.at)
    assert 'action="/undo"' not in browser.get(address).text


def test_a_wet_double_tap_moves_once(workshop):
    made = at(workshop, Step.BLANK)
    browser = Browser(site(workshop))
    tap = form(f"blank_done:copy:{made.copy().id}:1")
    assert browser.post("/benches/move", tap).status_code == 303
    again = browser.post("/benches/move", tap)
    assert again.status_code == 409
    assert f"Juniper {made.number}-A1 has already moved to Shaping." in again.text
    assert step_of(workshop.database, made.copy()) is Step.SHAPING


def test_one_key_serves_several_pieces_of_a_page(workshop):
    made = at(workshop, Step.BLANK, copies=2)
    browser = Browser(site(workshop), htmx=True)
    for code in ("A1", "A2"):
        tap = form(f"blank_done:copy:{made.copy(code).id}:1")
        assert browser.post("/benches/move", tap).status_code == 200
    assert step_of(workshop.database, made.copy("A2")) is Step.SHAPING


def test_htmx_gets_the_bands_with_the_undo_and_nothing_around_them(workshop):
    made = at(workshop, Step.BLANK)
    answer = Browser(site(workshop), htmx=True).post(
        "/benches/move", form(f"blank_done:copy:{made.copy().id}:1")
    )
    assert answer.status_code == 200
    assert "<html" not in answer.text
    assert 'aria-labelledby="shaping"' in answer.text
    assert "is in Shaping now." in answer.text
    assert "undo=" in re.search(r'hx-get="([^"]+)"', answer.text)[1]


@pytest.mark.parametrize("htmx", [True, False])
def test_a_stale_row_is_refused_with_the_bands_as_they_are_and_ticks_kept(workshop, htmx):
    made, ticked = at(workshop, Step.BLANK), at(workshop, Step.PAINTING, name="Fern")
    record(workshop.database, [Wish(made.copy(), Kind.MOVE, "blank_done")], CAST.shaper, NOW)
    before = fingerprint(workshop.database.path)
    tap = form(f"blank_done:copy:{made.copy().id}:1", tick=f"copy:{ticked.copy().id}:1")
    answer = Browser(site(workshop), htmx=htmx).post("/benches/move", tap)
    assert answer.status_code == 409
    assert "has already moved to Shaping." in answer.text
    assert ("<html" in answer.text) is not htmx
    assert re.search(rf'value="copy:{ticked.copy().id}:1"[^>]* checked', answer.text)
    assert fingerprint(workshop.database.path) == before


def test_starting_a_piece_in_other_hands_asks_first_and_then_takes_it_over(workshop):
    made = at(workshop, Step.PAINTING)
    wish = Wish(made.copy(), Kind.ASIDE, until=NOW + HOUR, reason="drying")
    record(workshop.database, [wish], CAST.shaper, NOW)
    browser = Browser(site(workshop), CAST.painter)
    asked = browser.post("/benches/move", form(f"start:copy:{made.copy().id}:2"))
    assert asked.status_code == 409
    assert f"Sunniva set Juniper {made.number}-A1 aside." in asked.text
    yes = f"sure.start:copy:{made.copy().id}:2"
    assert f'value="{yes}">Take it over' in asked.text
    assert browser.post("/benches/move", form(yes)).status_code == 303
    assert piece(workshop.database, made.copy()).state.hand_id == CAST.painter.account_id


def test_a_start_that_somebody_was_quicker_with_names_them(workshop):
    made = at(workshop, Step.PAINTING)
    record(workshop.database, [Wish(made.copy(), Kind.START)], CAST.shaper, NOW)
    answer = Browser(site(workshop), CAST.painter).post(
        "/benches/move", form(f"start:copy:{made.copy().id}:1")
    )
    assert answer.status_code == 409
    assert f"Sunniva has Juniper {made.number}-A1 in hand." in answer.text
    assert piece(workshop.database, made.copy()).state.hand_id == CAST.shaper.account_id


def test_several_ticked_move_as_one_act_and_are_undone_as_one(workshop):
    made = at(workshop, Step.BLANK, copies=3)
    other = at(workshop, Step.PAINTING, name="Fern")
    ticks = [f"copy:{made.copy('A1').id}:1,copy:{made.copy('A2').id}:1"]
    ticks += [f"copy:{made.copy('A2').id}:1", f"copy:{other.copy().id}:1"]
    browser = Browser(site(workshop))
    answer = browser.post("/benches/move", form("blank_done:ticked:blank", tick=ticks))
    assert answer.status_code == 303
    page = browser.get(answer.headers["location"]).text
    assert "Two pieces are in Shaping now." in page
    assert step_of(workshop.database, made.copy("A2")) is Step.SHAPING
    assert step_of(workshop.database, made.copy("A3")) is Step.BLANK
    assert step_of(workshop.database, other.copy()) is Step.PAINTING
    act = answer.headers["location"].rpartition("=")[2]
    browser.post("/undo", {"entry": act, "once": "b", "back": "/"})
    assert step_of(workshop.database, made.copy("A1")) is Step.BLANK
    assert step_of(workshop.database, made.copy("A2")) is Step.BLANK


def test_one_stale_piece_among_the_ticked_stops_them_all(workshop):
    made = at(workshop, Step.BLANK, copies=2)
    record(workshop.database, [Wish(made.copy("A2"), Kind.MOVE, "blank_done")], CAST.shaper, NOW)
    ticks = [f"copy:{made.copy(code).id}:1" for code in ("A1", "A2")]
    answer = Browser(site(workshop)).post(
        "/benches/move", form("blank_done:ticked:blank", tick=ticks)
    )
    assert answer.status_code == 409
    assert f"{made.number}-A2 has already moved to Shaping." in answer.text
    assert step_of(workshop.database, made.copy("A1")) is Step.BLANK


def test_nothing_ticked_is_said(workshop):
    made = at(workshop, Step.PAINTING)
    answer = Browser(site(workshop)).post(
        "/benches/move", form("blank_done:ticked:blank", tick=f"copy:{made.copy().id}:1")
    )
    assert answer.status_code == 409
    assert "Nothing is ticked in Blank." in answer.text


def test_a_form_to_set_aside_opens_on_its_row_and_keeps_the_ticks(workshop):
    made = at(workshop, Step.PAINTING)
    tick = f"copy:{made.copy().id}:1"
    answer = Browser(site(workshop), htmx=True).post(
        "/benches/move", {"open": f"copy:{made.copy().id}", "tick": tick, "once": "a"}
    )
    assert answer.status_code == 200
    assert 'class="set-aside"' in answer.text
    assert f'value="aside:{tick}"' in answer.text
    assert "tomorrow, 9:00" in answer.text
    assert "in 15 minutes, 10:15" in answer.text
    assert "in an hour, 11:00" in answer.text
    assert "aside=copy" in re.search(r'hx-get="([^"]+)"', answer.text)[1]
    assert " checked" in answer.text


def test_the_next_morning_is_that_of_the_next_day_on_which_anybody_works():
    closed = frozenset({date(2026, 3, 9)})
    friday = NOW + 2 * DAY
    *_, morning = words.untils(friday, Calendar(ZoneInfo("Europe/London"), closed=closed))
    assert (morning.words, morning.moment) == ("Tue 10 Mar, 9:00", friday + 4 * DAY - HOUR)


@pytest.mark.parametrize(
    ("said", "until", "reason"),
    [
        ({"until": "quarter", "why": "drying"}, NOW + HOUR // 4, "drying"),
        ({"until": "hour", "why": "drying"}, NOW + HOUR, "drying"),
        ({"until": "morning", "why": "drying"}, NOW + 23 * HOUR, "drying"),
        ({"until_hour": "9:30", "until_day": "2026-03-06"}, NOW + 2 * DAY - HOUR // 2, ""),
        ({"until_hour": "14:00", "reason": "the second coat"}, NOW + 4 * HOUR, "the second coat"),
        ({"until_day": "2026-03-06", "why": "drying"}, NOW + 2 * DAY - HOUR, "drying"),
    ],
)
def test_set_aside_until_a_choice_or_a_typed_time(workshop, said, until, reason):
    made = at(workshop, Step.PAINTING)
    answer = Browser(site(workshop)).post(
        "/benches/move", form(f"aside:copy:{made.copy().id}:1", **said)
    )
    assert answer.status_code == 303
    state = piece(workshop.database, made.copy()).state
    assert (state.aside_until, state.aside_reason) == (until, reason)


@pytest.mark.parametrize(
    ("said", "sentence"),
    [
        ({"until_hour": "25:00"}, "A time like 14:30, please."),
        ({"until_hour": "soon"}, "A time like 14:30, please."),
        ({"until_hour": "06:00"}, "That has passed already."),
        ({"until_day": "2026-03-01"}, "That has passed already."),
        ({"until_day": "2031-03-01"}, "over a year away"),
        ({"until_day": "9999-12-31", "until_hour": "23:59"}, "Is the year right?"),
        ({"until_day": "never"}, "A day like 2026-11-25, please."),
        ({"until_day": "2026-03-29", "until_hour": "01:30"}, "does not exist on this day"),
        ({"until": "always"}, "Choose one from the list."),
        ({"reason": "x" * 300}, "300 characters"),
        ({"reason": "a\u202eb"}, "cannot be seen"),
    ],
)
def test_a_wrong_time_is_said_at_the_row_and_what_was_typed_stays(workshop, said, sentence):
    made = at(workshop, Step.PAINTING)
    before = fingerprint(workshop.database.path)
    typed = form(f"aside:copy:{made.copy().id}:1", piece=f"copy:{made.copy().id}", **said)
    answer = Browser(site(workshop)).post("/benches/move", typed)
    assert answer.status_code == 422
    assert sentence in answer.text
    if "until_hour" in said:
        assert f'name="until_hour" form="aside" value="{said["until_hour"]}"' in answer.text
    assert fingerprint(workshop.database.path) == before


@pytest.mark.parametrize(
    "move",
    [
        "blank_done", "blank_done:copy", "blank_done:copy:1", "blank_done:copy:x:1",
        "blank_done:horse:1:1", "blank_done:copy:999:1", "blank_done:copy:1:-1", ":::",
        "blank_done:ticked:nowhere", "blank_done:copy:1:" + "9" * 40, "sure.:copy:1:1\u0000",
    ],
)  # fmt: skip
def test_a_button_that_nobody_made_is_refused_and_nothing_happens(workshop, move):
    at(workshop, Step.BLANK)
    before = fingerprint(workshop.database.path)
    answer = Browser(site(workshop)).post("/benches/move", form(move))
    assert answer.status_code in (404, 409)
    assert fingerprint(workshop.database.path) == before


def test_an_impossible_move_is_refused_in_words(workshop):
    made = at(workshop, Step.BLANK)
    answer = Browser(site(workshop)).post("/benches/move", form(f"shaped:copy:{made.copy().id}:1"))
    assert answer.status_code == 409
    assert "From Blank that cannot be done. Load the page again." in answer.text


def test_what_needs_words_is_not_done_from_a_row(workshop):
    made = at(workshop, Step.INSPECTION)
    record(workshop.database, [Wish(made.copy(), Kind.START)], CAST.painter, NOW)
    answer = Browser(site(workshop)).post("/benches/move", form(f"passed:copy:{made.copy().id}:2"))
    assert answer.status_code == 409
    assert "Pass needs a few words" in answer.text
    assert step_of(workshop.database, made.copy()) is Step.INSPECTION


def test_a_role_that_does_not_cover_a_move_is_refused(workshop):
    made = at(workshop, Step.BLANK)
    tap = form(f"cancel:copy:{made.copy().id}:1")
    answer = Browser(site(workshop), CAST.painter).post("/benches/move", tap)
    assert answer.status_code == 403
    assert "Your role doesn’t cover this" in answer.text
    assert step_of(workshop.database, made.copy()) is Step.BLANK


def test_finishing_before_the_copy_deadline_asks_first(workshop):
    made = make_order(
        workshop.database, CAST.desk, NOW, [Wanted(copies=2, step=Step.FINISHING)], at=NOW - DAY
    )
    with workshop.database.writing() as db:
        db.execute(update(orders).values(copy_deadline="2026-03-10"))
    browser = Browser(site(workshop), CAST.finisher)
    asked = browser.post("/benches/move", form(f"model_finished:model:{made.model().id}:1"))
    assert asked.status_code == 409
    assert "until 10 March" in asked.text
    assert step_of(workshop.database, made.model()) is Step.FINISHING
    yes = re.search(r'value="(sure\.model_finished:[^"]+)"', asked.text)[1]
    done = browser.post("/benches/move", form(yes))
    page = browser.get(done.headers["location"]).text
    assert "Two copies can begin in Blank." in page
    assert step_of(workshop.database, made.copy("A2")) is Step.BLANK


def test_a_hold_is_lifted_from_the_row(workshop):
    made = at(workshop, Step.PAINTING)
    hold = Wish(made.copy(), Kind.HOLD, reason="oak is late", whose="supplier")
    record(workshop.database, [hold], CAST.desk, NOW)
    answer = Browser(site(workshop)).post("/benches/move", form(f"lift:copy:{made.copy().id}:2"))
    assert "done=lifted" in answer.headers["location"]
    assert not piece(workshop.database, made.copy()).state.held


def test_enter_in_the_middle_of_the_page_does_nothing(workshop):
    made = at(workshop, Step.BLANK)
    before = fingerprint(workshop.database.path)
    page = Browser(site(workshop)).get("/").text
    first = re.search(r'<form id="work".*?<button[^>]*name="move" value="([^"]*)"', page, re.S)
    assert first[1] == ""
    answer = Browser(site(workshop)).post(
        "/benches/move", form("", tick=f"copy:{made.copy().id}:1")
    )
    assert answer.headers["location"] == "/"
    assert fingerprint(workshop.database.path) == before


def test_a_repeated_field_is_refused_in_words(workshop):
    made = at(workshop, Step.BLANK)
    move = f"blank_done:copy:{made.copy().id}:1"
    answer = Browser(site(workshop)).post("/benches/move", form("") | {"move": [move, move]})
    assert answer.status_code == 422
    assert step_of(workshop.database, made.copy()) is Step.BLANK


def test_workers_wake_after_a_tap(workshop):
    made = at(workshop, Step.BLANK)
    Browser(site(workshop)).post("/benches/move", form(f"blank_done:copy:{made.copy().id}:1"))
    assert workshop.changed.is_set()
    assert rows(workshop.database, "SELECT wanted > written FROM status_pages") == [(1,)]
