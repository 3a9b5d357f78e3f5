"""A half-typed order stays in the browser until it is saved, thrown away or signed out of."""

import re
from typing import Any

from playwright.sync_api import Page, expect

from tests.browser.conftest import Served
from tests.browser.test_every_page import faults

AT = re.compile(r"today at \d{1,2}:\d\d")


def kept(page: Page) -> dict[str, Any]:
    """What the browser keeps of half-typed orders."""
    found: dict[str, Any] = page.evaluate(
        "Object.fromEntries(Object.entries(localStorage).map(([k, v]) => [k, JSON.parse(v).typed]))"
    )
    return found


def half_typed(page: Page, served: Served, customer: str) -> Page:
    """A window in which an order of two animals was begun, in the same browser."""
    window = page.context.new_page()
    window.goto(f"{served.staff}/orders/new")
    window.locator("#name").fill(customer)
    window.locator("#a0_name").fill("Juniper")
    window.locator("[name=a0c0_size]").fill("120")
    window.get_by_role("button", name="One more animal").click()
    expect(window.locator("#a1_name")).to_be_focused()
    window.keyboard.type("Otis")
    return window


def test_a_half_typed_order_outlives_its_window_and_is_saved(owner: Page, served: Served) -> None:
    half_typed(owner, served, "Maren Oduya").close()
    owner.goto(f"{served.staff}/orders/new")
    offer = owner.locator("#drafts p")
    expect(offer).to_contain_text("You began an order for Juniper today at")
    assert AT.search(offer.inner_text())
    assert not faults(owner)
    owner.get_by_role("button", name="Carry on").click()
    expect(owner.locator("#a1_name")).to_have_value("Otis")
    expect(owner.locator("#name")).to_have_value("Maren Oduya")
    expect(owner.locator("[name=a0c0_size]")).to_have_value("120")
    expect(offer).to_have_count(0)
    owner.locator("[name=a1c0_size]").fill("60")
    owner.locator("main button.main").click()
    owner.wait_for_url(re.compile(r"/orders/\d+\?done=saved"))
    assert kept(owner) == {}
    expect(owner.locator("h1")).to_contain_text("Maren Oduya")
    owner.go_back()
    expect(owner.locator("#name")).to_have_value("")
    expect(offer).to_have_count(0)


def test_a_wrong_click_back_and_a_reload_lose_nothing(owner: Page, served: Served) -> None:
    window = half_typed(owner, served, "Wren Tallow")
    window.get_by_role("link", name="Customers", exact=True).click()
    window.wait_for_url("**/customers")
    window.go_back()
    expect(window.locator("#drafts p")).to_have_count(1)
    window.reload()
    window.get_by_role("button", name="Carry on").click()
    expect(window.locator("#name")).to_have_value("Wren Tallow")
    window.locator("#name").fill("Wren Tallow-Reid")
    window.reload()
    expect(window.locator("#drafts p")).to_have_count(1)
    [typed] = kept(window).values()
    assert (typed["name"], typed["a1_name"]) == ("Wren Tallow-Reid", "Otis")
    window.get_by_role("button", name="Throw away").click()
    expect(window.locator("#drafts p")).to_have_count(0)
    assert kept(window) == {}
    window.close()


def test_without_a_connection_nothing_typed_is_lost(owner: Page, served: Served) -> None:
    window = half_typed(owner, served, "Noor Vance")
    window.context.set_offline(True)
    window.locator("#a1_kind").fill("goat")
    window.locator("main button.main").click()
    expect(window.locator("#offline")).to_be_visible()
    expect(window.locator("#a1_kind")).to_have_value("goat")
    window.context.set_offline(False)
    window.close()
    window = owner.context.new_page()
    window.goto(f"{served.staff}/orders/new")
    window.get_by_role("button", name="Carry on").click()
    expect(window.locator("#a1_kind")).to_have_value("goat")
    window.get_by_role("button", name="Save, then the next order").click()
    window.wait_for_url(re.compile(r"/orders/new\?done=saved"))
    assert kept(window) == {}
    window.close()


def test_what_is_emptied_again_is_not_kept(owner: Page, served: Served) -> None:
    owner.goto(f"{served.staff}/orders/new")
    owner.locator("#name").fill("Imre")
    assert len(kept(owner)) == 1
    owner.locator("#name").fill("")
    assert kept(owner) == {}


def test_the_known_customer_is_found_by_email_and_asked_about_at_save(
    owner: Page, served: Served
) -> None:
    for name in ("Sela Brook", "S. Brook"):
        owner.goto(f"{served.staff}/orders/new")
        owner.locator("#name").fill(name)
        owner.locator("#mail").press_sequentially("sela@brook.example")
        owner.locator("#a0_name").fill("Hettie")
        if name == "S. Brook":
            expect(owner.locator("#known-mail")).to_contain_text("Back again? Sela Brook")
        owner.locator("main button.main").click()
        if name == "S. Brook":
            expect(owner.get_by_role("button", name="This is the same person")).to_be_focused()
            assert not faults(owner)
            owner.keyboard.press("Enter")
        owner.wait_for_url(re.compile(r"/orders/\d+\?done=saved"))
    expect(owner.locator("h1")).to_contain_text("Sela Brook")


def test_nothing_half_typed_stays_after_signing_out(owner: Page, served: Served) -> None:
    window = half_typed(owner, served, "Tansy Merrow")
    assert len(kept(owner)) == 1
    owner.goto(f"{served.staff}/orders/new")
    owner.locator(".me summary").click()
    owner.get_by_role("button", name="Sign out").click()
    owner.wait_for_url("**/sign-in*")
    assert kept(owner) == {}
    window.locator("#name").fill("Tansy Merrow-Lane")
    assert kept(owner) == {}, "the window that is still open keeps nothing either"
    window.close()
