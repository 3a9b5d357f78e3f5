"""Every page of the demo, looked at by a machine: no accessibility fault, no script error, no
sideways scrolling on a phone.

axe-core comes in the wheel of axe-playwright-python; it is put into the page by evaluate, which a
strict Content-Security-Policy does not forbid. WCAG 2.2 A and AA are asked for.
"""

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import axe_playwright_python
import pytest
from playwright.sync_api import Browser, Page

from tests.browser.conftest import Served, start, stop

AXE = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text()
ASKED = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
STAFF = (
    "/book",
    "/", "/?show=mine", "/?bench=painting", "/my-bench", "/orders/new", "/orders", "/orders?closed=1", "/waiting", "/waiting/longer", "/parcels", "/parcels/courier", "/parcels/list", "/belongings", "/aftercare", "/break-room",
    "/builds", "/blanks", "/colours", "/photos", "/photos/record", "/photos/thresholds", "/customers", "/letters", "/owner", "/what-would-help", "/week", "/absences", "/lead-times", "/rework", "/find?q=otis", "/settings", "/settings/closures", "/settings/carriers", "/settings/carriers/1", "/settings/keeping", "/settings/letters", "/set-up", "/set-up/address", "/set-up/mail", "/set-up/backups", "/history", "/letters/test", "/accounts", "/me",
)  # fmt: skip


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("demo")
    served = start(
        folder, "demo", "--no-browser", "--months", "4", "--orders-per-month", "30", until="Stop"
    )
    yield served
    stop(served)


def signed_in(chromium: Browser, demo: Served, width: int) -> Page:
    page = chromium.new_context(viewport={"width": width, "height": 900}).new_page()
    page.goto(next(line for line in demo.said if "/in/" in line))
    page.locator("main button").click()
    page.wait_for_url(demo.staff + "/owner")
    return page


def faults(page: Page) -> list[str]:
    """What axe finds on the page, in a line each."""
    if page.evaluate("typeof axe === 'undefined'"):
        page.evaluate(AXE)
    # What passes is not listed node by node: a page takes less than half as long.
    asked = {"runOnly": {"type": "tag", "values": ASKED}, "resultTypes": ["violations"]}
    found: dict[str, Any] = page.evaluate("asked => axe.run(document, asked)", asked)
    return [
        f"{page.url}: {v['id']}: {v['nodes'][0]['html'][:160]} ({len(v['nodes'])} places)"
        for v in found["violations"]
    ]


def addresses(page: Page, demo: Served) -> list[str]:
    """The staff's pages: the fixed ones, and one of each kind that needs a row."""
    found = [path for path in STAFF if page.request.get(demo.staff + path).status == 200]
    page.goto(f"{demo.staff}/orders")
    order = str(page.locator("table.list a[href^='/orders/']").first.get_attribute("href"))
    page.goto(demo.staff + order)
    links = [str(a.get_attribute("href")) for a in page.locator("main a").all()]
    for pattern in (r"^/pieces/copy/", r"^/pieces/model/", r"^/customers/\d", r"^/animals/\d"):
        found += [link for link in links if re.match(pattern, link)][:1]
    found += [link for link in links if link.startswith("/corrections/")][:1]
    found += [order, f"{order}/edit", f"/tickets?order={order.rpartition('/')[2]}"]
    for path in [p for p in found if re.match(r"^/(customers|animals)/\d+$", p)]:
        found += [f"{path}/edit", *([f"{path}/erase"] if "customers" in path else [])]
    found += [f"{path}/colours" for path in found if re.match(r"^/animals/\d+$", path)]
    page.goto(f"{demo.staff}/waiting")
    waiting = page.locator("main a[href^='/orders/']")
    orders = {str(a.get_attribute("href")).partition("#")[0] for a in waiting.all()}
    for path in sorted(orders):
        page.goto(demo.staff + path)
        shown = page.locator("main a[href^='/approvals/']")
        if shown.count():
            found.append(str(shown.first.get_attribute("href")))
            break
    page.goto(f"{demo.staff}/lead-times")
    months = [str(a.get_attribute("href")) for a in page.locator("#t-finishing a").all()]
    found += months[-2:-1]
    page.goto(f"{demo.staff}/photos")
    pictures = [str(a.get_attribute("href")) for a in page.locator("main a").all()]
    for pattern in (
        r"^/photos/deliveries/\d+$",
        r"^/photos/deliveries/\d+/sorting",
        r"^/photos/check/",
    ):
        found += [link for link in pictures if re.match(pattern, link)][:1]
    page.goto(f"{demo.staff}/?bench=painting")
    painting = page.locator("#band-painting [name=tick]")
    found += (
        [f"/last-coat?piece={painting.first.get_attribute('value')}"] if painting.count() else []
    )
    page.goto(f"{demo.staff}/parcels")
    inside = [str(a.get_attribute("href")) for a in page.locator("main a").all()]
    found += [link for link in inside if link.startswith("/parcels/new")][:1]
    found += [link for link in inside if re.match(r"^/parcels/\d", link)][:3]
    return found


@pytest.mark.parametrize("width", [1280, 390])
def test_no_page_of_the_staff_has_a_fault(chromium: Browser, demo: Served, width: int) -> None:
    page = signed_in(chromium, demo, width)
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda m: wrong.append(m.text) if m.type == "error" else None)
    page.on(
        "response",
        lambda got: wrong.append(f"{got.status} {got.url}") if got.status >= 400 else None,
    )
    found = addresses(page, demo)
    assert len(found) >= 18
    for path in found:
        page.goto(demo.staff + path)
        wrong += faults(page)
        if page.evaluate("document.documentElement.scrollWidth > innerWidth"):
            wrong.append(f"{path} scrolls sideways at {width}")
    page.context.close()
    assert not wrong, json.dumps(wrong, indent=1)


def test_an_order_in_the_list_is_read_whole_on_a_phone_and_a_number_keeps_its_unit(
    chromium: Browser, demo: Served
) -> None:
    for width in (1280, 390):
        page = signed_in(chromium, demo, width)
        page.goto(demo.staff + "/orders")
        assert page.locator("table.list tbody tr").count() > 5
        cut = page.evaluate(
            """[...document.querySelectorAll("table.list td")].filter(
              td => td.getBoundingClientRect().right > innerWidth).length"""
        )
        wrapped = page.evaluate(
            """[...document.querySelectorAll("table.list tbody td.n")].filter(td => {
              const text = document.createRange(); text.selectNodeContents(td);
              return text.getClientRects().length > 1;
            }).map(td => td.textContent)"""
        )
        page.context.close()
        assert (cut, wrapped) == (0, []), width


def test_no_page_of_a_customer_has_a_fault_and_none_needs_a_script(
    chromium: Browser, demo: Served
) -> None:
    links = [line for line in demo.said if line.startswith(demo.public)]
    assert len(links) >= 3
    wrong: list[str] = []
    for link in links:
        page = chromium.new_context(viewport={"width": 390, "height": 800}).new_page()
        page.goto(link)
        wrong += faults(page)
        if page.evaluate("document.documentElement.scrollWidth > innerWidth"):
            wrong.append(f"{link} scrolls sideways")
        assert page.locator("script").count() == 0
        page.context.close()
    assert not wrong, json.dumps(wrong, indent=1)
