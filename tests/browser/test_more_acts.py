"""What else a day brings, in a real browser: corrections, holds, questions, the keyboard alone,
and all of it with scripts switched off."""

import re
import time
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser.conftest import Served
from tests.browser.test_main_acts import await_text

STEPS_TO_SHAPING = (
    "Start build", "Build finished", "Look at it", "Good", "Start", "Done: to ready",
)  # fmt: skip


def press(page: Page, name: str) -> None:
    """Press a button that can be seen, by its words, and wait for the next page."""
    words = re.compile(rf"^\s*{re.escape(name)}\s*$")
    with page.expect_navigation():
        page.locator("main button:visible:not(.skip)").filter(has_text=words).first.click()


def new_order(page: Page, served: Served, **typed: str) -> str:
    """An order typed with the mouse; gives its address."""
    page.goto(f"{served.staff}/orders/new")
    for name, value in {"name": "Sela Brook", "a0_name": "Hettie", **typed}.items():
        page.locator(f"[name={name}]").fill(value)
    press(page, "Save order")
    return page.url.split("?")[0]


def open_piece(page: Page, order: str, name: str) -> str:
    page.goto(order)
    page.locator(".next .name a", has_text=name).first.click()
    return page.url.split("?")[0]


def open_part(page: Page, words: str) -> None:
    """Unfold a part of the page, unless it is open."""
    part = page.locator("details", has=page.locator("summary", has_text=words)).last
    if part.get_attribute("open") is None:
        part.locator("summary").first.click()


def count_photos(page: Page, order: str, name: str, amount: str) -> str:
    piece = open_piece(page, order, name)
    page.locator("#photos_counted [name=amount]").fill(amount)
    press(page, "Photos are here")
    return piece


@pytest.fixture(scope="module")
def order(owner: Page, served: Served) -> str:
    return new_order(owner, served, a0c0_size="120", a0c0_inscription="Hettie")


def test_a_question_is_asked_and_answered_and_the_page_follows(
    owner: Page, served: Served, order: str
) -> None:
    owner.goto(order)
    open_part(owner, "Ask something")
    ask = owner.locator("form[action$='/ask']")
    ask.locator("[name=topic]").fill("Ears")
    ask.locator("[name=asked]").fill("Is the left ear the torn one?")
    ask.locator("[name=waits]").select_option("here")
    press(owner, "Ask it")
    expect(owner.locator("#questions")).to_contain_text("the work waits for the answer")
    await_text(owner, served, "Please answer our question")
    owner.goto(order)
    open_part(owner, "Answered …")
    owner.locator("form[action*='/answer/'] [name=answer]").fill("Yes, the left one.")
    press(owner, "Log the answer")
    expect(owner.locator("#questions")).to_contain_text("Yes, the left one.")


def test_a_hold_stops_the_order_and_lifting_it_goes_on(owner: Page, order: str) -> None:
    owner.goto(order)
    open_part(owner, "Hold")
    hold = owner.locator("form[action$='/hold']")
    hold.locator("[name=whose]").select_option("customer")
    press(owner, "Put on hold")
    expect(owner.locator("form[action$='/hold'] .say")).to_be_visible()
    assert owner.locator("form[action$='/hold'] [name=whose]").input_value() == "customer"
    owner.locator("form[action$='/hold'] [name=reason]").fill("they are at sea")
    press(owner, "Put on hold")
    expect(owner.locator(".next")).to_contain_text("they are at sea")
    press(owner, "Resume")
    expect(owner.locator(".next")).not_to_contain_text("they are at sea")


