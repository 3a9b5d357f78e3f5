"""Pictures of how a parcel was packed: kept whole for a claim, shown without what the file tells."""

import hashlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from app.flow.steps import Step
from app.parcels import packing
from app.photos.pictures import files
from tests.bench.test_findings import photo, upload
from tests.making import CAST, DAY, NOW, Wanted, fingerprint, make_order
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import free_to_leave, words


@pytest.fixture(autouse=True)
def no_child_left_behind() -> Iterator[None]:
    yield
    files.OPENER.end()


@pytest.fixture
def parcel(workshop: ClockedWorkshop) -> int:
    """A parcel being packed."""
    wanted = [Wanted(step=Step.READY, copy_step=Step.PACKING)]
    made = make_order(workshop.database, CAST.desk, NOW - DAY, wanted)
    free_to_leave(workshop, made)
    return packing.begin(workshop, [made.copy().id], "", CAST.desk)


def test_a_picture_is_shown_without_its_place_and_its_original_stays(
    painter: Browser, workshop: ClockedWorkshop, parcel: int
) -> None:
    came = photo(with_place=True)
    for of in ("piece", "cushion", "closed", "outer", "label"):
        assert upload(painter, f"/parcel-pictures/{parcel}/{of}", came).status_code == 303
    page = painter.get(f"/parcels/{parcel}").text
    assert page.count('src="/parcel-pictures/') == 5
    shown = painter.get("/parcel-pictures/1").content
    assert shown[:2] == b"\xff\xd8", "a JPEG (ITU-T T.81, SOI)"
    assert b"kitchen" in came
    assert b"kitchen" not in shown
    kept = Path(workshop.folder.pictures, "parcels", "originals", hashlib.sha256(came).hexdigest())
    assert kept.read_bytes() == came


@pytest.mark.parametrize(
    ("where", "file", "status", "said"),
    [
        ("1/piece", b"no picture", 422, "can’t be used"), ("1/piece", b"", 422, "Choose a photo"),
        ("1/lid", photo(), 404, "no such picture"), ("9/piece", photo(), 404, "no such parcel"),
    ],
)  # fmt: skip
def test_what_is_no_picture_of_a_parcel_is_refused_in_words(
    painter: Browser, workshop: ClockedWorkshop, parcel: int, where: str, file: bytes,
    status: int, said: str,
) -> None:  # fmt: skip
    before = fingerprint(workshop.folder.database_file)
    answer = upload(painter, f"/parcel-pictures/{where}", file)
    assert answer.status_code == status
    assert said in words(answer)
    assert fingerprint(workshop.folder.database_file) == before
    assert painter.get("/parcel-pictures/9").status_code == 404
