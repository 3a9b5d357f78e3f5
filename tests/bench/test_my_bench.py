"""My bench: what its lists hold and in which order, one act for several, scanning, sharing a tablet."""

import re

import pytest
from sqlalchemy import update

from app.flow.actions import Wish, record
from app.flow.rules import Kind
from app.flow.steps import Step
from app.tables import orders
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
from tests.whole_site import the_form, words

MOVE = "/my-bench/move"


def copy_at(
    workshop: ClockedWorkshop, name: str, step: Step = Step.PAINTING, at: int = NOW - DAY
) -> MadeOrder:
    wanted = [Wanted(name, step=Step.READY, copy_step=step)]
    return make_order(workshop.database, CAST.desk, NOW, wanted, at=at)


def take(workshop: ClockedWorkshop, made: MadeOrder, who=CAST.painter) -> None:
    record(workshop.database, [Wish(made.copy(), Kind.START)], who, NOW - HOUR)


def tick(workshop: ClockedWorkshop, made: MadeOrder) -> str:
    return f"{made.copy()}:{piece(workshop.database, made.copy()).version}"


@pytest.fixture
def mine(painter: Browser) -> Browser:
    """The painter's browser, which keeps that she paints and inspects."""
    painter.post("/my-bench/steps", {"step": ["painting", "inspection"]})
    return painter


def listed(page: str, section: str) -> list[str]:
    """The names in one list, in its order."""
    found = re.search(rf'<section id="{section}".*?</section>', page, re.S)
    return re.findall(r'<p class="name"><a [^>]*>([^<]+)', found[0]) if found else []


# ---------------------------------------------------------------- the lists


def test_the_steps_are_chosen_once_and_kept_by_this_browser_for_this_person(
    workshop: ClockedWorkshop, painter: Browser
) -> None:
    copy_at(workshop, "Hettie")
    copy_at(workshop, "Rosa", Step.SHAPING)
    first = painter.get("/my-bench")
    assert "Which steps do you do?" in words(first)
    assert listed(first.text, "next") == []
    nothing = painter.post("/my-bench/steps", {"step": "purple"})
    assert (nothing.status_code, painter.steps) == (422, {})
    assert "Tick what you do." in words(nothing)
    painter.post("/my-bench/steps", {"step": ["painting", "purple"]})
    assert painter.steps == {"bench-5": "painting"}
    page = painter.get("/my-bench")
    assert "Which steps do you do?" not in words(page)
    assert listed(page.text, "next") == ["Hettie"]
    painter.as_(workshop, CAST.shaper)
    assert "Which steps do you do?" in words(painter.get("/my-bench"))


def test_in_hand_set_aside_and_next_in_the_order_of_work_with_its_reason(
    workshop: ClockedWorkshop, mine: Browser
) -> None:
    old, new = copy_at(workshop, "Old", at=NOW - 9 * DAY), copy_at(workshop, "New")
    dated, remade = copy_at(workshop, "Dated"), copy_at(workshop, "Sent back", Step.INSPECTION)
    move(workshop.database, remade.copy(), CAST.shaper, NOW, "back_to_painting", reason="a run")
    with workshop.database.writing() as db:
        db.execute(update(orders).where(orders.c.id == dated.id).values(needed_by="2026-03-20"))
        db.execute(update(orders).where(orders.c.id == old.id).values(taken_at=NOW - 9 * DAY))
    held, other = copy_at(workshop, "Held"), copy_at(workshop, "Sunniva's")
    for name in ("In hand", "Also in hand"):
        take(workshop, copy_at(workshop, name))
    take(workshop, other, CAST.shaper)
    record(workshop.database, [Wish(held.copy(), Kind.HOLD, reason="x", whose="studio")],
           CAST.desk, NOW)  # fmt: skip
    dries = Wish(new.copy(), Kind.ASIDE, until=NOW + 900, reason="drying")
    record(workshop.database, [dries], CAST.painter, NOW)
    elsewhere = copy_at(workshop, "Elsewhere", Step.SHAPING)
    take(workshop, elsewhere)
    page = mine.get("/my-bench")
    assert set(listed(page.text, "hand")) == {"In hand", "Also in hand", "Elsewhere"}
    assert listed(page.text, "set-aside") == ["New"]
    assert listed(page.text, "next") == ["Sent back", "Dated", "Old"]
    assert listed(page.text, "others") == ["Sunniva&#39;s", "Held"]
    said = words(page)
    for reason in ("rework goes first", "its day comes first", "until today 10:15, drying",
                   "Sunniva has it", "on hold, waiting on us: x"):  # fmt: skip
        assert reason in said, reason


