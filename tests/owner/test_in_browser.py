"""The lead-time page in a real Chromium: strict policy, no accessibility fault, script on and off,
light and dark, narrow and wide, printed."""

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import date, timedelta

import pytest
from playwright.sync_api import Browser, Page

from tests.browser.conftest import Served, a_browser, start, stop
from tests.browser.test_every_page import faults

pytestmark = pytest.mark.browser
CHARTS = 6
TABLES = CHARTS + 3
"""Each chart's own, the flow's four figures, the working time of a piece, and dates by quarter."""


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """A browser for this module alone: its event loop must not outlive it."""
    yield from a_browser()


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    served = start(
        tmp_path_factory.mktemp("demo"), "demo", "--no-browser", "--months", "9",
        "--orders-per-month", "25", until="Stop",
    )  # fmt: skip
    yield served
    stop(served)
    if served.process.stdout is not None:
        served.process.stdout.close()


@pytest.fixture
def opened(chromium: Browser, demo: Served) -> Iterator:
    """Opens the page with some settings of the browser; script errors and refusals fail."""
    contexts, wrong = [], []

    def open_page(width: int = 1280, **settings: object) -> Page:
        context = chromium.new_context(viewport={"width": width, "height": 900}, **settings)
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on(
            "console", lambda m: wrong.append(m.text) if m.type in ("error", "warning") else None
        )
        page.goto(next(line for line in demo.said if "/in/" in line))
        page.locator("main button").click()
        page.goto(f"{demo.staff}/lead-times")
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert wrong == []


def drawn(page: Page) -> int:
    """How many canvases hold ink."""
    found = page.evaluate(
        "[...document.querySelectorAll('canvas')].filter(c => c.width && c.getContext('2d')"
        ".getImageData(0, 0, c.width, c.height).data.some((v, n) => n % 4 == 3 && v)).length"
    )
    return int(found)


@pytest.mark.parametrize(("width", "scheme"), [(1280, "dark"), (390, "light")])
def test_every_chart_is_drawn_and_axe_finds_nothing(opened, width, scheme):
    page = opened(width, color_scheme=scheme)
    assert drawn(page) == CHARTS
    assert faults(page) == []
    beyond = page.evaluate(
        "document.querySelector('main').scrollWidth > document.querySelector('main').clientWidth"
    )
    assert not beyond, "the page scrolls sideways"


def test_without_script_every_table_stands_and_no_empty_frame(opened):
    page = opened(java_script_enabled=False)
    assert page.locator("main table").count() == TABLES
    assert page.locator(".drawing:visible").count() == 0
    assert page.locator("main table:visible").count() == TABLES
    page.locator("select[name=months]").select_option("24")
    page.locator(".sifting button").click()
    assert "months=24" in page.url


def test_on_paper_it_is_light_with_charts_and_tables(opened):
    page = opened(color_scheme="dark")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print", color_scheme="dark")
    colours = page.evaluate(
        "[getComputedStyle(document.body).backgroundColor,"
        " getComputedStyle(document.querySelector('figcaption')).color]"
    )
    assert colours == ["rgb(255, 255, 255)", "rgb(68, 68, 68)"]
    assert drawn(page) == CHARTS
    assert not page.locator(".sifting").is_visible()
    assert page.locator("#t-track").is_visible()


def test_the_library_is_loaded_here_and_nowhere_else(opened, demo):
    page = opened()
    assert "chart-4.6.1" in page.content()
    page.goto(f"{demo.staff}/orders")
    assert "chart-4.6.1" not in page.content()


def test_a_day_that_is_being_typed_outlasts_the_answers_that_come_in_beside_it(opened, demo):
    found = {
        "pieces": 9, "runs": 2, "half": [700, 600], "slow": [900, 800], "days": 1.0, "error": 0.1,
        "waiting": [5, 4], "bottleneck": "", "busiest": ["", ""],
    }  # fmt: skip
    with closing(sqlite3.connect(demo.folder / "studio.db", timeout=10)) as raw, raw:
        raw.execute(
            "INSERT INTO what_ifs (name, settings, state, found, why, asked_at, account_id)"
            " SELECT 'A painter', '[]', 'done', ?, '', 1, min(id) FROM accounts"
            " WHERE role = 'owner'",
            (json.dumps(found),),
        )
    page = opened()
    page.goto(f"{demo.staff}/what-would-help")
    page.get_by_role("button", name="Work it out now").click()
    day = page.locator(".asked input[name=made_on]")
    day.fill("2026-01-05")
    page.locator(".asked button").first.focus()
    # One of what is worked out comes after three seconds, and the next after three more.
    for _ in range(2):
        with page.expect_response(lambda answer: answer.url.endswith("/what-would-help")):
            pass
    page.wait_for_timeout(200)
    assert day.input_value() == "2026-01-05"
    assert page.evaluate("document.activeElement.textContent").startswith("Keep")


