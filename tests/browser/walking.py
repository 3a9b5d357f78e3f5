"""What the walks at the photo desk share: pictures on a card, telling, fetching, the check's answer.

Every page on the way is looked at by axe, at 1280 px and on a phone; with LIKEWRIGHT_SHOTS set to
a folder each is kept there as a picture.
"""

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np
from PIL import Image
from playwright.sync_api import Locator, Page, expect

from tests.browser.conftest import Served
from tests.browser.test_every_page import faults
from tests.browser.test_more_acts import open_part, press
from tests.photos.check.render import View, picture

SHOTS = os.environ.get("LIKEWRIGHT_SHOTS", "")
WIDE = 1280


@dataclass
class Walk:
    """Who walks, and where the order's pages are."""

    page: Page
    served: Served
    order: str = ""
    delivery: str = ""
    models: dict[str, str] = field(default_factory=dict)
    seen: list[str] = field(default_factory=list)
    kinds: set[str] = field(default_factory=set)

    def look(self, name: str) -> None:
        """The page as it stands: no fault found by axe, no sideways scrolling on either width.

        Each kind of page is looked at by axe on a phone too, the first time it is come to; one
        that was looked at before under this name is passed over.
        """
        if name in self.seen and not SHOTS:
            return
        self.page.wait_for_load_state()
        kind = re.sub(r"\d+", "", urlsplit(self.page.url).path)
        for wide in (390, WIDE):
            self.page.set_viewport_size({"width": wide, "height": 900})
            if wide == WIDE or kind not in self.kinds:
                assert not faults(self.page)
            assert not self.page.evaluate("document.documentElement.scrollWidth > innerWidth"), name
            if SHOTS:
                path = Path(SHOTS) / f"{self.order[-4:]}-{len(self.seen):02d}-{name}-{wide}.png"
                self.page.screenshot(path=path, full_page=True)
        self.seen.append(name)
        self.kinds.add(kind)

    def go(self, address: str) -> None:
        self.page.goto(address if address.startswith("http") else self.served.staff + address)


def card(folder: Path, views: Sequence[View], hour: str, first: int = 0) -> list[Path]:
    """Pictures on the technician's disk, as a camera makes them: a name and a clock that runs."""
    folder.mkdir(parents=True, exist_ok=True)
    for k, view in enumerate(views, start=first):
        exif = Image.Exif()
        exif[271] = "Example"
        exif[0x8769] = {36867: f"2026:03:03 {hour}:00:{k:02d}"}
        shown = Image.fromarray(np.ascontiguousarray(picture(view)))
        shown.save(folder / f"IMG_{hour}{k:02d}.jpg", quality=85, exif=exif)
    return sorted(folder.glob(f"IMG_{hour}*"))


def told(walk: Walk, way: str, many: int, link: str = "", lapses: date | None = None) -> None:
    """What the customer said of their photographs, noted on the order's page."""
    walk.go(walk.order)
    open_part(walk.page, "Photos are announced")
    form = walk.page.locator("form[action$='/photos']")
    form.locator("[name=way]").select_option(way)
    form.locator("[name=link]").fill(link)
    form.locator("[name=lapses_on]").fill(lapses.isoformat() if lapses else "")
    form.locator("[name=files_said]").fill(str(many))
    press(walk.page, "Log it")


def fetch(walk: Walk, files: list[Path]) -> None:
    """The order leads to it, and so does the list; the files are brought in."""
    expect(walk.page.locator(".told-of")).to_contain_text(f"{len(files)} files, they say")
    walk.look("told")
    walk.go("/photos")
    walk.look("list")
    row = walk.page.locator(".fetch", has_text=walk.order.rsplit("/", 1)[1])
    expect(row).to_contain_text(f"{len(files)} files, they say.")
    row.get_by_role("link", name="Add photos").click()
    walk.delivery = walk.page.url
    walk.look("delivery")
    walk.page.locator("#files").set_input_files(files)
    walk.page.get_by_role("button", name="Add them").click()
    said = walk.page.locator("#bring-said")
    expect(said).to_contain_text(f"Done: {len(files)} new.", timeout=30_000)
    expect(walk.page.locator("#here")).to_contain_text("safely here, as announced.")


def await_check(walk: Walk, name: str) -> Locator:
    """The check's answer, which comes by itself."""
    verdict = walk.page.locator("#check .verdict")
    waiting = walk.page.locator("#check [role=status], #check [aria-live]")
    expect(waiting).to_have_count(0, timeout=90_000)
    walk.look(name)
    return verdict
