"""The main job, by keyboard and by taps: an order typed, moved to the shelf, its page following."""

import re
import time

from playwright.sync_api import Page, expect

from tests.browser.conftest import Served


def type_order(page: Page, served: Served) -> float:
    """Three animals with two copies each, by keyboard alone; gives the seconds it took."""
    page.goto(f"{served.staff}/orders/new")
    keys = page.keyboard
    expect(page.locator("#name")).to_be_focused()
    began = time.monotonic()

    def go_on(text: str = "", tabs: int = 1) -> None:
        keys.type(text)
        for _ in range(tabs):
            keys.press("Tab")

    go_on("Maren Oduya")
    go_on("Maren")
    go_on("maren@oduya.example")
    go_on("0000 555 0144")
    page.locator("#a0_name").focus()
    for n, (name, kind, marks) in enumerate(
        (
            ("Juniper", "Arab mare, grey", "white stocking, left hind; scar on the right shoulder"),
            ("Otis", "lurcher, brindle", "torn left ear"),
            ("Admiral", "tortoise", ""),
        )
    ):
        go_on(name)
        go_on(kind, tabs=3)
        # From the second animal on there is the question whose base it stands on.
        go_on(marks, tabs=2 if n else 1)
        for copy in range(2):
            go_on("120" if not copy else "60", tabs=2)
            go_on("standing")
            go_on("oak")
            keys.type(name if not copy else "")
            if not copy:
                go_on(tabs=2)
                keys.press("Enter")
                expect(page.locator(f"[name=a{n}c1_size]")).to_be_focused()
        if n < 2:
            go_on(tabs=4)
            keys.press("Enter")
            expect(page.locator(f"[name=a{n + 1}_name]")).to_be_focused()
    keys.press("Control+Enter")
    page.wait_for_url(re.compile(r"/orders/\d+\?done=saved"))
    return time.monotonic() - began


def status_text(page: Page, served: Served) -> str:
    """What the customer reads now."""
    link = page.locator("#the-link").input_value()
    reader = page.context.browser.new_page()  # type: ignore[union-attr]
    reader.goto(link)
    text = reader.inner_text("body")
    reader.close()
    return text


def await_text(page: Page, served: Served, wanted: str, seconds: float = 8) -> str:
    """The customer's page, once it says something."""
    end = time.monotonic() + seconds
    text = ""
    while time.monotonic() < end:
        text = status_text(page, served)
        if wanted.lower() in text.lower():
            return text
        time.sleep(0.3)
    raise AssertionError(f"the page never said {wanted!r}:\n{text}")


def press(page: Page, name: str) -> None:
    """Press a button by its words, and wait for the next page."""
    words = re.compile(rf"^\s*{re.escape(name)}\s*$")
    with page.expect_navigation():
        page.locator("main button:visible").filter(has_text=words).first.click()


