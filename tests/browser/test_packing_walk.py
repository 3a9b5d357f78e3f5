"""Four o'clock at the packing table: nine pieces for five parcels, and what may not leave yet."""

import re
from collections.abc import Sequence

import pytest
from playwright.sync_api import Locator, Page, expect
from sqlalchemy import update

from app.flow.steps import Step
from app.shared import clock
from app.shared.people import Person, Role
from app.shared.places import DataFolder
from app.studio.workshop import Workshop
from app.tables import copies
from app.upkeep.audit import audit
from tests.browser.conftest import OWNER, Served
from tests.browser.test_every_page import faults
from tests.browser.test_more_acts import press
from tests.browser.walking import SHOTS
from tests.making import DAY, MadeOrder, Wanted, make_order, move

ME = Person(1, Role.OWNER, OWNER)


def at_packing(
    workshop: Workshop, customer: str, wanted: Sequence[Wanted], **more: object
) -> MadeOrder:
    """An order whose pieces have passed, paid and with an address that was confirmed."""
    now = clock.now()
    free = {
        "paid": "all", "ship_lines": f"The house of {customer}\nSaltmarsh", "ship_postcode": "SM1",
        "ship_country": "GB", "address_confirmed_at": now - DAY, **more,
    }  # fmt: skip
    return make_order(workshop.database, ME, now - 2 * DAY, wanted, customer=customer, **free)


def packed(name: str, number: int = 1, step: Step = Step.PACKING) -> Wanted:
    """Copies of an animal at packing."""
    return Wanted(name, copies=number, step=Step.READY, copy_step=step)


@pytest.fixture(scope="module")
def table(owner: Page, served: Served) -> dict[str, MadeOrder]:
    """Five addresses: one free, one whose spelling nobody confirmed, one unpaid, one that still
    cures, one that is a gift."""
    workshop = Workshop(DataFolder(served.folder))
    found = {
        "free": at_packing(workshop, "Imre Castellan", [packed("Juniper", 2)]),
        "spelt": at_packing(workshop, "Maren Oduya", [packed("Otis"), packed("Biscuit")]),
        "unpaid": at_packing(workshop, "Sela Brook", [packed("Hettie", 2)], paid="part"),
        "cures": at_packing(workshop, "Tobiah Finch", [packed("Rosa", 1, Step.PAINTING)]),
        "gift": at_packing(workshop, "Ines Palfrey", [packed("Admiral", 2)], gift=1),
    }
    rosa, now = found["cures"].copy(), clock.now()
    until = now + 3 * DAY
    move(workshop.database, rosa, ME, now - 60, "painted", reason="acrylic varnish", until=until)
    move(workshop.database, rosa, ME, now - 30, "passed")
    with workshop.database.writing() as db:
        named = update(copies).where(copies.c.id == found["spelt"].copy().id)
        db.execute(named.values(inscription="Otis of Fenwick"))
    workshop.close()
    return found


def look(page: Page, name: str) -> None:
    """No fault found by axe and no sideways scrolling on a phone, a tablet and a screen."""
    for wide in (390, 810, 1280):
        page.set_viewport_size({"width": wide, "height": 900})
        assert not page.evaluate("document.documentElement.scrollWidth > innerWidth"), (name, wide)
        if SHOTS:
            page.screenshot(path=f"{SHOTS}/packing-{name}-{wide}.png", full_page=True)
    assert not faults(page)


def at(page: Page, served: Served, customer: str) -> Locator:
    """What Today's table says of one address."""
    page.goto(f"{served.staff}/parcels")
    return page.locator("form.address", has_text=customer)


def begin(page: Page, address: Locator) -> None:
    """Begin a parcel with everything there."""
    for box in address.locator("[name=copy]").all():
        box.check()
    with page.expect_navigation():
        address.get_by_role("button", name=re.compile("^Begin a parcel")).click()


def test_each_piece_that_may_not_leave_says_why_and_what_clears_it(
    owner: Page, served: Served, table: dict[str, MadeOrder]
) -> None:
    spelt = at(owner, served, "Maren Oduya")
    expect(spelt).to_contain_text("The spelling of “Otis of Fenwick” is not confirmed.")
    expect(
        spelt.get_by_role("button", name=re.compile("^The customer confirms it"))
    ).to_be_visible()
    unpaid = at(owner, served, "Sela Brook")
    expect(unpaid).to_contain_text("It is not paid in full.")
    expect(unpaid.get_by_role("button", name=re.compile("^It is paid now"))).to_have_count(2)
    expect(at(owner, served, "Tobiah Finch")).to_contain_text(
        re.compile(r"It is still curing: wrapping would mark it\. Wait until \d")
    )
    ticked = owner.locator("[name=copy]:checked")
    expect(ticked).to_have_count(5)  # Juniper twice, Biscuit, Admiral twice
    look(owner, "table")


def test_a_stranger_s_piece_and_one_that_cures_are_refused(
    owner: Page, served: Served, table: dict[str, MadeOrder]
) -> None:
    begin(owner, at(owner, served, "Imre Castellan"))
    owner.locator("[name=code]").fill(f"{table['gift'].number}-A1")
    press(owner, "Put it in")
    expect(owner.locator("#scan .say")).to_contain_text("goes to a different address")
    look(owner, "stranger")
    press(owner, "Seal it")
    begin(owner, at(owner, served, "Tobiah Finch"))
    address = owner.locator("form.address", has_text="Tobiah Finch")
    expect(address.get_by_role("alert")).to_contain_text("may not be wrapped yet")
    expect(address.locator("[name=reason]")).to_be_visible()
    for customer in ("Maren Oduya", "Sela Brook", "Ines Palfrey"):
        begin(owner, at(owner, served, customer))
        press(owner, "Seal it")


def test_reasons_are_cleared_at_the_door_and_only_then_do_letters_go(
    owner: Page, served: Served, table: dict[str, MadeOrder]
) -> None:
    owner.goto(f"{served.staff}/letters")
    expect(owner.locator("main")).not_to_contain_text("Handed over")
    owner.goto(f"{served.staff}/parcels/courier")
    boxes = owner.locator("[name=parcel]")
    expect(boxes).to_have_count(4)
    for n, box in enumerate(boxes.all()):
        box.check()
        owner.locator("[name^=carrier-]").nth(n).fill("Tern Parcels")
        owner.locator("[name^=number-]").nth(n).fill(f"TP 77 0{n}")
    press(owner, "Hand over what is ticked")
    expect(owner.locator("main")).to_contain_text("Two parcels have left.")
    kept = owner.locator("[name^=number-]").first
    expect(kept).to_have_value(re.compile("TP"))
    look(owner, "courier")
    for button in ("The customer confirms it", "It is paid now"):
        with owner.expect_navigation():
            owner.get_by_role("button", name=re.compile(f"^{button}")).first.click()
    expect(owner.locator(".stops")).to_have_count(0)
    expect(kept).to_have_value(re.compile("TP"))
    press(owner, "Hand over what is ticked")
    expect(owner.locator("main")).to_contain_text("Nothing is sealed.")
    owner.goto(f"{served.staff}/parcels/list")
    expect(owner.locator("tbody tr")).to_have_count(4)
    owner.goto(f"{served.staff}/letters")
    expect(owner.locator("main").get_by_text("Goes out")).to_have_count(4)
    owner.goto(f"{served.staff}/parcels")
    expect(owner.locator(".lead")).to_contain_text("One piece is at packing")
    assert audit(DataFolder(served.folder), clock.now()).differences == []
