"""The photo desk with scripts switched off: upload, whose is which, a build started, more views."""

import re
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser.conftest import Served
from tests.browser.test_main_acts import await_text
from tests.browser.test_more_acts import press
from tests.browser.walking import Walk, told
from tests.photos.intake.shots import jpeg


@pytest.fixture(scope="module")
def walk(chromium: Browser, owner: Page, served: Served) -> Iterator[Walk]:
    """The owner's session in a browser that runs no script, and an order of two animals."""
    kept = owner.context.storage_state()
    context = chromium.new_context(java_script_enabled=False, storage_state=kept)
    page = context.new_page()
    walk = Walk(page, served)
    walk.go("/orders/new")
    page.locator("[name=name]").fill("Sela Brook")
    page.locator("[name=a0_name]").fill("Fern")
    press(page, "One more animal")
    page.locator("[name=a1_name]").fill("Clover")
    press(page, "Save order")
    walk.order = page.url.split("?")[0]
    yield walk
    context.close()


def test_files_are_brought_in_by_a_plain_form(walk: Walk, tmp_path: Path) -> None:
    page = walk.page
    told(walk, "card", 6)
    page.get_by_role("link", name="Add the photos").click()
    walk.delivery = page.url
    files = [tmp_path / f"IMG_{k}.jpg" for k in range(6)]
    for k, file in enumerate(files):
        file.write_bytes(jpeg(k + 60))
    page.locator("#files").set_input_files(files)
    press(page, "Add them")
    expect(page.locator("main")).to_contain_text("Added: 6 new.")
    expect(page.locator("#here")).to_contain_text("Six photos safely here, as")


def test_pictures_are_given_by_ticks_and_by_a_range(walk: Walk) -> None:
    page = walk.page
    page.locator("#here").get_by_role("link", name="Sort by animal").click()
    for place in (0, 1, 3):
        page.locator("[name=tick]").nth(place).check()
    page.locator("#give").get_by_role("button", name="A Fern").click()
    expect(page.locator("main")).to_contain_text("3 assigned to Fern.")
    expect(page.locator("#sorting .of")).to_have_text(["A", "A", "A"])
    page.locator("[name=first]").fill("5")
    page.locator("[name=last]").fill("6")
    page.locator("#give").get_by_role("button", name="B Clover").click()
    expect(page.locator("#sorting .of")).to_have_text(["A", "A", "A", "B", "B"])
    press(page, "Count them in")
    expect(page.locator(".problems")).to_be_visible()
    page.get_by_label("Leave 1 unassigned").check()
    press(page, "Count them in")
    expect(page.locator("#check")).to_contain_text("Three photos of Fern are here.")
    walk.models["Fern"] = re.sub(r"\D", "", page.url.rsplit("/", 1)[1])


def test_the_check_is_read_by_loading_the_page_again(walk: Walk) -> None:
    end = time.monotonic() + 60
    while walk.page.locator(".verdict").count() == 0 and time.monotonic() < end:
        walk.page.reload()
        time.sleep(0.5)
    expect(walk.page.locator(".verdict h2")).to_have_text("These photos are not usable.")


def test_a_build_is_started_and_more_views_are_asked_for(walk: Walk) -> None:
    page = walk.page
    walk.go("/builds")
    page.get_by_label("New machine").fill("Kettle")
    press(page, "Add machine")
    # The check refused the set: it is not offered, and who starts it all the same is asked once.
    expect(page.get_by_role("button", name="Start Fern")).to_have_count(0)
    page.get_by_label("Fern").check()
    press(page, "Start on Kettle")
    expect(page.locator("form.said")).to_contain_text("The check calls the photos of")
    press(page, "Start it anyway")
    page.locator(".run", has_text="Fern").get_by_role("button", name="Finished").click()
    page.locator("main").get_by_role("link", name="Fern", exact=True).click()
    page.locator("summary", has_text="Ask for more views").click()
    asked = page.locator("#more_views [name=view]").first.input_value()
    assert asked.startswith("Please take")
    press(page, "Ask for these views")
    expect(page.locator(".lead")).to_contain_text("Photos wanted")
    walk.go(walk.order)
    assert asked in await_text(page, walk.served, asked)