def test_more_views_are_asked_and_the_customer_reads_the_same_numbers(
    owner: Page, served: Served, order: str
) -> None:
    count_photos(owner, order, "Hettie", "31")
    press(owner, "Start build")
    press(owner, "Build finished")
    open_part(owner, "Assess it here")
    open_part(owner, "Ask for more views …")
    owner.locator("#more_views [name=views]").fill("left side of the face\nboth ears, from above")
    press(owner, "Ask for more views")
    expect(owner.locator("ol li", has_text="both ears, from above").first).to_be_visible()
    owner.goto(order)
    text = await_text(owner, served, "both ears, from above")
    reader = owner.context.browser.new_page()  # type: ignore[union-attr]
    reader.goto(owner.locator("#the-link").input_value())
    numbered = reader.locator("ol", has_text="both ears, from above").locator("li")
    shown = [line.strip().lstrip("0123456789. ") for line in numbered.all_inner_texts()]
    reader.close()
    assert shown == ["left side of the face", "both ears, from above"]
    assert "cost anything extra" in text


def test_a_move_is_corrected_to_three_days_back(owner: Page, served: Served, order: str) -> None:
    owner.goto(f"{served.staff}/orders/new")
    day = time.strftime("%Y-%m-%d", time.gmtime(time.time() - 5 * 86_400))
    owner.locator("[name=name]").fill("Imre Castellan")
    owner.locator("[name=a0_name]").fill("Otis")
    owner.locator("[name=under_way]").check()
    owner.locator("[name=a0_step]").select_option("ready")
    owner.locator("[name=a0_since]").fill(day)
    owner.locator("[name=a0c0_step]").select_option("shaping")
    owner.locator("[name=a0c0_since]").fill(day)
    press(owner, "Save order")
    piece = open_piece(owner, owner.url.split("?")[0], "Otis")
    press(owner, "Start")
    press(owner, "Done: to painting")
    # Undo stands there for ten minutes; the way to a correction is the older line's, or its number.
    entry = owner.locator("#history form[action='/undo'] [name=entry]").first.input_value()
    taken = str(int(entry) - 1)
    back = time.strftime("%Y-%m-%d", time.gmtime(time.time() - 3 * 86_400))
    for number in (taken, entry):
        owner.goto(f"{served.staff}/corrections/{number}")
        owner.locator("[name=on]").fill(back)
        owner.locator("[name=at]").fill("15:00" if number == entry else "14:00")
        owner.locator("[name=reason]").fill("entered after the fair")
        press(owner, "Save correction")
    assert owner.url.startswith(piece)
    history = owner.locator("#history")
    expect(history).to_contain_text("15:00")
    expect(history).to_contain_text("corrected by Odile: entered after the fair")
    expect(owner.locator(".lead svg.age")).to_have_attribute(
        "aria-label", re.compile("here (three days|two days)")
    )


def test_part_of_an_order_ships_now(owner: Page, served: Served) -> None:
    order = new_order(owner, served, name="Wren Tallow", a0_name="Fern")
    press(owner, "Ship part now")
    expect(owner.locator("aside")).to_contain_text("Wait for the whole order again")
    owner.goto(order)
    press(owner, "Wait for the whole order again")
    expect(owner.locator("aside")).to_contain_text("Ship part now")


# ---------------------------------------------------------------- the keyboard alone


def focus_is_visible(page: Page) -> bool:
    """Whether the element that has the focus shows it: an outline, a shadow, or another border."""
    return bool(
        page.evaluate(
            """() => { const e = document.activeElement; const s = getComputedStyle(e);
            const box = e.getBoundingClientRect();
            const label = e.closest('label, summary, tr, li');
            const around = label ? getComputedStyle(label) : s;
            const shown = t => (t.outlineStyle !== 'none' && parseFloat(t.outlineWidth) > 0)
                || t.boxShadow !== 'none';
            return box.width > 0 && (shown(s) || shown(around)); }"""
        )
    )


def tab_through(page: Page, most: int) -> list[str]:
    """What Tab comes to, in order; fails where the focus cannot be seen."""
    met: list[str] = []
    for _ in range(most):
        page.keyboard.press("Tab")
        what = page.evaluate(
            "() => { const e = document.activeElement; return e === document.body ? '' :"
            " (e.name || e.id || e.innerText || e.tagName).trim().slice(0, 40) }"
        )
        if not what:
            break
        assert focus_is_visible(page), f"the focus on {what} cannot be seen"
        met.append(what)
    return met


