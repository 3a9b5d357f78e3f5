"""The last coat on the pages: asked at Done, for one piece or several, and heeded at packing."""

import pytest
from sqlalchemy import update

from app.flow.steps import Step
from app.flow.store import Ref
from app.studio.curing import DAY, HOUR, NOTHING
from app.tables import orders
from tests.making import CAST, NOW, MadeOrder, Wanted, fingerprint, make_order, piece, rows, step_of
from tests.moving.test_gates import press
from tests.staff.browser import Browser, ClockedWorkshop
from tests.studio.test_settings import save
from tests.whole_site import LOOKED_AT, at_field, words

LAID = "SELECT reason, until FROM transitions WHERE move = 'painted' ORDER BY id"


@pytest.fixture
def made(workshop: ClockedWorkshop) -> MadeOrder:
    """Three copies of Juniper at painting."""
    return make_order(
        workshop.database, CAST.desk, NOW - DAY,
        [Wanted("Juniper", copies=3, step=Step.READY, copy_step=Step.PAINTING)],
    )  # fmt: skip


def tick(workshop: ClockedWorkshop, ref: Ref) -> str:
    return f"{ref}:{piece(workshop.database, ref).version}"


def test_done_keeps_the_material_and_the_day_of_the_table(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    copy = made.copy("A1")
    page = desk.get(f"/pieces/copy/{copy.id}")
    assert "varnish over acrylics (3 days: 7 Mar, 10:00)" in words(page)
    assert press(desk, workshop, copy, "painted", coat="varnish over acrylics").status_code == 303
    assert rows(workshop.database, LAID) == [("varnish over acrylics", NOW + 3 * DAY)]
    after = words(desk.get(f"/pieces/copy/{copy.id}"))
    assert "Curing. It may be wrapped from 7 Mar, 10:00 (varnish over acrylics)." in after
    assert "painted; last coat: varnish over acrylics" in after


def test_a_typed_day_goes_before_the_table_and_words_before_the_list(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    said = {"coat_words": "shellac", "cured_on": "2026-03-06", "cured_at": "14:30"}
    assert press(desk, workshop, made.copy("A1"), "painted", **said).status_code == 303
    assert rows(workshop.database, LAID) == [("shellac", NOW + 2 * DAY + 4 * HOUR + HOUR // 2)]


def test_several_are_asked_once_and_move_together_or_not_at_all(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    refs = [made.copy("A1"), made.copy("A2")]
    ticks = [tick(workshop, ref) for ref in refs]
    tap = {"move": "sure.painted:ticked:painting", "once": "a", "tick": ticks}
    asked = desk.post("/benches/move", tap)
    assert asked.headers["location"].startswith("/last-coat?piece=copy%3A")
    page = desk.get(asked.headers["location"])
    assert "Juniper 1001-A1 and Juniper 1001-A2 are painted." in words(page)
    before = fingerprint(workshop.folder.database_file)
    stale = desk.post("/last-coat", {"piece": [*ticks[:1], "copy:2:9"], "coat": "wax", "once": "b"})
    assert stale.status_code == 409
    assert fingerprint(workshop.folder.database_file) == before
    done = desk.post("/last-coat", {"piece": ticks, "coat": "oil paint", "once": "c"})
    assert done.status_code == 303
    assert rows(workshop.database, LAID) == [("oil paint", NOW + 14 * DAY)] * 2
    assert [step_of(workshop.database, ref) for ref in refs] == [Step.INSPECTION] * 2


@pytest.mark.parametrize(
    ("typed", "field"),
    [({}, "coat"), ({"coat": ""}, "coat"), ({"coat": "tar"}, "cured_on"),
     ({"coat_words": "tar"}, "cured_on"), ({"coat": "wax", "cured_on": "soon"}, "cured_on"),
     ({"coat": "wax", "cured_on": "2026-03-03"}, "cured_on"),
     ({"coat": "wax", "cured_at": "25:00"}, "cured_at"), ({"coat": "wax", "cured_at": "9:00"}, "cured_at"),
     ({"coat": "wax", "cured_on": "2028-03-03"}, "cured_on"), ({"cured_on": "2026-03-09"}, "coat"),
     ({"coat": NOTHING, "cured_on": "2026-03-09"}, "coat"), ({"coat": "a" * 61}, "coat"),
     ({"coat_words": "a" * 201}, "coat_words"), ({"coat_words": "x\u202ey"}, "coat_words")],
)  # fmt: skip
def test_what_will_not_do_is_said_at_its_field_with_what_was_typed(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder, typed: dict[str, str], field: str
) -> None:
    copy = made.copy("A1")
    before = fingerprint(workshop.folder.database_file)
    form = {"move": "painted", "version": "1", "once": "a", **typed}
    for answer in (
        desk.post(f"/pieces/copy/{copy.id}/move", form),
        desk.post("/last-coat", {"piece": tick(workshop, copy), "once": "b", **typed}),
    ):
        assert answer.status_code == 422
        assert at_field(answer, field)
    assert fingerprint(workshop.folder.database_file) == before


@pytest.mark.parametrize(
    ("asked", "status"),
    [("", 404), ("?piece=", 404), ("?piece=copy:1", 404), ("?piece=copy:99:1", 404),
     ("?piece=x:1:1", 404)],
)  # fmt: skip
def test_an_address_that_names_no_piece_is_refused(
    desk: Browser, made: MadeOrder, asked: str, status: int
) -> None:
    assert desk.get(f"/last-coat{asked}").status_code == status


def test_what_is_under_a_new_coat_goes_on_curing(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    copy = made.copy("A1")
    press(desk, workshop, copy, "painted", coat="epoxy, filler or putty")
    press(desk, workshop, copy, "back_to_painting", reason="an eye")
    press(desk, workshop, copy, "painted", coat="wax")
    assert rows(workshop.database, LAID)[-1] == ("wax", NOW + 7 * DAY)
    assert "(epoxy, filler or putty)" in words(desk.get(f"/pieces/copy/{copy.id}"))


def test_epoxy_at_shaping_may_be_said_and_need_not_be(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    press(desk, workshop, made.copy("A1"), "back_to_shaping", reason="a seam")
    press(desk, workshop, made.copy("A2"), "back_to_shaping", reason="a seam")
    press(desk, workshop, made.copy("A1"), "shaped", coat="epoxy, filler or putty")
    press(desk, workshop, made.copy("A2"), "shaped")
    said = "SELECT reason, until FROM transitions WHERE move = 'shaped' ORDER BY id"
    assert rows(workshop.database, said) == [("epoxy, filler or putty", NOW + 7 * DAY), ("", None)]


def packed(desk: Browser, workshop: ClockedWorkshop, made: MadeOrder) -> Ref:
    """A copy at packing whose varnish cures for three days."""
    copy = made.copy("A1")
    press(desk, workshop, copy, "painted", coat="varnish over acrylics")
    press(desk, workshop, copy, "passed", check=LOOKED_AT)
    return copy


def test_packing_waits_until_it_has_cured(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    copy = packed(desk, workshop, made)
    refused = press(desk, workshop, copy, "start")
    assert refused.status_code == 422
    assert "It is still curing: wrapping would mark it. It may be wrapped from 7 Mar, 10:00." in (
        at_field(refused, "reason")
    )
    row = desk.post("/benches/move", {"move": f"start:{tick(workshop, copy)}", "once": "r"})
    assert row.headers["location"] == f"/pieces/copy/{copy.id}#start"
    workshop.moment = NOW + 3 * DAY
    assert press(desk, workshop, copy, "start").status_code == 303


def test_a_reason_packs_it_all_the_same_and_is_kept(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    copy = packed(desk, workshop, made)
    reason = "the case touches nowhere"
    assert press(desk, workshop, copy, "start", reason=reason).status_code == 303
    kept = "SELECT reason FROM transitions WHERE kind = 'start'"
    assert rows(workshop.database, kept) == [(reason,)]
    assert f"taken up all the same: {reason}" in words(desk.get(f"/pieces/copy/{copy.id}"))


def test_neither_a_second_inspection_nor_undo_loses_the_day(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    copy = packed(desk, workshop, made)
    press(desk, workshop, copy, "back_to_inspection", reason="look again")
    press(desk, workshop, copy, "passed", check=LOOKED_AT)
    assert press(desk, workshop, copy, "start").status_code == 422
    other = made.copy("A2")
    act = press(desk, workshop, other, "painted", coat="wax").headers["location"].rpartition("=")[2]
    assert piece(workshop.database, other).state.rests_until == NOW + DAY
    assert desk.post("/undo", {"entry": act, "once": "u", "back": "/"}).status_code == 303
    assert piece(workshop.database, other).state.rests_until is None


def test_hand_over_names_it_among_its_reasons(
    desk: Browser, workshop: ClockedWorkshop, made: MadeOrder
) -> None:
    copy = packed(desk, workshop, made)
    with workshop.database.writing() as db:
        db.execute(update(orders).values(ship_part=1, paid="all", ship_lines="4 Ferry Lane",
                                         address_confirmed_at=NOW))  # fmt: skip
    typed = {"copy": str(copy.id), "way": "collected", "once": "h"}
    refused = desk.post("/parcels/new", typed)
    assert refused.status_code == 422
    assert "still curing" in at_field(refused, "reason")
    assert (
        desk.post("/parcels/new", {**typed, "reason": "they stand at the door"}).status_code == 303
    )
    said = "SELECT reason FROM transitions WHERE move = 'handed_over'"
    assert rows(workshop.database, said) == [("they stand at the door",)]


def test_the_table_is_the_studios_own(owner: Browser, workshop: ClockedWorkshop, made) -> None:
    assert save(owner, cures="milk paint: 36 hours\r\n\r\nwax = 2 d").status_code == 303
    assert workshop.in_force().settings.cures == "milk paint: 36 hours\nwax: 2 days"
    assert press(owner, workshop, made.copy("A1"), "painted", coat="milk paint").status_code == 303
    assert rows(workshop.database, LAID) == [("milk paint", NOW + 36 * HOUR)]
