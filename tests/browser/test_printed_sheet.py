"""The sheet of a piece on paper: the views worked from, large, and nothing of the files' own data."""

import re
import sqlite3
import zlib
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest
from playwright.sync_api import Browser, Page

from tests.browser.conftest import Served, start, stop

MILLIMETRE = 96 / 25.4
A4 = (round(210 * MILLIMETRE), round(297 * MILLIMETRE))


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("demo")
    options = ("--no-browser", "--months", "2", "--orders-per-month", "20")
    served = start(folder, "demo", *options, until="Stop")
    yield served
    stop(served)


@pytest.fixture(scope="module")
def page(chromium: Browser, demo: Served) -> Iterator[Page]:
    found = chromium.new_context(viewport={"width": 1280, "height": 900}).new_page()
    found.goto(next(line for line in demo.said if "/in/" in line))
    found.locator("main button").click()
    found.wait_for_url(demo.staff + "/owner")
    yield found
    found.context.close()


def choose(page: Page, demo: Served) -> int:
    """Name six views of a model whose pictures are here; gives its number."""
    raw = sqlite3.connect(demo.folder / "studio.db")
    query = "SELECT model_id FROM picture_models GROUP BY 1 HAVING count(*) > 9 ORDER BY 1 LIMIT 1"
    [(model,)] = raw.execute(query)
    raw.close()
    page.goto(f"{demo.staff}/assess/{model}")
    fields = page.locator(".views input")
    for number in range(6):
        fields.nth(number).fill(str(1 + number))
    page.select_option('select[name="c_face"]', "left")
    page.get_by_role("button", name="Save the views").click()
    page.wait_for_load_state()
    return int(model)


def test_the_printed_sheet_shows_the_views_large_and_without_metadata(
    page: Page, demo: Served, tmp_path: Path
) -> None:
    model = choose(page, demo)
    page.goto(f"{demo.staff}/pieces/model/{model}")
    pdf = page.pdf(path=tmp_path / "sheet.pdf", format="A4")
    assert pdf.count(b"/DCTDecode") == 6
    streams = b"".join(_unpacked(s) for s in re.findall(rb"stream\r?\n(.*?)endstream", pdf, re.S))
    for sign in (b"GPS", b"Exif", b"IMG_", b"DSC_", b"print 1"):
        assert sign not in pdf
        assert sign not in streams
    page.emulate_media(media="print")
    page.set_viewport_size({"width": A4[0], "height": A4[1]})
    boxes = [svg.bounding_box() for svg in page.locator("#worked-from figure > svg").all()]
    assert len(boxes) == 6
    for box in boxes:
        assert box is not None
        # Two sides 10 cm high or the sheet's width, the others half its width at least.
        assert box["height"] > 55 * MILLIMETRE
        assert box["x"] + box["width"] <= A4[0]
    for hidden in ("#history", ".crumb", ".moves", ".top nav", "#pictures"):
        for one in page.locator(hidden).all():
            assert not one.is_visible(), hidden
    page.emulate_media(media="screen")


def _unpacked(stream: bytes) -> bytes:
    try:
        return zlib.decompress(stream)
    except zlib.error:
        return stream


def test_job_tickets_are_four_on_a_sheet_and_their_code_opens_the_piece(
    page: Page, demo: Served, tmp_path: Path
) -> None:
    raw = sqlite3.connect(demo.folder / "studio.db")
    query = "SELECT id FROM copies WHERE open = 1 AND step <> 'not_begun' ORDER BY id LIMIT 6"
    ids = [id_ for (id_,) in raw.execute(query)]
    raw.close()
    page.goto(f"{demo.staff}/tickets?" + "&".join(f"piece=copy:{id_}" for id_ in ids))
    for number, code in enumerate(page.locator(".qr").all()):
        png = cv2.imdecode(np.frombuffer(code.screenshot(), np.uint8), cv2.IMREAD_GRAYSCALE)
        assert png is not None
        # OpenCV's decoder shares nothing with the library that drew the code. A screen has three
        # dots to a module, paper has many more.
        found, *_ = cv2.QRCodeDetector().detectAndDecode(cv2.resize(png, None, fx=4, fy=4))
        assert found == f"{demo.staff}/pieces/copy/{ids[number]}"
    page.emulate_media(media="print")
    pdf = page.pdf(path=tmp_path / "tickets.pdf", prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) == 2
    box = re.search(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", pdf)
    assert box is not None
    assert [round(float(side) / 72 * 25.4) for side in box.groups()] == [210, 297]
