"""Two taps on the same spot of the benches, and what an open page is sent of other people's moves."""

import re
from collections.abc import Iterator
from datetime import UTC, datetime

import pytest
from playwright.sync_api import Browser, CDPSession, Locator, Page, expect

from tests.browser.conftest import Served
from tests.browser.test_more_acts import new_order, open_piece, press

SLOW_LINE = 1500  # ms before an answer begins


@pytest.fixture(scope="module")
def painted(owner: Page, served: Served) -> str:
    """A copy that stands in Painting; gives its page."""
    return in_painting(owner, served, "Hettie")


def in_painting(owner: Page, served: Served, animal: str, step: str = "painting") -> str:
    owner.goto(f"{served.staff}/orders/new")
    # Each of a customer of their own: a name that is known is asked about.
    owner.locator("[name=name]").fill(f"Owner of {animal}")
    owner.locator("[name=a0_name]").fill(animal)
    owner.locator("[name=under_way]").check()
    owner.locator("[name=a0_step]").select_option("ready")
    owner.locator("[name=a0c0_step]").select_option(step)
    for since in ("a0_since", "a0c0_since"):
        owner.locator(f"[name={since}]").fill(f"{datetime.now(tz=UTC):%Y-%m-%d}")
    press(owner, "Save order")
    return open_piece(owner, owner.url.split("?")[0], animal)


@pytest.fixture
def phone(chromium: Browser, owner: Page) -> Iterator[Page]:
    """The same person's phone."""
    context = chromium.new_context(
        viewport={"width": 390, "height": 844}, has_touch=True,
        storage_state=owner.context.storage_state(),
    )  # fmt: skip
    yield context.new_page()
    context.close()


def row(page: Page, piece: str) -> Locator:
    """The piece's row on the Benches page."""
    return page.locator(f"#{'-'.join(piece.rsplit('/', 2)[1:])}")


def laid_down(page: Page, piece: str, step: str = "Painting") -> None:
    """The piece lies in its step and nobody has it in hand: what a test did to it is undone."""
    page.goto(piece)
    for _ in range(4):
        if page.locator(".moves button", has_text="Start").count():
            break
        with page.expect_navigation():
            page.locator("#history form[action='/undo'] button").first.click()
        page.goto(piece)
    expect(page.locator(".lead strong")).to_have_text(step)


def tap_twice(page: Page, button: Locator, gap: int, *, finger: bool) -> None:
    """Two taps or clicks at the middle of a button as it stands now, whatever stands there then."""
    button.scroll_into_view_if_needed()
    box = button.bounding_box()
    assert box is not None
    at = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    tap = page.touchscreen.tap if finger else page.mouse.click
    tap(*at)
    page.wait_for_timeout(gap)
    tap(*at)


def delayed(wire: CDPSession, latency: int) -> None:
    """From now on each answer on a page's line begins so many ms late."""
    wire.send(
        "Network.emulateNetworkConditions",
        {"offline": False, "latency": latency, "downloadThroughput": -1, "uploadThroughput": -1},
    )


# Fingers at every pace on either line; the mouse goes the same way, so two of its paces will do.
PACES = [
    *(("phone", line, gap) for line in ("fast", "slow") for gap in (150, 250, 400, 700)),
    ("desk", "fast", 250),
    ("desk", "slow", 400),
]


@pytest.mark.parametrize(("device", "line", "gap"), PACES)
def test_a_double_tap_on_start_takes_the_piece_in_hand_and_no_further(
    owner: Page, phone: Page, served: Served, painted: str, gap: int, line: str, device: str
) -> None:
    laid_down(owner, painted)
    page = phone if device == "phone" else owner
    page.goto(f"{served.staff}/")
    wire = page.context.new_cdp_session(page)
    delayed(wire, SLOW_LINE if line == "slow" else 0)
    start = row(page, painted).get_by_role("button", name=re.compile("^Start"))
    tap_twice(page, start, gap, finger=device == "phone")
    expect(page.locator(".undo")).to_contain_text("is in hand", timeout=8000)
    page.wait_for_timeout(SLOW_LINE * 2 if line == "slow" else 600)
    # The owner's page serves the tests after this one, too.
    delayed(wire, 0)
    owner.goto(painted)
    expect(owner.locator(".lead strong")).to_have_text("Painting")
    expect(owner.locator(".moves .main")).to_have_text("Done: to inspection")


