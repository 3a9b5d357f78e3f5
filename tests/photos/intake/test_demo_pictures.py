"""The invented studio's pictures: drawn without a position, each with its row, ready to sort."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from PIL import Image

from app.demo import opening, pictures
from app.photos.pictures.audit import check_pictures
from app.shared import child, clock
from app.shared.database import Database
from app.shared.places import DataFolder
from app.upkeep.audit import audit
from tests.demo.invented import A_TUESDAY
from tests.making import rows


def test_a_drawn_picture_has_a_date_and_no_position(tmp_path: Path) -> None:
    shot = {
        "of": "gap", "name": "IMG_1", "azimuth": 40, "level": 12, "animal": 0, "coat": 1,
        "taken": "2026:03:03 10:00:00", "way": "",
    }  # fmt: skip
    drawn = subprocess.run(
        [sys.executable, "-m", "app.demo.drawing", str(tmp_path)],
        input=json.dumps([[shot]]), text=True, capture_output=True, check=True,
        env=child.environment(),
    )  # fmt: skip
    said = json.loads(drawn.stdout)
    with Image.open(tmp_path / f"{said['sha256']}.jpg") as picture:
        exif = picture.getexif()
        assert picture.size == (said["width"], said["height"])
        assert not exif.get_ifd(0x8825)
        assert exif.get_ifd(0x8769)[36867] == shot["taken"]
        # The animal stands out from the ground: the middle is no even field.
        low, high = picture.convert("L").crop((300, 200, 600, 450)).getextrema()
        assert high - low > 100


def test_no_child_goes_on_drawing_for_a_studio_that_could_not_be_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun = []

    def begin(folder: DataFolder, now: int) -> pictures.Drawing:
        begun.append(drawing := real(folder, now))
        return drawing

    def build(*_: object) -> None:
        raise OSError("the disk is full")

    real = pictures.begin
    monkeypatch.setattr(pictures, "begin", begin)
    monkeypatch.setattr(opening, "build", build)
    with pytest.raises(OSError, match="the disk is full"):
        opening.prepare(DataFolder(tmp_path), 1, 1, 1, fresh=False, say=lambda _: None)
    assert [drawing.child.gone for drawing in begun] == [True]


def test_the_demo_has_two_animals_in_one_delivery_and_its_audit_is_clean(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Which sets wait to be asked again depends on the hour at which the history ends.
    monkeypatch.setattr(clock, "now", lambda: A_TUESDAY)
    folder = DataFolder(tmp_path / "demo")
    opening.prepare(folder, 2, 20, 1, fresh=False, say=lambda _: None)
    database = Database(folder.database_file)
    try:
        many, differ = check_pictures(database.reading, folder.pictures)
    finally:
        database.close()
    assert differ == []
    assert many >= 66 + 26 + 19 + 6
    [(here, nobodys)] = rows(
        database,
        "SELECT count(*), sum(NOT EXISTS (SELECT 1 FROM picture_models pm"
        "  WHERE pm.picture_id = p.id)) FROM pictures p JOIN orders o ON o.id = p.order_id"
        " WHERE (SELECT count(*) FROM order_animals oa WHERE oa.order_id = o.id) = 2"
        " AND o.once = 'the order with pictures'",
    )
    assert (here, nobodys) == (66, 66)
    again = rows(
        database,
        "SELECT m.pictures, count(*) FROM models m JOIN picture_models pm ON pm.model_id = m.id"
        " WHERE m.step = 'photos_wanted' AND m.attempts = 1 GROUP BY m.id ORDER BY 1",
    )
    assert again == [(19, 19), (26, 26)]
    lapses = "SELECT count(DISTINCT lapses_on) FROM photo_deliveries WHERE fetched_at IS NULL"
    assert int(str(rows(database, lapses)[0][0])) >= 3
    now = int(str(rows(database, "SELECT max(recorded_at) FROM transitions")[0][0]))
    assert audit(folder, now).differences == []
    assert not list(folder.pictures.glob("incoming/*"))
