"""Every kind of letter in every tone as a reader gets it: taken out of the mail, in a real Chromium.

With LIKEWRIGHT_SHOTS set to a folder each is kept there as a picture, as on a phone.
"""

import os
import re
from collections.abc import Iterator
from itertools import product
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, ViewportSize

from app.letters.message import Envelope, build
from app.letters.pages import inert
from app.letters.rules import KINDS
from app.letters.wording import LetterWords
from tests.browser.conftest import a_browser
from tests.browser.test_every_page import faults
from tests.letters.studio import MAIL, STUDIO_MAIL, read
from tests.letters.test_wording import TYPED, words
from tests.making import NOW
from tests.status.rows import KINDS as TONES
from tests.status.rows import facts_at, in_tone

pytestmark = pytest.mark.browser
SHOTS = os.environ.get("LIKEWRIGHT_SHOTS")
SCHEMES = ("light", "dark")
REM = 16


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """A browser for this module alone: its event loop must not outlive it."""
    yield from a_browser()


@pytest.fixture(scope="module", params=SCHEMES)
def page(request: pytest.FixtureRequest, chromium: Browser) -> Iterator[Page]:
    """A page in a light or dark scheme; anything that a letter does wrong fails."""
    context = chromium.new_context(color_scheme=request.param)
    page = context.new_page()
    wrong: list[str] = []
    page.on("console", lambda message: wrong.append(message.text))
    page.on("request", lambda asked: wrong.append(asked.url) if "fernlight" in asked.url else None)
    yield page
    context.close()
    assert wrong == []


def mailed(said: LetterWords) -> str:
    """The HTML as it comes out of the mail at the other end."""
    envelope = Envelope(
        "Fernlight", STUDIO_MAIL, "Imre", MAIL, said.subject, "<1@fernlight.example>", "", NOW
    )
    part = read(build(envelope, said.text, said.html).data).get_body(("html",))
    assert part is not None
    return str(part.get_content())


def sideways(page: Page) -> bool:
    return bool(page.evaluate("document.documentElement.scrollWidth > innerWidth"))


@pytest.mark.parametrize(("kind", "tone"), list(product(KINDS, TONES)))
def test_it_is_readable_on_a_phone_and_on_a_wide_screen(page: Page, kind: str, tone: str) -> None:
    said = words(kind, facts_at("two animals", tone))
    page.set_viewport_size(ViewportSize(width=390, height=844))
    page.set_content(mailed(said))
    assert page.locator("h1").inner_text() == said.subject
    assert faults(page) == []
    assert not sideways(page)
    dark = page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches")
    if SHOTS:
        shot = Path(SHOTS) / f"{kind}-{tone}-{SCHEMES[dark]}.png"
        page.screenshot(path=shot, full_page=True)
    ground = page.evaluate("getComputedStyle(document.querySelector('.letter')).backgroundColor")
    assert ground == ("rgb(27, 26, 24)" if dark else "rgb(255, 253, 249)")
    page.set_viewport_size(ViewportSize(width=1280, height=900))
    assert not sideways(page)
    line = page.locator("p").first.bounding_box()
    assert line is not None
    assert 34 * REM <= line["width"] <= 40 * REM


@pytest.mark.parametrize("tone", TONES)
@pytest.mark.parametrize("ignored", [r"<style>.*?</style>", r"@media .*(?=</style>)"])
def test_it_is_readable_in_a_program_that_ignores_its_style_or_the_dark_part(
    page: Page, ignored: str, tone: str
) -> None:
    whole = mailed(words("received", facts_at("two animals", tone)))
    less = re.sub(ignored, "", whole, flags=re.S)
    assert len(less) < len(whole)
    page.set_viewport_size(ViewportSize(width=390, height=844))
    page.set_content(less)
    # axe takes a page's ground for white where nothing paints it: say what Chromium paints.
    page.add_style_tag(content="html { background: Canvas; }")
    assert faults(page) == []
    assert not sideways(page)


def test_a_long_name_and_link_do_not_make_it_wider_than_a_phone(page: Page) -> None:
    page.set_viewport_size(ViewportSize(width=390, height=844))
    said = words("order_in", in_tone(TYPED, "plain"))
    page.set_content(mailed(said).replace("TOKEN", "OW_yFcTY2OCOJ0" * 8).replace("Imre", "I" * 80))
    assert not sideways(page)


def test_staff_see_it_as_its_reader_does_though_it_may_do_nothing(page: Page) -> None:
    answer = inert(words("received", facts_at("received")).html)
    page.route(
        "https://staff.example/",
        lambda route: route.fulfill(headers=dict(answer.headers), body=bytes(answer.body)),
    )
    page.set_viewport_size(ViewportSize(width=1280, height=900))
    page.goto("https://staff.example/")
    box = page.locator(".letter").bounding_box()
    assert box is not None
    assert box["width"] == 38 * REM
