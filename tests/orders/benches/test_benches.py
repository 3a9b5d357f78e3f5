"""The Benches page as it is read: bands, rows, words, filters, and what it costs."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import event, insert, update

from app.flow.actions import Wish, record
from app.flow.queue import FALLING
from app.flow.rules import Kind
from app.flow.steps import BENCHES, MAKING_STEPS, Step
from app.orders.benches import store as benches_store
from app.shared.people import Role
from app.tables import copies, settings
from tests.making import CAST, DAY, HOUR, NOW, Wanted, make_order, move, walk
from tests.orders.benches.site import Browser, TestShop, ask, fill, open_shop, set_models, site


@pytest.fixture
def workshop(studio_file: Path) -> Iterator[TestShop]:
    workshop = open_shop(studio_file.parent)
    yield workshop
    workshop.close()


def painting(workshop: TestShop, name: str = "Juniper", at: int = NOW - DAY, **fields: object):
    """An order of one copy that stands in painting since `at`."""
    wanted = [Wanted(name, kind="Arab mare", step=Step.READY, copy_step=Step.PAINTING)]
    return make_order(workshop.database, CAST.desk, NOW, wanted, at=at, **fields)


def text_of(html: str) -> str:
    """What is read of a page: no tags, single spaces."""
    return " ".join(re.sub(r"<[^>]+>", " ", html).replace("’", "'").split())


def row(html: str, key: str) -> str:
    """The text of one row."""
    found = re.search(rf'<li class="piece" id="{key}">(.*?)</li>', html, re.S)
    assert found is not None, f"no row {key}"
    return text_of(found[1])


def band(html: str, step: str) -> str:
    """The markup of one band."""
    found = re.search(rf'<section class="band" id="band-{step}"[^>]*>(.*?)</section>', html, re.S)
    assert found is not None, f"no band {step}"
    return found[1]


def test_a_new_studio_is_told_what_to_do_first(workshop):
    page = Browser(site(workshop), CAST.desk).get("/").text
    assert "The benches are empty" in page
    assert "First, take an order in" in page


def test_a_piece_stands_in_its_band_with_its_code_and_its_reason(workshop):
    made = painting(workshop)
    page = Browser(site(workshop)).get("/").text
    said = row(band(page, "painting"), f"copy-{made.copy().id}")
    assert f"Juniper , Arab mare {made.number}-A1" in said
    assert "next: here since Tue 3 Mar" in said
    assert 'aria-label="here one day"' in page
    assert "usual 13 days, slow 20" in band(page, "painting")


def test_the_line_at_the_top_counts_and_names_who_is_late(workshop):
    made = painting(workshop, "Admiral", at=NOW - 25 * DAY)
    painting(workshop, "Sorrel")
    record(workshop.database, [Wish(made.copy(), Kind.START)], CAST.painter, NOW)
    said = text_of(Browser(site(workshop)).get("/").text)
    assert "Two pieces in the workshop, one in hand." in said
    assert "One has been here past the slow limit: Admiral ." in said


def test_hands_and_setting_aside_are_said_with_names(workshop):
    mine, other, aside = painting(workshop, "A"), painting(workshop, "B"), painting(workshop, "C")
    record(workshop.database, [Wish(mine.copy(), Kind.START)], CAST.painter, NOW)
    record(workshop.database, [Wish(other.copy(), Kind.START)], CAST.shaper, NOW)
    drying = Wish(aside.copy(), Kind.ASIDE, until=NOW + 23 * HOUR, reason="drying")
    record(workshop.database, [drying], CAST.shaper, NOW)
    page = Browser(site(workshop)).get("/").text
    assert "you have it" in row(page, f"copy-{mine.copy().id}")
    assert "Sunniva has it" in row(page, f"copy-{other.copy().id}")
    said = row(page, f"copy-{aside.copy().id}")
    assert "set aside by Sunniva until tomorrow 9:00, drying" in said
    assert "Take up" in said


def test_what_matters_is_said_in_words(workshop):
    gift = painting(workshop, "Pepper", gift=1, gift_day="2026-12-24", needed_by="2026-04-12")
    asked = painting(workshop, "Otis")
    ask(workshop.database, asked.copy(), asked.id, "the yellow of the shell", NOW - 2 * DAY)
    page = Browser(site(workshop)).get("/").text
    assert "Needed by 12 April . Gift, given on 24 December" in row(page, f"copy-{gift.copy().id}")
    assert "Question open: the yellow of the shell, asked Mon 2 Mar" in row(
        page, f"copy-{asked.copy().id}"
    )
    assert "One order is waiting for its customer" in page


def test_a_hold_says_whose_and_when_to_look_again(workshop):
    made = painting(workshop)
    hold = Wish(
        made.copy(), Kind.HOLD, reason="oak is late", whose="supplier", look_on="2026-03-20"
    )
    record(workshop.database, [hold], CAST.desk, NOW)
    said = row(Browser(site(workshop)).get("/").text, f"copy-{made.copy().id}")
    assert "on hold, waiting on a supplier: oak is late; check again on 20 March" in said
    assert "Resume" in said
    assert "Set aside" not in said


def test_a_remake_stands_first_and_says_so(workshop):
    old, broken = painting(workshop, "Old", at=NOW - 9 * DAY), painting(workshop, "Broken")
    move(workshop.database, broken.copy(), CAST.painter, NOW, "remake", reason="an ear broke")
    walk(
        workshop.database,
        _remake_of(workshop, broken),
        CAST.shaper,
        NOW,
        "blank_done",
        "shaped",
        each=0,
    )
    page = band(Browser(site(workshop)).get("/").text, "painting")
    assert page.index("Broken") < page.index("Old")
    assert "Remake" in row(page, f"copy-{_remake_of(workshop, broken).id}")
    assert "next: a remake goes first" in text_of(page)
    assert f"copy-{old.copy().id}" in page


def _remake_of(workshop, made):
    from app.flow.steps import Of
    from app.flow.store import Ref

    with workshop.database.reading() as db:
        lines = benches_store.lines(db)
    return Ref(Of.COPY, next(line.id for line in lines if line.making > 1))


def test_a_copy_whose_model_is_not_ready_is_not_shown_but_its_model_is(workshop):
    made = make_order(workshop.database, CAST.desk, NOW, [Wanted(copies=2)])
    page = Browser(site(workshop)).get("/").text
    assert f"model-{made.model().id}" in page
    assert f"copy-{made.copy().id}" not in page


def test_many_rows_of_one_order_fold_and_few_do_not(workshop):
    ready = [Wanted("Biscuit", copies=4, step=Step.READY, copy_step=Step.SHAPING)]
    many = make_order(workshop.database, CAST.desk, NOW, ready, at=NOW - 3 * DAY)
    few = make_order(
        workshop.database,
        CAST.desk,
        NOW,
        [Wanted(copies=3, step=Step.READY, copy_step=Step.SHAPING)],
    )
    page = band(Browser(site(workshop)).get("/").text, "shaping")
    assert page.count("<details") == 1
    said = text_of(page)
    assert f"Four pieces of order {many.number}: Biscuit; the longest here three days" in said
    assert f"order {few.number}:" not in said
    assert page.count('class="piece"') == 7


def test_a_packed_piece_waits_for_the_rest_of_its_order(workshop):
    made = make_order(
        workshop.database,
        CAST.desk,
        NOW,
        [Wanted(copies=2, step=Step.READY, copy_step=Step.PACKING)],
    )
    move(
        workshop.database, made.copy("A2"), CAST.painter, NOW, "back_to_painting", reason="a smear"
    )
    said = row(Browser(site(workshop)).get("/").text, f"copy-{made.copy().id}")
    assert "waiting for the rest of its order" in said


def test_what_needs_words_leads_to_the_piece_and_plain_moves_are_posted(workshop):
    made = make_order(workshop.database, CAST.desk, NOW)
    plain = painting(workshop)
    record(workshop.database, [Wish(plain.copy(), Kind.START)], CAST.painter, NOW)
    page = Browser(site(workshop)).get("/").text
    assert f'<a class="button" href="/pieces/model/{made.model().id}">Photos are here' in page
    assert f'name="move" value="painted:copy:{plain.copy().id}:2">Done' in page


def test_hostile_names_are_only_text(workshop):
    painting(workshop, "<script>alert(1)</script>")
    page = Browser(site(workshop)).get("/").text
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page


@pytest.mark.parametrize(
    ("query", "names"),
    [
        ("", {"Mine", "Needed", "Gift", "Asked", "Rework"}),
        ("?show=mine", {"Mine"}),
        ("?show=needed", {"Needed"}),
        ("?show=needed&by=2026-04-01", set()),
        ("?show=waiting", {"Asked"}),
        ("?show=remakes", {"Rework"}),
        ("?show=gifts", {"Gift"}),
        ("?show=nonsense&by=never&aside=x&undo=-1", {"Mine", "Needed", "Gift", "Asked", "Rework"}),
    ],
)
def test_filters_live_in_the_address(workshop, query, names):
    mine = painting(workshop, "Mine")
    painting(workshop, "Needed", needed_by="2026-04-12")
    painting(workshop, "Gift", gift=1)
    asked, rework = painting(workshop, "Asked"), painting(workshop, "Rework")
    record(workshop.database, [Wish(mine.copy(), Kind.START)], CAST.painter, NOW)
    ask(workshop.database, asked.copy(), asked.id, "colour", NOW)
    scratch = Wish(rework.copy(), Kind.FINDING, reason="a scratch")
    record(workshop.database, [scratch], CAST.shaper, NOW)
    page = Browser(site(workshop)).get("/" + query).text
    assert set(re.findall(r'<a href="/pieces/copy/\d+">(\w+)</a>', page)) == names
    assert page.count('aria-current="true"') == 1


def test_a_filter_that_finds_nothing_says_so(workshop):
    painting(workshop)
    assert "Nothing here is a gift." in Browser(site(workshop)).get("/?show=gifts").text


def test_set_aside_by_me_counts_as_mine(workshop):
    made = painting(workshop)
    wish = Wish(made.copy(), Kind.ASIDE, until=NOW + HOUR, reason="drying")
    record(workshop.database, [wish], CAST.painter, NOW)
    assert "Juniper" in Browser(site(workshop), CAST.painter).get("/?show=mine").text
    assert "Juniper" not in Browser(site(workshop), CAST.shaper).get("/?show=mine").text


def test_a_studio_without_blanks_does_not_miss_the_bench(workshop):
    painting(workshop)
    assert "Blank" in Browser(site(workshop)).get("/").text
    with workshop.database.writing() as db:
        db.execute(insert(settings).values(name="blank_on", value="false", changed_at=NOW))
    workshop.forget()
    assert "Blank" not in Browser(site(workshop)).get("/").text


def test_the_poll_is_204_until_something_is_written(workshop):
    painting(workshop)
    browser = Browser(site(workshop), htmx=True)
    poll = _poll(browser.get("/").text)
    assert browser.get(poll).status_code == 204
    painting(workshop, "Sorrel")
    again = browser.get(poll)
    assert again.status_code == 200
    assert "Sorrel" in again.text
    assert "<html" not in again.text
    assert browser.get(_poll(again.text)).status_code == 204


def test_the_poll_keeps_the_filter_and_says_tomorrow_anew(workshop):
    painting(workshop)
    browser = Browser(site(workshop), htmx=True)
    poll = _poll(browser.get("/?show=gifts").text)
    assert "show=gifts" in poll
    workshop.at += HOUR
    assert browser.get(poll).status_code == 200


def _stamps(html: str) -> dict[str, str]:
    """The stamp of each band that is written out, by its step."""
    return dict(re.findall(r'id="band-(\w+)"[^>]* data-stamp="([^"]+)"', html))


def _kept(html: str) -> set[str]:
    """The steps of the bands that stay as they are."""
    return set(re.findall(r'id="band-(\w+)" data-kept', html))


def test_a_poll_holds_the_bands_that_changed_and_names_the_others(workshop):
    fill(workshop.database, 120)
    browser = Browser(site(workshop), htmx=True)
    page = browser.get("/").text
    shown = _stamps(page)
    made = make_order(
        workshop.database,
        CAST.desk,
        NOW,
        [Wanted("Sorrel", step=Step.READY, copy_step=Step.BLANK)],
        at=NOW,
    )
    browser.headers["bands-shown"] = " ".join(shown.values())
    again = browser.get(_poll(page)).text
    assert set(_stamps(again)) == {"blank"}
    assert _kept(again) == set(shown) - {"blank"}
    shown |= _stamps(again)
    browser.headers["bands-shown"] = " ".join(shown.values())
    moved = browser.post(
        "/benches/move", {"move": f"blank_done:copy:{made.copy().id}:1", "once": "a", "show": "all"}
    ).text
    assert set(_stamps(moved)) == {"blank", "shaping"}
    assert "is in Shaping now" in moved
    assert len(moved.encode()) < len(page.encode()) / 2


def test_a_poll_holds_no_band_where_nothing_of_this_page_changed(workshop):
    fill(workshop.database, 60)
    browser = Browser(site(workshop), htmx=True)
    page = browser.get("/").text
    browser.headers["bands-shown"] = " ".join(_stamps(page).values())
    with workshop.database.writing() as db:
        db.execute(insert(settings).values(name="letters_on", value="false", changed_at=NOW))
    again = browser.get(_poll(page))
    assert again.status_code == 200
    assert _stamps(again.text) == {}
    assert _kept(again.text) == set(_stamps(page))
    assert len(again.content) < 5000
    assert browser.get(_poll(again.text)).status_code == 204


def test_an_open_form_and_what_is_wrong_in_it_are_sent_though_the_band_is_the_same(workshop):
    made = painting(workshop)
    browser = Browser(site(workshop), htmx=True)
    page = browser.get("/").text
    piece = f"copy:{made.copy().id}"
    browser.headers["bands-shown"] = " ".join(_stamps(page).values())
    opened = browser.post("/benches/move", {"open": piece, "once": "a", "show": "all"}).text
    assert set(_stamps(opened)) == {"painting"}
    browser.headers["bands-shown"] = " ".join(_stamps(opened).values())
    wrong = {"move": f"aside:{piece}:1", "piece": piece, "until_hour": "soon", "once": "b"}
    said = browser.post("/benches/move", wrong)
    assert said.status_code == 422
    assert "A time like 14:30, please." in said.text
    closed = browser.post("/benches/move", {"move": "", "once": "c", "show": "all"}).text
    assert set(_stamps(closed)) == {"painting"}
    assert 'class="set-aside"' not in closed


def _poll(html: str) -> str:
    found = re.search(r'id="poll" hidden hx-get="([^"]+)"', html)
    assert found is not None
    return found[1].replace("&amp;", "&")


def _counted(workshop: TestShop) -> list[str]:
    seen: list[str] = []

    def note(_c, _u, statement, *_rest):
        if not statement.startswith("BEGIN"):
            seen.append(statement)

    event.listen(workshop.database._reader, "before_cursor_execute", note)
    return seen


def test_queries_are_as_few_for_many_pieces_as_for_few(workshop):
    fill(workshop.database, 120)
    app, seen = site(workshop), _counted(workshop)
    Browser(app).get("/")  # the studio's settings are read with the first page
    seen.clear()
    page = Browser(app).get("/").text
    few, pieces = len(seen), page.count('<li class="piece"')
    fill(workshop.database, 280, seed=8, first_number=5000)
    seen.clear()
    more = Browser(app).get("/").text
    assert more.count('<li class="piece"') > pieces + 200
    assert len(seen) == few <= 5
    assert len(more.encode()) / more.count('<li class="piece"') <= 640


def test_an_unchanged_poll_asks_one_thing(workshop):
    painting(workshop)
    app, seen = site(workshop), _counted(workshop)
    poll = _poll(Browser(app).get("/").text)
    seen.clear()
    assert Browser(app).get(poll).status_code == 204
    assert seen == ["SELECT version FROM house WHERE id = 1"]


def test_the_indexes_on_open_pieces_are_used(workshop):
    fill(workshop.database, 60)
    with workshop.database.reading() as db:
        plans = {
            name: [
                row[3]
                for row in db.exec_driver_sql("EXPLAIN QUERY PLAN " + getattr(benches_store, name))
            ]
            for name in ("MODELS", "COPIES", "QUESTIONS")
        }
    assert any("USING INDEX ix_models_at_work" in step for step in plans["MODELS"])
    assert any("USING INDEX ix_copies_at_work" in step for step in plans["COPIES"])
    assert any("USING INDEX ix_questions_order_id" in step for step in plans["QUESTIONS"])
    whole = [step for plan in plans.values() for step in plan if re.fullmatch(r"SCAN \w+", step)]
    assert whole == []


def test_what_is_shown_of_a_button_is_what_the_rules_offer(workshop):
    from app.orders.benches.view import band_acts

    for step in MAKING_STEPS:
        keys = [key for key, _ in band_acts(step, Role.BENCH)]
        assert keys, f"nothing can be done to the ticked in {step}"
    assert band_acts(Step.PHOTOS_WANTED, Role.DESK) == ()
    assert [key for key, _ in band_acts(Step.ASSESSING, Role.OWNER)] == ["start"]


def test_pictures_are_counted_in_words(workshop):
    made = make_order(workshop.database, CAST.desk, NOW, [Wanted(step=Step.PHOTOS_IN)])
    set_models(workshop.database, pictures=14)
    assert "14 photos" in row(Browser(site(workshop)).get("/").text, f"model-{made.model().id}")


def test_a_missing_size_is_said_before_the_blank_is_cut_and_no_longer_after(workshop):
    def at(step: Step, copy_step: Step = Step.NOT_BEGUN):
        wanted = [Wanted(step=step, copy_step=copy_step)]
        return make_order(workshop.database, CAST.desk, NOW, wanted)

    soon = [
        f"model-{at(Step.FINISHING).model().id}",
        f"copy-{at(Step.READY, Step.BLANK).copy().id}",
    ]
    early, late = at(Step.ASSESSING).model(), at(Step.READY, Step.SHAPING).copy()
    page = Browser(site(workshop)).get("/").text
    for key in soon:
        assert "Size missing" in row(page, key)
    for key in (f"model-{early.id}", f"copy-{late.id}"):
        assert "Size missing" not in row(page, key)
    with workshop.database.writing() as db:
        db.execute(update(copies).values(size_mm=120))
    assert "Size missing" not in Browser(site(workshop)).get("/").text


def test_pace_is_the_studios_own_once_it_is_known(workshop):
    painting(workshop)
    assert "default, not your own data yet" in Browser(site(workshop)).get("/").text
    workshop.set_forecast(dict.fromkeys(BENCHES, (0.4, 2.6, True)), {})
    page = Browser(site(workshop)).get("/").text
    assert "default, not your own data yet" not in page
    assert "usual under a day, slow 3" in page


@pytest.mark.parametrize(
    ("chance", "said"),
    [
        (0.61, "Needed by 12 April . About 6 in 10 to be there"),
        (0.86, "Needed by 12 April, about 9 in 10 to be there"),
        (0.99, "Needed by 12 April, very likely to be there"),
        (0.01, "Needed by 12 April . Hardly possible"),
    ],
)
def test_the_chance_of_the_day_is_said_and_presses_only_while_it_falls(workshop, chance, said):
    made = painting(workshop, needed_by="2026-04-12")
    workshop.set_forecast(workshop.pace(), {made.id: chance})
    page = Browser(site(workshop)).get("/").text
    assert said in row(page, f"copy-{made.copy().id}")
    assert ("its day comes first" in page) is (chance < FALLING)


def test_a_needed_day_that_is_past_says_so(workshop):
    made = painting(workshop, needed_by="2026-03-01")
    said = row(Browser(site(workshop)).get("/").text, f"copy-{made.copy().id}")
    assert "Needed by 1 March . That day has passed" in said


def test_the_names_of_the_benches_lead_to_each_and_one_can_be_looked_at_alone(workshop):
    painting(workshop, "Hettie")
    painting(workshop, "Otis")
    make_order(workshop.database, CAST.desk, NOW, [Wanted("Fern", step=Step.PHOTOS_IN)])
    names = re.search(r'class="bench-names".*?</nav>', Browser(site(workshop)).get("/").text, re.S)
    assert text_of(names[0]).endswith("Photos in 1 Painting 2")
    assert 'href="#band-painting"' in names[0]
    browser = Browser(site(workshop))
    alone = browser.get("/?bench=painting&show=needed").text
    assert "Nothing is in Painting" in alone
    alone = browser.get("/?bench=painting").text
    assert "Hettie" in alone
    assert "Fern" not in alone
    names = re.search(r'class="bench-names".*?</nav>', alone, re.S)
    assert 'href="/?bench=photos_in"' in names[0]
    assert "bench=painting" in re.search(r'hx-get="([^"]+)"', alone)[1]
    moved = browser.post("/benches/move", {"move": "", "bench": "painting", "once": "a"})
    assert moved.headers["location"] == "/?bench=painting"
    assert "Fern" in browser.get("/?bench=nowhere").text


@pytest.mark.parametrize("step", [Step.PHOTOS_WANTED, Step.HANDED_OVER])
def test_what_is_not_in_the_workshop_is_folded_for_the_bench_and_for_nobody_else(workshop, step):
    wanted = (
        Wanted(step=step)
        if step is Step.PHOTOS_WANTED
        else Wanted(step=Step.READY, copy_step=Step.PACKING)
    )
    made = make_order(workshop.database, CAST.desk, NOW, [wanted])
    if step is Step.HANDED_OVER:
        move(workshop.database, made.copy(), CAST.desk, NOW, "handed_over")
    folded = f'<details class="fold" id="fold-{step}">'
    assert folded in band(Browser(site(workshop), CAST.painter).get("/").text, step)
    assert folded not in Browser(site(workshop), CAST.desk).get("/").text
    assert folded not in Browser(site(workshop), CAST.painter).get(f"/?bench={step}").text