# ---------------------------------------------------------------- walks

SHEET = """Customer\tAnimal\tOrdered\tSent
Ottilie Brandreth\tPippin\t2024-03-04\t2024-04-20
Cosmo Featherby\tBarnaby\t2024-03-11\t2024-05-02"""
LINKS = {
    "the week ahead": "/week",
    "what would help": "/what-would-help",
    "Lead times": "/lead-times",
}


def fits(page: Page) -> None:
    """Nothing of the page reaches beyond the window."""
    wide = page.evaluate("document.documentElement.scrollWidth")
    assert wide <= page.viewport_size["width"], f"{page.url} is {wide} px wide"


def went(page: Page, text: str, where: str) -> None:
    """A link of the page's own leads there, and what it opens fits."""
    page.locator("main").get_by_role("link", name=text, exact=True).first.click()
    page.wait_for_url(f"**{where}*")
    fits(page)


@pytest.mark.parametrize("width", [1280, 390])
def test_the_owner_lands_on_today_and_goes_from_there(opened, demo, width):
    page = opened(width)
    page.goto(f"{demo.staff}/sign-in")
    page.wait_for_url("**/owner")
    fits(page)
    for text, where in LINKS.items():
        page.goto(f"{demo.staff}/owner")
        went(page, text, where)
    page.goto(f"{demo.staff}/owner")
    soon = (date.today() + timedelta(days=120)).isoformat()
    page.get_by_label("To be there by").fill(soon)
    page.get_by_role("button", name="Look").click()
    page.wait_for_url("**/owner?by=*")
    said = page.locator("section:has(#photos) p").first.inner_text()
    assert said.startswith("To be there by"), said
    fits(page)


def test_an_absence_is_noted_and_stands_in_the_week(opened, demo):
    page = opened(390)
    page.goto(f"{demo.staff}/absences")
    page.get_by_label("Who, or which machine").select_option(index=1)
    today = page.evaluate("new Date().toISOString().slice(0, 10)")
    page.get_by_label("First day").fill(today)
    page.get_by_role("button", name="Note it").click()
    name = page.locator("section:has(#ahead) .name").first.inner_text()
    fits(page)
    page.goto(f"{demo.staff}/week")
    assert f"{name} is " in page.locator("main").inner_text()
    page.goto(f"{demo.staff}/absences")
    page.locator("section:has(#ahead)").get_by_role("button", name="Delete").first.click()
    page.wait_for_url("**/absences")


@pytest.mark.parametrize("width", [1280, 390])
def test_a_sheet_is_pasted_brought_in_and_taken_back(opened, demo, width):
    page = opened(width)
    page.goto(f"{demo.staff}/history")
    fits(page)
    page.locator("[name=pasted]").fill(SHEET)
    page.get_by_role("button", name="Look at the table").click()
    page.wait_for_url("**/history/sheets/*")
    fits(page)
    page.get_by_role("button", name="See what would come of it").click()
    page.get_by_role("button", name="Bring it in").wait_for()
    fits(page)
    page.get_by_role("button", name="Bring it in").click()
    page.wait_for_url("**/history*done=brought_in*")
    assert "two finished pieces" in page.locator("section:has(#brought-in)").inner_text()
    page.get_by_text("Take it back").first.click()
    page.get_by_role("button", name="Take back").first.click()
    page.wait_for_url("**done=taken_back*")
    fits(page)


def test_beyond_the_limit_an_order_waits_on_the_list(opened, demo):
    page = opened(390)
    page.goto(f"{demo.staff}/settings")
    page.get_by_label("Copies taken on in a week").fill("1")
    page.get_by_role("button", name="Save").first.click()
    page.wait_for_url("**done=saved*")
    for animal in ("Pippin", "Barnaby"):
        page.goto(f"{demo.staff}/orders/new")
        page.locator("#name").fill(f"Walker {animal}")
        page.locator("#a0_name").fill(animal)
        if page.locator("#full").count():
            page.get_by_role("button", name="Put on the waiting list").click()
        else:
            page.get_by_role("button", name="Save order", exact=True).last.click()
        page.wait_for_url("**done=*")
    page.goto(f"{demo.staff}/book")
    assert "Walker Barnaby" in page.locator("main").inner_text()
    fits(page)
    assert faults(page) == []
    page.get_by_text("Strike it off the list").last.click()
    page.get_by_label("Why").last.fill("too late for them")
    page.get_by_role("button", name="Strike off").last.click()
    page.wait_for_url("**done=struck*")
    page.goto(f"{demo.staff}/settings")
    page.get_by_label("Copies taken on in a week").fill("")
    page.get_by_role("button", name="Save").first.click()
    page.wait_for_url("**done=saved*")