def test_what_is_next_beyond_a_dozen_is_counted_and_shown_when_asked(
    workshop: ClockedWorkshop, mine: Browser
) -> None:
    for n in range(14):
        copy_at(workshop, f"Number {n}")
    page = mine.get("/my-bench")
    assert len(listed(page.text, "next")) == 12
    assert "Show two more" in words(page)
    assert len(listed(mine.get("/my-bench?all=1").text, "next")) == 14


# ---------------------------------------------------------------- acts


def press(browser: Browser, what: str, ticks: list[str] = (), **typed: str):  # type: ignore[assignment]
    form = the_form(browser.get("/my-bench").text, MOVE, "all")
    return browser.post(MOVE, {**form.fields, "move": what, "tick": list(ticks), **typed})


def test_six_pieces_are_started_set_aside_taken_up_and_done_in_a_press_each(
    workshop: ClockedWorkshop, mine: Browser
) -> None:
    six = [copy_at(workshop, f"Number {n}") for n in range(6)]

    def ticks() -> list[str]:
        return [tick(workshop, made) for made in six]

    assert press(mine, "start:ticked", ticks()).status_code == 303
    assert all(piece(workshop.database, made.copy()).state.in_hand for made in six)
    asked = mine.post(MOVE, {"open": "ticked", "tick": ticks(), "once": "a"})
    assert 'name="until" form="aside" value="quarter"' in asked.text
    assert asked.text.count('<input type="hidden" name="tick"') == 6
    typed = {"until": "quarter", "why": "drying", "until_hour": "23:59"}
    assert press(mine, "aside:ticked", ticks(), **typed).status_code == 303
    states = [piece(workshop.database, made.copy()).state for made in six]
    assert {(s.aside_until, s.aside_reason) for s in states} == {(NOW + 900, "drying")}
    press(mine, "start:ticked", ticks())
    there = press(mine, "done:ticked", ticks()).headers["location"]
    coat = the_form(mine.get(there).text, "/last-coat")
    done = mine.post("/last-coat", {**coat.fields, "coat": "wax", "piece": ticks()})
    assert done.headers["location"].startswith("/my-bench?done=moved&undo=")
    assert {step_of(workshop.database, made.copy()) for made in six} == {Step.INSPECTION}
    assert "Six pieces are in Inspection now." in words(mine.get(done.headers["location"]))


def test_what_a_row_refuses_the_bar_refuses_by_name_and_nothing_is_done(
    workshop: ClockedWorkshop, mine: Browser
) -> None:
    lying, dries, other = (copy_at(workshop, name) for name in ("Lying", "Drying", "Hers"))
    take(workshop, mine_now := copy_at(workshop, "Mine"))
    take(workshop, other, CAST.shaper)
    record(workshop.database, [Wish(dries.copy(), Kind.ASIDE, until=NOW + DAY, reason="drying")],
           CAST.painter, NOW)  # fmt: skip
    take(workshop, looked := copy_at(workshop, "Looked at", Step.INSPECTION))
    before = fingerprint(workshop.database.path)
    ticks = [tick(workshop, made) for made in (lying, dries, other, mine_now, looked)]
    done = press(mine, "done:ticked", ticks)
    assert done.status_code == 409
    said = words(done)
    assert f"Lying {lying.number}-A1: not in your hands, start it first." in said
    assert f"Drying {dries.number}-A1: set aside by you until tomorrow 10:00, drying." in said
    assert f"Hers {other.number}-A1: Sunniva has it." in said
    assert f"Looked at {looked.number}-A1: Pass needs a few words, on its own page." in said
    assert "Mine" not in said.split("Nothing was done.")[1].split("Looked at")[0]
    assert done.text.count(" checked") == 4  # hers has no box to tick
    start = words(press(mine, "start:ticked", ticks[2:4]))
    assert f"Hers {other.number}-A1: Sunniva has it." in start
    assert f"Mine {mine_now.number}-A1: in your hands already." in start
    assert "Nothing is ticked." in words(press(mine, "done:ticked"))
    assert fingerprint(workshop.database.path) == before


def test_done_is_of_one_step_at_a_time(workshop: ClockedWorkshop, mine: Browser) -> None:
    made = [copy_at(workshop, "Hettie"), copy_at(workshop, "Otis", Step.SHAPING)]
    for one in made:
        take(workshop, one)
    done = press(mine, "done:ticked", [tick(workshop, one) for one in made])
    assert done.status_code == 409
    assert "is in Painting and Otis" in words(done)
    assert "Tick the pieces of one step at a time" in words(done)


