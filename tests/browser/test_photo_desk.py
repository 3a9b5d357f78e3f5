"""Pictures uploaded with a word on how far, a broken connection, whose is which by keyboard alone."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import Page, Route, expect

from tests.browser.conftest import Served
from tests.photos.intake.shots import jpeg


@pytest.fixture(scope="module")
def delivery(owner: Page, served: Served) -> str:
    """An order of two animals, its photos told of; gives the address of the delivery."""
    owner.goto(f"{served.staff}/orders/new")
    for name, value in {
        "name": "Maren Oduya", "mail": "maren@oduya.example", "a0_name": "Juniper",
    }.items():  # fmt: skip
        owner.locator(f"[name={name}]").fill(value)
    owner.locator("[name=a0_name]").press("Control+Enter")
    owner.wait_for_url(re.compile(r"/orders/\d+\?done=saved"))
    number = re.search(r"/orders/(\d+)", owner.url)[1]  # type: ignore[index]
    owner.get_by_text("Photos are announced").click()
    owner.locator("#f-link").fill("https://drop.example/a1")
    owner.locator("#f-files_said").fill("6")
    owner.locator(f'form[action="/orders/{number}/photos"] button').click()
    owner.goto(f"{served.staff}/photos")
    owner.get_by_role("link", name="Add photos").click()
    return owner.url


@pytest.fixture(scope="module")
def shots(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Six pictures on the technician's disk, and a text."""
    folder = tmp_path_factory.mktemp("card")
    for k in range(6):
        (folder / f"IMG_{k}.jpg").write_bytes(jpeg(k, f"2026:03:03 10:00:{k:02d}"))
    (folder / "list.txt").write_text("milk, hay, oats")
    return sorted(folder.iterdir())


def test_a_broken_upload_is_taken_up_by_choosing_the_same_files(
    owner: Page, delivery: str, shots: list[Path]
) -> None:
    # In a tab of its own: there a request that fails is meant, and is no script's error.
    page = owner.context.new_page()
    page.goto(delivery)
    taken = [0]

    def break_after_two(route: Route) -> None:
        taken[0] += 1
        if taken[0] > 2:
            route.abort()
        else:
            route.continue_()

    page.route("**/photos/bring/*", break_after_two)
    page.locator("#files").set_input_files(shots)
    page.get_by_role("button", name="Add them").click()
    expect(page.locator("#bring-said")).to_contain_text("The connection broke. 2 of 7 files")
    page.unroute("**/photos/bring/*")
    page.get_by_role("button", name="Add them").click()
    expect(page.locator("#bring-said")).to_contain_text(
        "Done: 4 new, 2 already here, 1 could not be read."
    )
    expect(page.locator("#here")).to_contain_text("Six photos safely here")
    expect(page.locator("#here")).to_contain_text("list.txt")
    expect(page.locator("#here img")).to_have_count(6)
    page.close()


def test_whose_is_which_by_keyboard_alone(owner: Page, delivery: str) -> None:
    owner.goto(f"{delivery}/sorting")
    keys, letters = owner.keyboard, owner.locator("#sorting .of")
    expect(letters).to_have_count(6)  # of one animal: given as they came
    keys.press("ArrowRight")
    expect(owner.locator("#sorting input[name=tick]").first).to_be_focused()
    keys.press("Shift+ArrowRight")
    keys.press("Shift+ArrowRight")
    expect(owner.locator("#sorting input[name=tick]:checked")).to_have_count(3)
    keys.press("0")
    expect(letters).to_have_count(3)
    expect(owner.locator("#sorting input[name=tick]:checked")).to_have_count(0)
    owner.locator("#sorting input[name=tick]").first.focus()
    for left in (4, 5, 6):
        keys.press("a")
        expect(letters).to_have_count(left)
    owner.get_by_role("button", name="Count them").focus()
    keys.press("Enter")
    owner.wait_for_url(re.compile(r"/photos/check/\d+"))
    expect(owner.locator("#check")).to_contain_text("Six photos of Juniper are here.")


def test_the_check_shows_its_answer_by_itself(owner: Page) -> None:
    expect(owner.locator("#check")).to_contain_text("These photos are not usable.", timeout=60_000)
    expect(owner.locator("#check")).to_contain_text("Different photos: 6")
    expect(owner.get_by_label("As the customer will read it")).to_have_value(
        re.compile("Please take")
    )
