"""A painter's day with six pieces at a tablet and a phone: taps counted, wet fingers, a lost line."""

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from app.shared import clock
from app.shared.people import Person, Role
from app.shared.places import DataFolder
from app.staff import actions
from app.studio.workshop import Workshop
from tests.browser.conftest import OWNER, Served
from tests.browser.test_every_page import faults
from tests.browser.test_more_acts import press
from tests.browser.test_two_taps import in_painting, tap_twice
from tests.browser.walking import SHOTS

NAMES = ("Hettie", "Otis", "Juniper", "Biscuit", "Rosa", "Fern")


@pytest.fixture(scope="module")
def six(owner: Page, served: Served) -> list[str]:
    """Six copies in Painting; gives their pages."""
    return [in_painting(owner, served, name) for name in NAMES]


@pytest.fixture(scope="module")
def painter(chromium: Browser, served: Served, six: list[str]) -> Iterator[Page]:
    """A painter's phone, signed in by an invitation."""
    workshop = Workshop(DataFolder(served.folder))
    by = Person(1, Role.OWNER, OWNER)
    path = actions.invite(workshop.database, by, "Pilar Ostrow", "bench", clock.now())
    workshop.close()
    context = chromium.new_context(viewport={"width": 390, "height": 844}, has_touch=True)
    page = context.new_page()
    page.goto(served.staff + path)
    for name in ("password", "again"):
        page.locator(f"input[name={name}]").fill("nine patient herons")
    page.locator("main button").first.click()
    page.wait_for_url(f"{served.staff}/my-bench")
    yield page
    context.close()


class Taps:
    """Taps a page's buttons and counts them."""

    def __init__(self, page: Page) -> None:
        self.page, self.count = page, 0

    def __call__(self, selector: str, text: str = "") -> None:
        self.count += 1
        self.page.locator(selector, has_text=text).first.tap()


def look(page: Page, name: str) -> None:
    """No fault found by axe, no sideways scrolling at the three widths; a picture where asked."""
    for wide in (1280, 810, 390):
        page.set_viewport_size({"width": wide, "height": 844})
        assert not page.evaluate("document.documentElement.scrollWidth > innerWidth"), (name, wide)
        assert not faults(page)
        if SHOTS:
            page.screenshot(path=f"{SHOTS}/my-bench-{name}-{wide}.png")


def test_a_painter_s_day_with_six_pieces(painter: Page) -> None:
    page, tap = painter, Taps(painter)
    tap("[name=step][value=painting]")
    tap("[name=step][value=inspection]")
    tap("button", "Show my bench")
    first = page.locator(".mine .piece").first.bounding_box()
    assert first is not None
    assert first["y"] + 100 < 844, "the first piece is on the first screen"
    chosen = tap.count
    look(page, "next")
    page.wait_for_timeout(1600)
    for box in page.locator("#next [name=tick]").all():
        box.tap()
        tap.count += 1
    tap(".ticked [value='start:ticked']")
    expect(page.locator("#hand .piece")).to_have_count(6)
    expect(page.locator(".undo")).to_contain_text("Six pieces are in hand.")
    look(page, "in-hand")
    page.wait_for_timeout(1600)
    for box in page.locator("#hand [name=tick]").all():
        box.tap()
        tap.count += 1
    tap(".ticked [name=open]")
    look(page, "setting-aside")
    tap(".set-aside [value=quarter]")
    expect(page.locator("#set-aside .piece")).to_have_count(6)
    expect(page.locator("#set-aside .where").first).to_contain_text("drying")
    page.wait_for_timeout(1600)
    for box in page.locator("#set-aside [name=tick]").all():
        box.tap()
        tap.count += 1
    tap(".ticked [value='start:ticked']")
    expect(page.locator("#hand .piece")).to_have_count(6)
    for button in page.locator(".do button, .ticked button, .people button").all():
        if button.is_visible():
            box = button.bounding_box()
            assert box is not None
            assert box["height"] >= 44
    print(f"taps: {chosen} to choose the steps, {tap.count - chosen} for six pieces in hand, set "
          "aside and taken up again")  # fmt: skip
    assert tap.count - chosen == 3 * 6 + 4


def first_in_hand(page: Page, six: list[str]) -> tuple[str, str]:
    """The first piece that the painter has in hand, as the page loaded anew shows it: its name and
    its own page."""
    page.goto(page.url.split("?")[0])
    name = page.locator("#hand .piece .name a").first.inner_text()
    return name, six[NAMES.index(name)]


def test_a_wet_double_tap_while_a_colleague_moves_the_same_piece(
    painter: Page, owner: Page, six: list[str]
) -> None:
    page = painter
    _, mine = first_in_hand(page, six)
    row = page.locator(f"#{'-'.join(mine.rsplit('/', 2)[1:])}")
    # The colleague sets it aside between two redraws of this page.
    owner.goto(mine)
    owner.locator("#aside > summary").click()
    owner.locator("#aside [name=until_at]").fill("23:59")
    press(owner, "Set aside")
    tap_twice(page, row.locator(".do .main"), 150, finger=True)
    expect(page.locator("#said, .lead").first).to_be_visible()
    page.wait_for_timeout(1500)
    owner.goto(mine)
    expect(owner.locator(".lead strong").first).to_have_text("Painting")


def test_why_something_was_not_done_stays_in_sight(
    painter: Page, owner: Page, six: list[str]
) -> None:
    page = painter
    name, its = first_in_hand(page, six)
    row = page.locator("#hand .piece").first
    owner.goto(its)
    # A poll between the colleague's act and the tap would show it: none comes for a while.
    page.evaluate("document.querySelector('#poll').remove()")
    owner.locator(".moves select[name=coat]").select_option("nothing that cures")
    press(owner, "Done: to inspection")
    row.locator(".do .main").tap()
    said = page.locator("#said")
    expect(said).to_contain_text(f"{name} 10")
    expect(said).to_contain_text("has already moved to Inspection.")
    with page.expect_response(lambda got: got.request.method == "GET", timeout=9000):
        pass  # the next poll, which knows nothing of it
    page.wait_for_timeout(500)
    expect(said).to_contain_text("has already moved to Inspection.")


def test_what_was_pressed_without_a_connection_stays_to_be_pressed_again(
    painter: Page, six: list[str]
) -> None:
    page = painter
    page.goto(page.url.split("?")[0])
    aside = page.locator("#set-aside .piece, #next .piece").first
    expect(aside).to_be_visible()
    page.context.set_offline(True)
    expect(page.locator("#offline")).to_be_visible()
    aside.locator("[value^=start]").tap()
    kept = page.locator("#unsent")
    expect(kept).to_contain_text(re.compile("Not saved: .* There was no connection."))
    assert not faults(page)
    page.wait_for_timeout(5000)
    page.context.set_offline(False)
    page.wait_for_timeout(1500)
    expect(page.locator("#offline")).to_be_hidden()
    expect(kept).to_be_visible()  # nothing went by itself
    kept.get_by_role("button", name="Press again").tap()
    sure = page.locator(".yes button")
    expect(sure.or_(page.locator(".undo"))).to_be_visible()
    expect(kept).to_be_hidden()