def test_a_colleague_s_move_and_a_second_tap_move_nothing_twice(
    workshop: ClockedWorkshop, mine: Browser
) -> None:
    made = copy_at(workshop, "Hettie")
    seen = tick(workshop, made)
    assert press(mine, f"start:{seen}", once="wet").status_code == 303
    again = press(mine, f"start:{seen}", once="wet")
    assert again.status_code == 409
    log = "SELECT count(*) FROM transitions WHERE copy_id = ?"
    assert rows(workshop.database, log, made.copy().id) == [(2,)]
    seen = tick(workshop, made)
    move(workshop.database, made.copy(), CAST.shaper, NOW, "painted")
    for pressed, ticks in ((f"painted:{seen}", []), ("done:ticked", [seen])):
        late = press(mine, pressed, ticks)
        assert late.status_code == 409
        assert f"Hettie {made.number}-A1 has already moved to Inspection." in words(late)


def test_somebody_else_s_piece_is_taken_over_only_on_a_yes(
    workshop: ClockedWorkshop, mine: Browser
) -> None:
    take(workshop, made := copy_at(workshop, "Hettie"), CAST.shaper)
    asked = press(mine, f"start:{tick(workshop, made)}")
    assert asked.status_code == 409
    button = re.search(r'name="move" form="work" value="(sure[^"]+)">Take it over', asked.text)
    assert press(mine, button[1]).status_code == 303
    assert piece(workshop.database, made.copy()).state.hand_id == CAST.painter.account_id


@pytest.mark.parametrize(
    ("typed", "field", "sentence"),
    [
        ({"until": "typed"}, "until_day", "Until when?"),
        ({"until": "typed", "until_hour": "soon"}, "until_hour", "A time like 14:30"),
        ({"until": "typed", "until_day": "2026-03-01"}, "until_hour", "has passed already"),
        ({"until": "purple"}, "until", "Choose one"),
        ({"until": "quarter", "reason": "x" * 300}, "reason", "300 characters"),
    ],
)
def test_a_wrong_time_is_said_at_the_open_form_and_nothing_is_lost(
    workshop: ClockedWorkshop, mine: Browser, typed, field, sentence
) -> None:
    take(workshop, made := copy_at(workshop, "Hettie"))
    before = fingerprint(workshop.database.path)
    more = {"piece": str(made.copy()), "why": "drying", **typed}
    answer = press(mine, f"aside:{tick(workshop, made)}", [], **more)
    assert answer.status_code == 422
    assert sentence in words(answer)
    assert 'class="set-aside"' in answer.text
    assert fingerprint(workshop.database.path) == before


def test_an_undo_comes_back_to_my_bench(workshop: ClockedWorkshop, mine: Browser) -> None:
    made = copy_at(workshop, "Hettie")
    there = press(mine, f"start:{tick(workshop, made)}").headers["location"]
    form = the_form(mine.get(there).text, "/undo")
    assert mine.post("/undo", form.fields).headers["location"] == "/my-bench?done=undone"
    assert not piece(workshop.database, made.copy()).state.in_hand


# ---------------------------------------------------------------- scanning


def test_a_scanned_ticket_starts_its_piece_and_a_second_scan_opens_it(
    workshop: ClockedWorkshop, mine: Browser
) -> None:
    made = copy_at(workshop, "Hettie")
    ticket = f"https://bench.example:8600/pieces/copy/{made.copy().id}"
    taken = mine.post("/my-bench/scan", {"scan": f"  {ticket} ", "once": "a"})
    assert taken.headers["location"].startswith("/my-bench?undo=")
    assert piece(workshop.database, made.copy()).state.in_hand
    again = mine.post("/my-bench/scan", {"scan": ticket, "once": "b"})
    assert again.headers["location"] == f"/pieces/copy/{made.copy().id}"
    machine = copy_at(workshop, "Otis", Step.BLANK).copy().id
    blank = mine.post("/my-bench/scan", {"scan": f"//h/pieces/copy/{machine}", "once": "c"})
    assert blank.headers["location"] == f"/pieces/copy/{machine}"


@pytest.mark.parametrize("text", ["", "Hettie", "https://elsewhere.example/", "/pieces/copy/x"])
def test_what_is_no_ticket_is_said(workshop: ClockedWorkshop, mine: Browser, text: str) -> None:
    answer = mine.post("/my-bench/scan", {"scan": text, "once": "a"})
    assert answer.status_code == 422
    assert "Scan the square code on it." in words(answer)


def test_a_ticket_of_no_piece_and_one_in_other_hands(
    workshop: ClockedWorkshop, mine: Browser
) -> None:
    assert mine.post("/my-bench/scan", {"scan": "//h/pieces/copy/99"}).status_code == 404
    take(workshop, made := copy_at(workshop, "Hettie"), CAST.shaper)
    asked = mine.post("/my-bench/scan", {"scan": f"//h/pieces/copy/{made.copy().id}"})
    assert asked.status_code == 409
    assert f"Sunniva has Hettie {made.number}-A1 in hand." in words(asked)
