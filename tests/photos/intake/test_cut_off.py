"""The house is cut off, or its disk is full: what was acknowledged is here, nothing half is."""

import os
import subprocess
import sys

import pytest

from app.photos.intake import worker as intake_worker
from app.photos.pictures import files
from app.shared.faults import ENDED
from tests.photos.intake.killed import MANY, bring_all
from tests.photos.intake.shots import Desk, jpeg, pixels
from tests.staff.browser import ORIGIN
from tests.whole_site import words


@pytest.mark.parametrize("point", ["before commit:1", "before commit:3", "after commit:2"])
def test_after_a_cut_rows_and_files_are_the_same_and_nothing_acknowledged_is_lost(
    photo_desk: Desk, point: str
) -> None:
    workshop = photo_desk.workshop
    child = subprocess.run(
        [sys.executable, "-m", "tests.photos.intake.killed", str(workshop.folder.path),
         str(photo_desk.delivery)],
        env=os.environ | {"LIKEWRIGHT_FAULT": point}, capture_output=True, text=True, timeout=60,
        check=False,
    )  # fmt: skip
    assert child.returncode == ENDED, child.stderr
    said = child.stdout.split()
    assert set(said) <= set(photo_desk.names())
    assert photo_desk.paths() <= photo_desk.files(), "a row never comes before its file"
    aside = intake_worker.tidy(workshop)
    assert aside == (1 if point.startswith("before") else 0)
    assert photo_desk.files() == photo_desk.paths()
    assert photo_desk.half_files() == []
    again = bring_all(workshop, photo_desk.delivery)
    assert again.counts["known"] == len(photo_desk.names()) - again.counts["kept"]
    assert len(photo_desk.names()) == MANY
    assert photo_desk.files() == photo_desk.paths()


def test_an_upload_that_ends_in_the_middle_keeps_the_files_that_were_whole(
    photo_desk: Desk,
) -> None:
    mark = "spot"
    part = (
        '--{0}\r\nContent-Disposition: form-data; name="files"; filename="{1}"\r\n'
        "Content-Type: image/jpeg\r\n\r\n"
    )
    body = b"".join(
        [
            part.format(mark, "a.jpg").encode(), jpeg(1), b"\r\n",
            part.format(mark, "b.jpg").encode(), jpeg(2)[:900],
        ]
    )  # fmt: skip
    answer = photo_desk.browser.send(
        "POST", f"/photos/bring/{photo_desk.delivery}", content=body,
        headers={"origin": ORIGIN, "content-type": f"multipart/form-data; boundary={mark}"},
    )  # fmt: skip
    assert answer.status_code == 422
    assert "ended too early" in words(answer)
    assert photo_desk.names() == ["a.jpg"]
    assert photo_desk.half_files() == []


@pytest.mark.skipif(os.geteuid() != 0, reason="mounting a small disk takes root")
def test_on_a_full_disk_what_came_before_stays_and_the_rest_is_refused_in_words(
    photo_desk: Desk,
) -> None:
    import io

    place = photo_desk.workshop.folder.pictures
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)], check=False
    )
    if mounted.returncode:
        pytest.skip("this machine lets nobody mount a small disk")
    try:
        large = io.BytesIO()
        pixels(7, (96, 64)).resize((1400, 1000)).effect_spread(40).save(large, "PNG")
        assert len(large.getvalue()) > 1_200_000
        answer = photo_desk.bring([("a.jpg", jpeg(1)), ("b.png", large.getvalue())])
        assert answer.status_code == 507
        assert "The disk is full" in words(answer)
        assert photo_desk.names() == ["a.jpg"]
        assert photo_desk.files() == photo_desk.paths()
        assert photo_desk.half_files() == []
        assert photo_desk.bring([("c.jpg", jpeg(3))]).json()["kept"] == 1
    finally:
        subprocess.run(["umount", str(place)], check=True)


def test_what_is_arriving_is_not_swept(photo_desk: Desk) -> None:
    left = photo_desk.workshop.folder.pictures / "incoming" / "left.tmp"
    with files.Incoming(photo_desk.workshop.folder.pictures) as arriving:
        left.write_bytes(b"half")
        intake_worker.tidy(photo_desk.workshop)
        assert photo_desk.half_files() == [arriving.path.name]
