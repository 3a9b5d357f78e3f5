"""A parcel on paper: the label as the post reads it, the slip, what customs wants; never a price."""

import re

import pytest
from sqlalchemy import insert, update

from app.flow.steps import Step
from app.parcels import printing
from app.parcels.actions import ParcelFields, hand_over
from app.studio.rules import StudioSettings
from app.tables import copies, orders, settings
from tests.making import CAST, DAY, NOW, MadeOrder, Wanted, make_order
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import free_to_leave, words

ADDRESS = {
    "ship_name": "Maren Oduya", "ship_lines": "4 Ferry Lane\nSaltmarsh", "ship_postcode": "ZX1 4AB",
    "ship_country": "Ireland", "ship_phone": "0000 555 0144",
}  # fmt: skip
HOUSE = StudioSettings(name="Saltmarsh Bench", country="GB", return_address="2 Quay Row\nSaltmarsh")


def parcel(workshop: ClockedWorkshop, **order: object) -> MadeOrder:
    with workshop.database.writing() as db:
        for name, value in (
            ("name", '"Saltmarsh Bench"'), ("country", '"GB"'),
            ("return_address", '"2 Quay Row\\nSaltmarsh"'),
        ):  # fmt: skip
            db.execute(insert(settings).values(name=name, value=value, changed_at=NOW))
    workshop.forget()
    wanted = [Wanted(step=Step.READY, copies=2, copy_step=Step.PACKING)]
    made = make_order(workshop.database, CAST.desk, NOW - DAY, wanted)
    free_to_leave(workshop, made)
    with workshop.database.writing() as db:
        values = {**ADDRESS, **order}
        db.execute(update(orders).where(orders.c.id == made.id).values(values))
        db.execute(update(copies).values(size_mm=80, base="oak", extras="ribbon in the box"))
    typed = ParcelFields(carrier="Parcel Goose", number="TG1", sure=True)
    hand_over(workshop, [made.copy("A1").id, made.copy("A2").id], typed, None, CAST.desk)
    return made


def papers(workshop: ClockedWorkshop) -> printing.Papers:
    with workshop.database.reading() as db:
        return printing.papers(db, 1, HOUSE)


def test_abroad_the_country_stands_last_in_capitals_on_both_addresses(
    workshop: ClockedWorkshop,
) -> None:
    parcel(workshop)
    found = papers(workshop)
    assert found.to == ("Maren Oduya", "4 Ferry Lane", "Saltmarsh", "ZX1 4AB", "IRELAND")
    assert found.back == ("Saltmarsh Bench", "2 Quay Row", "Saltmarsh", "UNITED KINGDOM")
    assert (found.phone, found.abroad, found.made_in) == (
        "0000 555 0144",
        True,
        "United Kingdom (GB)",
    )


@pytest.mark.parametrize("country", ["", "GB", "uk", "United Kingdom", "Scotland"])
def test_at_home_no_country_is_written_and_a_postcode_not_twice(
    workshop: ClockedWorkshop, country: str
) -> None:
    parcel(workshop, ship_country=country, ship_lines="4 Ferry Lane\nSaltmarsh zx1 4ab")
    found = papers(workshop)
    assert found.to == ("Maren Oduya", "4 Ferry Lane", "Saltmarsh zx1 4ab")
    assert found.back[-1] == "Saltmarsh"
    assert not found.abroad


def test_a_present_says_neither_who_made_it_nor_whom_to_phone(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    parcel(workshop, gift=1)
    found = papers(workshop)
    assert found.back == ("2 Quay Row", "Saltmarsh", "UNITED KINGDOM")
    assert found.phone == ""
    label = desk.get("/parcels/1/label").text
    paper = label[label.index("<article") : label.index("</article")]
    assert "Saltmarsh Bench" not in paper
    assert "Juniper" not in paper
    assert "<img" not in paper


def test_what_has_left_keeps_the_address_that_it_left_under(workshop: ClockedWorkshop) -> None:
    made = parcel(workshop)
    with workshop.database.writing() as db:
        moved = update(orders).where(orders.c.id == made.id)
        db.execute(moved.values(ship_lines="9 Mill Hill\nThornby"))
    assert "4 Ferry Lane" in papers(workshop).to
    assert "9 Mill Hill" not in papers(workshop).to


def test_slip_and_customs_say_what_lies_in_it_and_never_a_price(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = parcel(workshop)
    slip = words(desk.get("/parcels/1/slip"))
    for part in (
        f"Order {made.number}",
        "80 mm",
        "on oak",
        "ribbon in the box",
        "Saltmarsh Bench",
        "For: Maren Oduya",
    ):
        assert part in slip
    customs = words(desk.get("/parcels/1/customs"))
    assert customs.count("Hand-painted resin figure of a horse, 80 mm, base: oak") == 2
    assert "Made in: United Kingdom (GB)." in customs
    for page in ("label", "slip", "customs"):
        text = desk.get(f"/parcels/1/{page}").text
        paper = text[text.index("<article") : text.index("</article")]
        assert not re.search(r"[£$€]|\d[.,]\d\d\b", paper)
        assert "<script" not in paper


def test_what_customs_reads_is_plain_for_every_kind(workshop: ClockedWorkshop) -> None:
    row = {"kind": "otter", "size_mm": None, "base": "none"}
    assert printing.customs_line(row, "carved figure") == "carved figure of an otter"
    assert printing.customs_line({**row, "kind": "", "size_mm": 60}, "figure") == "figure, 60 mm"


@pytest.mark.parametrize("paper", ["label", "slip", "customs"])
def test_of_no_parcel_there_is_no_paper(desk: Browser, paper: str) -> None:
    assert desk.get(f"/parcels/99/{paper}").status_code == 404
    assert desk.get(f"/parcels/x/{paper}").status_code == 404
