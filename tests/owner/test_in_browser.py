"""The lead-time page in a real Chromium: strict policy, no accessibility fault, script on and off,
light and dark, narrow and wide, printed."""

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing

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