def test_an_order_is_typed_by_keyboard_and_walks_to_the_shelf(owner: Page, served: Served) -> None:
    seconds = type_order(owner, served)
    assert seconds < 60
    order = owner.url.split("?")[0]
    expect(owner.locator("h1")).to_contain_text("Maren Oduya, order 1001")
    assert "Juniper" in await_text(owner, served, "Juniper")

    owner.locator(".next .name a", has_text="Juniper").first.click()
    owner.locator("summary", has_text="Photos are here").first.click() if not owner.locator(
        "[name=amount]"
    ).first.is_visible() else None
    owner.locator("[name=amount]").first.fill("82")
    press(owner, "Photos are here")
    owner.goto(order)
    assert "82" in await_text(owner, served, "82")
    owner.locator(".next .name a", has_text="Juniper").first.click()
    piece = owner.url.split("?")[0]
    press(owner, "Start build")
    press(owner, "Build finished")
    press(owner, "Look at it")
    owner.get_by_role("link", name="Assess beside the photos").click()
    press(owner, "Good")
    press(owner, "Start")
    owner.locator(".moves button", has_text="Done").click()
    owner.get_by_label("Finish it anyway").check()
    press(owner, "Done: to ready")
    owner.goto(order)
    await_text(owner, served, "at the first stage")

    owner.locator(".copies-list a", has_text="A1").first.click()
    copy = owner.url.split("?")[0]
    press(owner, "Done: to shaping")
    press(owner, "Start")
    press(owner, "Done: to painting")
    press(owner, "Start")
    owner.locator(".moves select[name=coat]").select_option("nothing that cures")
    press(owner, "Done: to inspection")
    press(owner, "Inspect")
    for box in owner.locator("#passed input[type=checkbox]").all():
        if not box.is_visible():
            owner.locator("#passed > summary").click()
        box.check()
    press(owner, "Pass")
    assert "Packing" in owner.inner_text(".lead")
    owner.goto(f"{served.staff}/parcels")
    expect(owner.locator("main")).to_contain_text("There is no address.")
    owner.get_by_role("link", name="Hand over").first.click()
    owner.locator("input[name=carrier]").fill("Tern Parcels")
    owner.locator("input[name=number]").fill("RR473124829GB")
    owner.locator("main button.main").click()
    expect(owner.locator(".problems, .say").first).to_be_visible()
    assert owner.locator("input[name=number]").input_value() == "RR473124829GB"
    owner.locator("textarea[name=reason]").fill("collected at the fair, paid in cash")
    press(owner, "Hand over")
    expect(owner.locator("h1")).to_contain_text("RR473124829GB")
    owner.goto(order)
    await_text(owner, served, "RR473124829GB")
    owner.locator("aside a", has_text="RR473124829GB").click()
    press(owner, "Received")
    assert "Received" in owner.goto(copy).text()  # type: ignore[union-attr]
    assert piece


def test_an_ear_broken_at_inspection_makes_a_remake_and_undo_takes_it_back(
    owner: Page, served: Served
) -> None:
    owner.goto(f"{served.staff}/orders/1001")
    owner.locator(".copies-list a", has_text="A2").first.click()
    press(owner, "Done: to shaping")
    press(owner, "Start")
    press(owner, "Done: to painting")
    press(owner, "Start")
    press(owner, "Done: to inspection")
    owner.locator("#findings > summary").click()
    owner.locator("#remake > summary").click()
    owner.locator("#remake select[name=cause]").select_option("shaping")
    owner.locator("#remake textarea[name=reason]").fill("the left ear broke off")
    press(owner, "Remake")
    owner.goto(f"{served.staff}/orders/1001")
    expect(owner.locator(".copies-list")).to_contain_text(["making 2"])
    expect(owner.locator("#history")).to_contain_text("the left ear broke off")
    undo = owner.locator("#history li", has_text="to be made again").get_by_role("button")
    with owner.expect_navigation():
        undo.click()
    assert "making 2" not in owner.inner_text("main")


def test_two_browsers_on_one_piece_and_a_wet_double_tap_move_it_once(
    owner: Page, served: Served
) -> None:
    owner.goto(f"{served.staff}/orders/1001")
    owner.locator(".next .name a", has_text="Otis").first.click()
    other = owner.context.new_page()
    other.goto(owner.url)
    owner.locator("[name=amount]").first.fill("61")
    press(owner, "Photos are here")
    other.locator("[name=amount]").first.fill("60")
    press(other, "Photos are here")
    assert "has already moved" in other.inner_text("main")
    other.close()
    before = owner.url
    owner.locator(".moves button", has_text="Start build").dblclick()
    # The second tap breaks off the page that the first one asked for: the address is looked at
    # until it is another, instead of one navigation being waited for.
    expect(owner).not_to_have_url(before)
    expect(owner).to_have_url(re.compile("done=|/move"))
    owner.wait_for_load_state()
    owner.goto(owner.url.split("?")[0])
    assert owner.inner_text("#history").count("build started") == 1
