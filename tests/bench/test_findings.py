"""Findings: what is said of them, what is ticked before a piece passes, and photos of both."""

import io
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image
from sqlalchemy import insert

from app.flow.amendments import Right, correct, undo
from app.flow.steps import Step
from app.flow.store import Ref
from app.moving.rules import check_list, to_tick
from app.photos.pictures import files
from app.shared.errors import BadFields
from app.studio.rules import FINDINGS, StudioSettings, read_kinds
from app.tables import marks
from tests.making import CAST, DAY, NOW, Wanted, make_order, move, rows, step_of
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import LOOKED_AT, address, at_field, the_form, words

FOUND = "SELECT copy_id, area, kind, severity, found_by, mark_id FROM findings ORDER BY id"


def copy_at(workshop: ClockedWorkshop, step: Step) -> Ref:
    wanted = [Wanted(step=Step.READY, copy_step=step)]
    return make_order(workshop.database, CAST.desk, NOW - DAY, wanted).copy()


def press(browser: Browser, ref: Ref, key: str, query: str = "", **typed: str | list[str]):
    where = address(ref)
    form = the_form(browser.get(where + query).text, f"{where}/move", move=key)
    return browser.post(f"{where}/move", {**form.fields, **typed})


def test_the_list_that_ships_reads_and_a_line_without_kinds_is_refused_in_words() -> None:
    kinds = read_kinds(FINDINGS)
    assert list(kinds) == ["Likeness", "Markings", "Paint", "Form", "Base and text", "Packing"]
    assert "overspray" in kinds["Paint"]
    for wrong in (
        "Paint",
        "Paint:",
        ": runs",
        "Paint: a\nPaint: b",
        "Paint: " + "x" * 41,
        "\ud83d: a",
    ):
        with pytest.raises(ValueError, match=r"[.]$"):
            read_kinds(wrong)
    assert StudioSettings(inspection_list=" ").inspection_list == "", "a studio may tick nothing"


def test_spelling_and_base_are_asked_where_there_are_any() -> None:
    listed = ["stance", "Base level", "spelling"]
    assert to_tick(listed, "", "none") == ["stance"]
    assert to_tick(listed, "", "") == ["stance"]
    assert to_tick(listed, "Otis", "oak") == listed
    with pytest.raises(BadFields) as why:
        check_list(listed, ["stance"])
    assert why.value.fields["check"].startswith("Not ticked: Base level, spelling.")