def test_tab_alone_comes_to_every_field_of_a_new_order_in_order(
    owner: Page, served: Served
) -> None:
    owner.goto(f"{served.staff}/orders/new")
    expect(owner.locator("#name")).to_be_focused()
    met = ["name", *tab_through(owner, 60)]
    wanted = ["name", "address_as", "mail", "phone", "shop_reference", "channel", "paid", "needed_by",
              "gift", "a0_name", "a0_kind", "a0_life", "a0_sex", "a0_marks", "a0c0_size",
              "a0c0_pose", "a0c0_base", "a0c0_inscription"]  # fmt: skip
    assert [name for name in dict.fromkeys(met) if name in wanted] == wanted


def test_a_piece_is_moved_on_the_benches_by_tab_and_enter(owner: Page, served: Served) -> None:
    count_photos(
        owner, new_order(owner, served, name="Tansy Merrow", a0_name="Clover"), "Clover", "9"
    )
    owner.goto(served.staff + "/")
    row = owner.locator("li, tr", has_text="Clover").last
    expect(row).to_be_visible()
    owner.locator("main").click(position={"x": 2, "y": 2})
    for _ in range(150):
        owner.keyboard.press("Tab")
        on_row = owner.evaluate(
            "() => { const e = document.activeElement; const r = e.closest('li, tr');"
            " return !!r && r.innerText.includes('Clover') && e.tagName === 'BUTTON' }"
        )
        if on_row:
            break
    assert on_row, "Tab never came to a button of the row"
    assert focus_is_visible(owner)
    with owner.expect_response(re.compile("/benches/move")):
        owner.keyboard.press("Enter")
    owner.wait_for_timeout(500)
    owner.goto(served.staff + "/")
    band = owner.locator("section", has_text="Model build").filter(has_text="Clover")
    expect(band.first).to_be_visible()


# ---------------------------------------------------------------- scripts switched off


@pytest.fixture(scope="module")
def plain(chromium: Browser, owner: Page) -> Iterator[Page]:
    """The owner's session in a browser that runs no script."""
    kept = owner.context.storage_state()
    context = chromium.new_context(java_script_enabled=False, storage_state=kept)
    yield context.new_page()
    context.close()


def test_without_scripts_an_order_is_typed_and_moved_to_shaping(
    plain: Page, served: Served
) -> None:
    plain.goto(f"{served.staff}/orders/new")
    plain.locator("[name=name]").fill("Noor Vance")
    plain.locator("[name=a0_name]").fill("Marlow")
    press(plain, "One more copy of Marlow") if plain.get_by_role(
        "button", name="One more copy of Marlow"
    ).count() else press(plain, "One more copy")
    assert plain.locator("[name=a0_name]").input_value() == "Marlow"
    plain.locator("[name=a0c1_size]").fill("60")
    press(plain, "One more animal")
    press(plain, "Save order")
    order = plain.url.split("?")[0]
    assert "Noor Vance" in plain.locator("h1").inner_text()
    count_photos(plain, order, "Marlow", "24")
    for name in STEPS_TO_SHAPING[:-1]:
        if name == "Good":
            plain.get_by_role("link", name="Assess beside the photos").click()
        press(plain, name)
    press(plain, "Done: to ready")
    if plain.locator("[name=sure]").count():
        plain.locator("[name=sure]").check()
        press(plain, "Done: to ready")
    plain.goto(order)
    plain.locator(".copies-list a", has_text="A1").click()
    press(plain, "Done: to shaping")
    assert "Shaping" in plain.locator(".lead").inner_text()
    press(plain, "Undo")
    assert "Blank" in plain.locator(".lead").inner_text()