def test_the_second_of_two_quick_dones_does_not_meet_the_next_piece(
    owner: Page, served: Served
) -> None:
    pieces = [in_painting(owner, served, name, "shaping") for name in ("Otis", "Bracken")]
    for piece in pieces:
        laid_down(owner, piece, "Shaping")
        press(owner, "Start")
    owner.goto(f"{served.staff}/")
    tap_twice(owner, row(owner, pieces[0]).locator("[value^=shaped]"), 400, finger=False)
    expect(owner.locator(".undo")).to_contain_text("in Painting now")
    owner.wait_for_timeout(600)
    expect(owner.locator("#band-shaping .piece [value^=shaped]")).to_have_count(1)
    laid_down(owner, pieces[0], "Painting")


def test_a_row_that_has_changed_is_quiet_for_keys_too_and_then_takes_them(
    owner: Page, served: Served
) -> None:
    shaped = in_painting(owner, served, "Thistle", "shaping")
    owner.goto(f"{served.staff}/")
    row(owner, shaped).locator("[value^=start]").focus()
    owner.keyboard.press("Enter")
    done = row(owner, shaped).locator("[value^=shaped]")
    expect(done).to_have_attribute("aria-disabled", "true")
    expect(done).to_have_css("opacity", "1")  # quiet, and still read by everybody
    owner.keyboard.press("Enter")
    expect(done).not_to_have_attribute("aria-disabled", "true")
    expect(done).to_be_focused()
    owner.keyboard.press("Enter")
    expect(owner.locator(".undo")).to_contain_text("in Painting now")


@pytest.mark.parametrize("wide", [1280, 390])
def test_start_and_done_have_places_of_their_own(
    owner: Page, served: Served, painted: str, wide: int
) -> None:
    def box(button: Locator) -> tuple[float, float, float, float]:
        found = button.bounding_box()
        assert found is not None
        return (
            found["x"], found["x"] + found["width"], found["y"], found["y"] + found["height"]
        )  # fmt: skip

    def apart(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
        beside = one[1] <= other[0] or other[1] <= one[0]
        return beside or one[3] <= other[2] or other[3] <= one[2]

    owner.set_viewport_size({"width": wide, "height": 900})
    laid_down(owner, painted)
    first = owner.locator(".moves button", has_text="Start")
    onward = owner.locator(".moves button", has_text="Done: to inspection")
    before, place = box(first), box(onward)
    assert apart(before, place)
    owner.goto(f"{served.staff}/?show=all")
    lying = row(owner, painted)
    top = lying.bounding_box()["y"]  # type: ignore[index]
    start = box(lying.locator("[value^=start]"))
    owner.goto(painted)
    press(owner, "Start")
    owner.goto(painted)
    assert box(onward)[:2] == place[:2]
    assert abs(box(onward)[2] - place[2]) < 1
    owner.goto(f"{served.staff}/?show=all")
    shift = lying.bounding_box()["y"] - top  # type: ignore[index]
    done = box(lying.locator("[value^=painted]"))
    assert apart(start, (*done[:2], done[2] - shift, done[3] - shift))
    owner.set_viewport_size({"width": 1280, "height": 900})


def test_a_move_elsewhere_redraws_its_bands_alone_and_ticks_and_typed_text_stay(
    owner: Page, phone: Page, served: Served, painted: str
) -> None:
    laid_down(owner, painted)
    other = in_painting(owner, served, "Juniper")
    wanted = new_order(owner, served, a0_name="Biscuit")
    owner.goto(f"{served.staff}/")
    row(owner, painted).locator("[name=tick]").check()
    row(owner, other).get_by_role("button", name=re.compile("^Set aside")).click()
    owner.locator("[name=reason]").fill("the second coat")
    owner.evaluate("document.querySelector('#band-painting .piece').dataset.mine = 'kept'")
    answers: list[str] = []
    owner.on(
        "response",
        lambda got: (
            answers.append(got.text()) if "/bands" in got.url and got.status == 200 else None
        ),
    )
    phone.goto(wanted)
    open_piece(phone, wanted, "Biscuit")
    phone.locator("#photos_counted [name=amount]").fill("40")
    press(phone, "Photos are here")
    expect(owner.locator("#band-photos_in")).to_contain_text("Biscuit", timeout=10_000)
    assert "Biscuit" in answers[-1]
    assert 'id="band-painting" data-kept' in answers[-1]
    assert "Juniper" not in answers[-1].split('<form id="work"')[1]
    expect(row(owner, painted).locator("[name=tick]")).to_be_checked()
    expect(owner.locator("[name=reason]")).to_have_value("the second coat")
    expect(owner.locator("#band-painting [data-mine=kept]")).to_have_count(1)
    phone.goto(painted)
    press(phone, "Start")
    expect(row(owner, painted)).to_contain_text("you have it", timeout=10_000)
    expect(owner.locator("[name=reason]")).to_have_value("the second coat")