def test_nothing_passes_before_the_list_is_ticked_and_the_ticks_are_kept(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    ref = copy_at(workshop, Step.INSPECTION)
    page = press(desk, ref, "passed", check=LOOKED_AT[:2])
    assert page.status_code == 422
    assert "Not ticked: eyes in line, seams, varnish, copies complete." in words(page)
    form = the_form(page.text, f"{address(ref)}/move", move="passed")
    assert form.ticked["check"] == LOOKED_AT[:2], "ticks stay"
    assert press(desk, ref, "passed", check=LOOKED_AT).status_code == 303
    kept = [what for (what,) in rows(workshop.database, "SELECT what FROM check_ticks")]
    assert kept == [line for line in LOOKED_AT if line not in ("base level", "spelling")]


def test_a_finding_is_said_by_one_choice_and_goes_back_to_what_caused_it(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    ref = copy_at(workshop, Step.INSPECTION)
    assert press(desk, ref, "back_to_painting", found="Paint: overspray").status_code == 303
    assert step_of(workshop.database, ref) is Step.PAINTING
    assert rows(workshop.database, FOUND) == [(ref.id, "Paint", "overspray", "mend", "here", None)]
    page = words(desk.get(address(ref)))
    assert "Paint: overspray must be repaired, caused by painting; today, 10:00, Dara" in page
    assert "back to Painting: paint: overspray" in page
    move(workshop.database, ref, CAST.painter, NOW + 60, "painted")
    assert step_of(workshop.database, ref) is Step.INSPECTION, "every later check again"


def test_the_material_is_a_cause_of_its_own_wherever_the_piece_goes_back_to(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    ref = copy_at(workshop, Step.INSPECTION)
    press(desk, ref, "back_to_painting", found="Paint: peeling", nobodys="material")
    assert rows(workshop.database, "SELECT cause FROM transitions WHERE move <> ''")[-1] == (
        "material",
    )
    assert "caused by the material" in words(desk.get(address(ref)))


def test_what_is_on_no_list_is_refused_at_its_field(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    ref = copy_at(workshop, Step.INSPECTION)
    for typed in ("Paint: the cat", "Cat: overspray", "overspray"):
        page = press(desk, ref, "back_to_painting", found=typed, reason="dull")
        assert page.status_code == 422
        assert at_field(page, "found") == "Choose one from the list."
    assert press(desk, ref, "finding", severity="awful", reason="dull").status_code == 422
    assert rows(workshop.database, FOUND) == []


def test_a_mark_that_is_not_right_fills_in_the_finding_and_is_kept_with_it(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = make_order(
        workshop.database,
        CAST.desk,
        NOW - DAY,
        [Wanted(step=Step.READY, copy_step=Step.INSPECTION)],
    )
    with workshop.database.writing() as db:
        animal = made.animal_ids["A"]
        db.execute(insert(marks).values(animal_id=animal, what="torn ear", side="left"))
    ref = made.copy()
    page = desk.get(f"{address(ref)}?wrong=1").text
    assert '<details class="part act" id="findings" open>' in page
    assert press(desk, ref, "back_to_painting", "?wrong=1").status_code == 303
    [(_, _, _, severity, _, mark)] = rows(workshop.database, FOUND)
    assert (severity, mark) == ("mend", 1)
    assert "back to Painting: Does not match: torn ear, left" in words(desk.get(address(ref)))
    other = copy_at(workshop, Step.INSPECTION)
    press(desk, other, "finding", reason="x", cause="painting", wrong_mark="1")
    assert rows(workshop.database, FOUND)[-1][-1] is None, "a mark of another animal is not kept"


def test_a_painter_notes_breakage_at_any_step_and_the_page_leads_to_the_new_piece(
    painter: Browser, workshop: ClockedWorkshop
) -> None:
    for step in (Step.BLANK, Step.SHAPING, Step.PAINTING, Step.INSPECTION, Step.PACKING):
        ref = copy_at(workshop, step)
        typed = {"found": "Form: broken part", "cause": "material"}
        assert press(painter, ref, "remake", **typed).status_code == 303
        assert rows(workshop.database, FOUND)[-1][:4] == (ref.id, "Form", "broken part", "again")
        page = painter.get(address(ref))
        assert "Making 2 takes its place" in words(page)
        assert f'href="/pieces/copy/{ref.id + 1}"' in page.text


def test_after_a_remake_the_office_is_led_to_telling_its_customer_until_they_have(
    desk: Browser, painter: Browser, workshop: ClockedWorkshop
) -> None:
    ref = copy_at(workshop, Step.INSPECTION)
    press(painter, ref, "remake", reason="an ear broke", cause="inspection")
    assert "Tell them" not in words(painter.get(address(ref))), "the office writes"
    [link] = re.findall(r'href="(/orders/\d+/write/made_again/\d+)"', desk.get(address(ref)).text)
    assert "something we’re making again" in words(desk.get(link))
    assert desk.post(link, {"act": "tell"}).status_code == 303
    assert "Tell them" not in words(desk.get(address(ref)))


def test_what_a_customer_finds_is_counted_as_found_by_them(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    ref = copy_at(workshop, Step.HANDED_OVER)
    press(desk, ref, "remake", found="Form: chip or crack", cause="carrier")
    assert rows(workshop.database, FOUND) == [
        (ref.id, "Form", "chip or crack", "again", "customer", None)
    ]
    assert "found by the customer" in words(desk.get(address(ref)))


def test_an_undo_and_a_correction_take_the_finding_back_with_its_entry(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    for way in (undo, correct):
        ref = copy_at(workshop, Step.INSPECTION)
        press(desk, ref, "back_to_painting", found="Paint: bloom")
        assert "Paint: bloom" in words(desk.get(address(ref)))
        [(entry,)] = rows(workshop.database, "SELECT max(transition_id) FROM findings")
        if way is undo:
            undo(workshop.database, entry, CAST.desk, workshop.now())
        else:
            correct(
                workshop.database, entry, Right(struck=True, reason="wrong piece"), CAST.desk,
                workshop.now(),
            )  # fmt: skip
        assert "must be repaired, caused by painting" not in words(desk.get(address(ref)))


# ---------------------------------------------------------------- photos


@pytest.fixture(autouse=True)
def no_child_left_behind() -> Iterator[None]:
    yield
    files.OPENER.end()


def photo(with_place: bool = False) -> bytes:
    kept = io.BytesIO()
    picture, exif = Image.new("RGB", (640, 480), "sienna"), Image.Exif()
    if with_place:
        exif.get_ifd(0x8825)[1] = "N"
        exif[0x010E] = "on the kitchen table"
    picture.save(kept, "JPEG", exif=exif)
    return kept.getvalue()


def upload(browser: Browser, where: str, file: bytes):
    body = (
        b'--b\r\ncontent-disposition: form-data; name="file"; filename="a.jpg"\r\n\r\n'
        + file
        + b"\r\n--b--\r\n"
    )
    headers = {"origin": "https://testserver", "content-type": "multipart/form-data; boundary=b"}
    return browser.send("POST", where, content=body, headers=headers)


def test_two_photos_are_wanted_at_pass_where_the_studio_says_so(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    wanted = StudioSettings(photos_at_pass=True)
    workshop.in_force = lambda real=workshop.in_force: type(real())(wanted, real().calendar)  # type: ignore[method-assign]
    ref = copy_at(workshop, Step.INSPECTION)
    for missing in ("two more photos", "one more photo"):
        page = press(desk, ref, "passed", check=LOOKED_AT)
        assert page.status_code == 422
        assert f"Take {missing} of the finished piece first" in words(page)
        assert upload(desk, f"/bench-pictures/of/{ref.id}", photo()).status_code == 303
    assert press(desk, ref, "passed", check=LOOKED_AT).status_code == 303
    page = desk.get(address(ref)).text
    assert page.count('src="/bench-pictures/') == 2, "they stay with the piece"
    desk.post("/bench-pictures/1/off", {})
    assert desk.get(address(ref)).text.count('src="/bench-pictures/') == 1


def test_a_photo_of_a_finding_is_kept_without_where_it_was_taken(
    painter: Browser, workshop: ClockedWorkshop
) -> None:
    ref, other = copy_at(workshop, Step.INSPECTION), copy_at(workshop, Step.INSPECTION)
    press(painter, ref, "remake", found="Form: broken part", cause="inspection")
    assert (
        upload(painter, f"/bench-pictures/of/{ref.id}/1", photo(with_place=True)).status_code == 303
    )
    kept = painter.get("/bench-pictures/1").content
    assert Image.open(io.BytesIO(kept)).getexif() == {}
    assert b"kitchen" not in kept
    stored = list(Path(workshop.folder.pictures, "bench").iterdir())
    assert [file.read_bytes() for file in stored] == [kept]
    assert upload(painter, f"/bench-pictures/of/{other.id}/1", photo()).status_code == 404
    assert upload(painter, f"/bench-pictures/of/{ref.id}/1", b"no picture").status_code == 422
    assert "can’t be used" in words(
        upload(painter, f"/bench-pictures/of/{ref.id}/1", b"no picture")
    )
    assert painter.get("/bench-pictures/9").status_code == 404


def test_a_photo_as_a_tablet_takes_it_is_not_too_large(
    painter: Browser, workshop: ClockedWorkshop
) -> None:
    ref = copy_at(workshop, Step.INSPECTION)
    press(painter, ref, "remake", found="Form: broken part", cause="inspection")
    buffer = io.BytesIO()
    Image.effect_noise((1600, 1200), 90).save(buffer, "JPEG", quality=95)
    assert len(buffer.getvalue()) > 1_000_000
    assert upload(painter, f"/bench-pictures/of/{ref.id}/1", buffer.getvalue()).status_code == 303
