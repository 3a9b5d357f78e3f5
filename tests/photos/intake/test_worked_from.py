"""The views that are worked from stand on the pages of the model and of its copies, cut out."""

import re

from sqlalchemy import insert

from app.tables import marks
from tests.photos.intake.shots import Desk, jpeg
from tests.staff.browser import Browser
from tests.whole_site import words


def test_model_and_copy_show_the_chosen_views_and_marks_in_order_and_nothing_of_the_files(
    photo_desk: Desk, painter: Browser
) -> None:
    workshop, model = photo_desk.workshop, photo_desk.order.model()
    photo_desk.bring([(f"holiday {k}.jpg", jpeg(k, f"2026:03:03 10:00:0{k}")) for k in range(3)])
    animal = photo_desk.order.animal_ids["A"]
    with workshop.database.writing() as db:
        values = {"animal_id": animal, "place": "face", "side": "left", "what": "star", "must": 1}
        mark = db.execute(insert(marks).values(**values)).inserted_primary_key
        assert mark is not None
    chosen = {
        f"p_mark:{mark[0]}": "3", f"c_mark:{mark[0]}": "left", "p_face": "2", "c_face": "middle",
        "p_left": "1",
    }  # fmt: skip
    assert painter.post(f"/assess/{model.id}/views", chosen).status_code == 303
    ids = photo_desk.ids()
    for page in ("model/{}", "copy/{}"):
        ref = model if page.startswith("model") else photo_desk.order.copy()
        text = painter.get(f"/pieces/{page.format(ref.id)}").text
        part = text.split('id="worked-from"')[1].split("</section>")[0]
        assert re.findall(r"<figcaption>(.*?)</figcaption>", part) == [
            "Left side", "The face", "star (left)"
        ]  # fmt: skip
        assert re.findall(r"/photos/picture/(\d+)/full", part) == ids[:1] + ids[1:2] + ids[2:]
        # 96 by 64: whole, its middle, its left half; the inner frame cuts off the rest.
        frames = re.findall(r'<svg x="(\d+)" y="(\d+)" width="(\d+)" height="(\d+)"', part)
        assert frames == [("0", "0", "96", "64"), ("19", "12", "58", "40"), ("0", "0", "53", "64")]
        assert "holiday" not in part
        assert "originals" not in part


def test_without_chosen_views_nothing_stands_there(photo_desk: Desk, painter: Browser) -> None:
    photo_desk.bring([("a.jpg", jpeg(1))])
    page = painter.get(f"/pieces/model/{photo_desk.order.model().id}")
    assert 'id="worked-from"' not in page.text
    assert "views worked from" not in words(page)
