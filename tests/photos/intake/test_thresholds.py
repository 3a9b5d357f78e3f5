"""A person may move a threshold; each check is kept with the version it was made with."""

import json
import threading
from dataclasses import asdict
from pathlib import Path

import pytest

from app.photos.check import command as check_command
from app.photos.check import thresholds_kept
from app.photos.check import worker as check_worker
from app.photos.check.thresholds import Thresholds
from app.shared.errors import CannotStart
from app.shared.places import DataFolder
from tests.making import rows
from tests.photos.intake.shots import Desk, jpeg
from tests.staff.browser import Browser
from tests.whole_site import the_form, words


def test_a_moved_threshold_is_what_the_next_check_goes_by(photo_desk: Desk, owner: Browser) -> None:
    workshop = photo_desk.workshop

    def check(seed: int) -> None:
        photo_desk.bring([(f"{seed}.jpg", jpeg(seed))])
        workshop.moment += 60
        assert check_worker.check_next(workshop, threading.Event())

    check(1)
    form = the_form(owner.get("/photos/thresholds").text, "/photos/thresholds")
    assert form.fields["least_pictures"] == "10"
    assert owner.post(form.action, form.fields | {"least_pictures": "21"}).status_code == 303
    assert owner.get("/settings").status_code == 200
    check(2)
    found = rows(
        workshop.database, "SELECT thresholds_version, result FROM photo_checks ORDER BY id"
    )
    assert found[0][0] == Thresholds().version
    assert str(found[1][0]).startswith(f"{Thresholds().version}, moved ")
    assert "fewer than 10" in str(found[0][1])
    assert "fewer than 21" in str(found[1][1])
    assert owner.post(form.action, form.fields | {"least_pictures": ""}).status_code == 303
    with workshop.database.reading() as db:
        assert thresholds_kept.load(db) == Thresholds()


@pytest.mark.parametrize(
    ("name", "value", "sentence"),
    [
        ("gap", "400", "Between 20 and 180, please."),
        ("gap", "wide", "A number, please."),
        ("gap", "nan", "Between 20 and 180, please."),
        ("least_pictures", "9.5", "A whole number, please."),
        ("holds_too_little", "0.95", "This must be above the share for too little overlap."),
    ],
)
def test_a_value_that_makes_no_sense_is_refused_at_its_field(
    owner: Browser, name: str, value: str, sentence: str
) -> None:
    answer = owner.post("/photos/thresholds", {name: value})
    assert answer.status_code == 422
    assert sentence in words(answer)


def test_every_movable_threshold_is_one_and_its_default_fits() -> None:
    assert thresholds_kept.read({}) == {}
    for one in thresholds_kept.MOVABLE:
        assert one.least <= getattr(Thresholds(), one.name) <= one.most


def test_the_line_below_which_a_jpeg_looks_like_a_copy_can_be_moved() -> None:
    moved = thresholds_kept.read({"poor_jpeg": "60"})
    assert thresholds_kept.with_moved(moved).poor_jpeg == 60.0
    fixed = {"poor_jpeg", "version"}
    before, after = (asdict(t) for t in (Thresholds(), thresholds_kept.with_moved(moved)))
    assert {k for k in before if before[k] != after[k]} == fixed


def test_the_check_at_the_prompt_goes_by_a_studios_own_lines(
    photo_desk: Desk, owner: Browser, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "1.jpg").write_bytes(jpeg(1))
    owner.post("/photos/thresholds", {"least_pictures": "21"})
    assert check_command.main(tmp_path, True, studio=photo_desk.workshop.folder) == 2
    told = json.loads(capsys.readouterr().out)
    assert "fewer than 21" in told["reasons"][0]["text"]
    assert "moved" in told["thresholds_version"]
    assert check_command.main(tmp_path, True) == 2
    assert "fewer than 10" in json.loads(capsys.readouterr().out)["reasons"][0]["text"]


def test_the_lines_of_a_studio_that_is_not_there_are_refused(tmp_path: Path) -> None:
    with pytest.raises(CannotStart, match="no workshop"):
        check_command.thresholds_of(DataFolder(tmp_path / "nowhere"))
