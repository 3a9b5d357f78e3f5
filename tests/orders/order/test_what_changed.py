"""What changed in an order after its first letter: who asked, and one letter that says only that."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.letters.forming import form_due
from app.letters.rules import GRACE
from app.orders.facts.changed import ChangeFacts, changed
from tests.making import HOUR, rows
from tests.orders.entry.test_entry import TYPED, number_in
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import at_field, the_form, words


def post_due(workshop: ClockedWorkshop, after: int = GRACE) -> list[str]:
    """The letters that are formed some seconds later, as the kinds they tell."""
    workshop.moment += after
    [(known,)] = rows(workshop.database, "SELECT coalesce(max(id), 0) FROM letters")
    form_due(workshop.database, workshop.in_force(), workshop.moment)
    found = rows(workshop.database, "SELECT kind FROM letters WHERE id > ?", known)
    return [str(kind) for (kind,) in found]


@pytest.fixture
def number(desk: Browser, workshop: ClockedWorkshop) -> int:
    """An order that came by phone, of which the first letter has gone."""
    made = number_in(desk.post("/orders/new", TYPED | {"then": "open", "a0c0_many": "2"}))
    assert post_due(workshop) == ["order_in"]
    return made


def edit(desk: Browser, number: int, **changed: str):
    page = f"/orders/{number}/edit"
    form = the_form(desk.get(page).text, page)
    assert (form.fields["asked_by"], form.ticked["tell"]) == ("phone", ["1"])
    return desk.post(page, form.fields | {"tell": "1"} | changed)


def told(workshop: ClockedWorkshop) -> str:
    """The last letter, as its words are kept."""
    [(facts,)] = rows(workshop.database, "SELECT facts FROM letters ORDER BY id DESC LIMIT 1")
    return str(facts)


def test_changes_made_close_together_go_in_one_letter_that_says_only_them(
    desk: Browser, workshop: ClockedWorkshop, number: int
) -> None:
    assert edit(desk, number, k1_size="90", k1_pose="lying").status_code == 303
    workshop.moment += GRACE // 2
    assert edit(desk, number, k1_size="100", k2_inscription="Juni").status_code == 303
    assert post_due(workshop, GRACE // 2) == [], "the second may still be changed"
    assert post_due(workshop, GRACE // 2) == ["order_changed"]
    said = told(workshop)
    for line in (
        "As you asked, we’ve changed your order:",
        "Juniper, copy 1: size 100 mm at the shoulder instead of 120 mm at the shoulder, "
        "pose lying instead of standing.",
        "Juniper, copy 2: inscription “Juni” instead of “Juniper 2009”.",
    ):
        assert line in said
    assert "oak" not in said
    assert "What you ordered" not in said
    page = words(desk.get(f"/orders/{number}"))
    assert "pose: standing lying Dara Quill, the customer asked by phone" in page
    assert post_due(workshop, HOUR) == []


def test_a_change_taken_back_before_it_goes_says_nothing(
    desk: Browser, workshop: ClockedWorkshop, number: int
) -> None:
    edit(desk, number, k1_pose="lying", needed_by="2026-06-01")
    workshop.moment += 60
    edit(desk, number, k1_pose="standing", needed_by="")
    assert post_due(workshop) == []
    edit(desk, number, k1_pose="lying")
    assert post_due(workshop) == ["order_changed"]
    edit(desk, number, k1_pose="standing")
    assert post_due(workshop) == ["order_changed"], "what they were told is not so any more"
    assert "pose standing instead of lying" in told(workshop)


def test_before_the_first_letter_has_gone_there_is_nothing_to_tell(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = number_in(desk.post("/orders/new", TYPED | {"then": "open"}))
    edit(desk, made, k1_pose="lying")
    assert post_due(workshop) == ["order_in"]
    assert "lying" in told(workshop)
    assert post_due(workshop) == []


def test_the_preview_says_what_the_letter_will_and_nothing_that_they_know(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    made = number_in(desk.post("/orders/new", TYPED | {"then": "open"}))
    edit(desk, made, k1_pose="lying")
    assert post_due(workshop) == ["order_in"]
    edit(desk, made, k1_finish="matt")
    shown = words(desk.get(f"/orders/{made}/letters?kind=order_changed"))
    assert "finish matt" in shown
    assert "instead of standing" not in shown


def test_an_order_that_was_brought_in_hears_of_no_change(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    under_way = {"under_way": "1", "a0_step": "photos_wanted", "a0_since": "2026-03-02",
                 "a0c0_step": "not_begun", "a0c0_since": "2026-03-02"}  # fmt: skip
    made = number_in(desk.post("/orders/new", TYPED | under_way | {"then": "open"}))
    edit(desk, made, k1_pose="lying")
    assert post_due(workshop) == []


def test_what_is_ours_alone_or_is_not_to_be_told_makes_no_letter(
    desk: Browser, workshop: ClockedWorkshop, number: int
) -> None:
    edit(desk, number, note="rings twice", paid="all", k1_note="the far ear", shop_reference="S")
    edit(desk, number, k1_pose="lying", tell="")
    assert post_due(workshop) == []
    edit(desk, number, k1_finish="matt", asked_by="us")
    assert post_due(workshop) == ["order_changed"]
    said = told(workshop)
    assert "“We’ve changed your order:" not in said
    assert "As you asked" not in said
    assert "finish matt" in said
    assert "lying" not in said
    assert "finish: matt Dara Quill, we decided" in words(desk.get(f"/orders/{number}"))


def test_an_address_is_never_spelled_out(
    desk: Browser, workshop: ClockedWorkshop, number: int
) -> None:
    edit(desk, number, ship_lines="7 Kelp Stairs", ship_postcode="KS7", needed_by="2026-06-01")
    assert post_due(workshop) == ["order_changed"]
    said = told(workshop)
    assert "Where the parcel goes has changed." in said
    assert "Needed by 1 June." in said
    assert "Kelp" not in said
    assert "KS7" not in said


def test_a_copy_that_joins_is_told_unless_it_is_cancelled_first(
    desk: Browser, workshop: ClockedWorkshop, number: int
) -> None:
    [(line,)] = rows(workshop.database, "SELECT id FROM order_animals")
    where = f"/orders/{number}/copies/{line}"
    typed = {"size": "60", "base": "slate", "asked_by": "shop", "tell": "1"}

    def add() -> None:
        form = the_form(desk.get(f"/orders/{number}").text, where)
        assert desk.post(where, form.fields | typed).status_code == 303

    add()
    edit(desk, number, k3_size="70")
    assert post_due(workshop) == ["order_changed"]
    assert "Juniper, copy 3: one more copy. 70 mm at the shoulder" in told(workshop)
    assert "slate base" in told(workshop)
    workshop.moment += 60
    add()
    cancel = the_form(desk.get(f"/orders/{number}").text, f"/orders/{number}/cancel")
    said = {"reason": "one was enough", "whose": "customer", "about": "copy:4"}
    assert desk.post(cancel.action, cancel.fields | said).status_code == 303
    assert "order_changed" not in post_due(workshop)


def test_one_scale_is_told_like_any_size(
    desk: Browser, workshop: ClockedWorkshop, number: int
) -> None:
    with workshop.database.writing() as db:
        db.exec_driver_sql("UPDATE animals SET height = '1.5 m at the shoulder'")
    typed = {"scale": "10", "asked_by": "mail", "tell": "1"}
    assert desk.post(f"/orders/{number}/scale", typed).status_code == 303
    assert post_due(workshop) == ["order_changed"]
    assert "size 150 mm at the shoulder instead of 120 mm at the shoulder" in told(workshop)


def test_who_stands_on_a_base_is_told_like_any_change(
    desk: Browser, workshop: ClockedWorkshop
) -> None:
    pair = {"then": "open", "a1_name": "Otis", "a1_kind": "dog"}
    number = number_in(desk.post("/orders/new", TYPED | pair))
    assert post_due(workshop) == ["order_in"]
    [(line,)] = rows(workshop.database, "SELECT id FROM order_animals WHERE letter = 'B'")
    assert edit(desk, number, **{f"k1_with_{line}": "1"}).status_code == 303
    assert post_due(workshop) == ["order_changed"]
    assert "Juniper: on one base with Otis." in told(workshop)
    form = the_form(desk.get(f"/orders/{number}/edit").text, f"/orders/{number}/edit")
    off = {k: v for k, v in form.fields.items() if k != f"k1_with_{line}"}
    assert desk.post(form.action, off | {"tell": "1", "asked_by": "us"}).status_code == 303
    assert post_due(workshop) == ["order_changed"]
    assert "Juniper: no longer on one base with Otis." in told(workshop)
    assert "on one base with: Otis Dara Quill, we decided" in words(desk.get(f"/orders/{number}"))


def test_who_asked_to_cancel_is_kept_with_the_order(
    desk: Browser, workshop: ClockedWorkshop, number: int
) -> None:
    cancel = the_form(desk.get(f"/orders/{number}").text, f"/orders/{number}/cancel")
    assert cancel.fields["asked_by"] == "phone", "as the order came"
    said = {"reason": "one was enough", "whose": "customer", "about": "copy:2"}
    wrong = desk.post(cancel.action, cancel.fields | said | {"asked_by": "a dream"})
    assert (wrong.status_code, at_field(wrong, "asked_by") != "") == (422, True)
    assert desk.post(cancel.action, cancel.fields | said | {"asked_by": "mail"}).status_code == 303
    page = words(desk.get(f"/orders/{number}"))
    assert "cancelled: one was enough Dara Quill, the customer asked by email" in page
    assert "order_changed" not in post_due(workshop), "a cancellation has a letter of its own"


def test_who_asked_to_cancel_a_piece_at_its_own_page_is_kept_with_the_order(
    desk: Browser, workshop: ClockedWorkshop, number: int
) -> None:
    page = desk.get("/pieces/copy/2")
    cancel = the_form(page.text, "/pieces/copy/2/move", move="cancel")
    assert cancel.fields["asked_by"] == "phone", "as the order came"
    said = cancel.fields | {"reason": "one was enough", "whose": "customer"}
    assert desk.post(cancel.action, said | {"asked_by": "a dream"}).status_code == 422
    blank = desk.post(cancel.action, said | {"whose": ""})
    assert "Because of whom?" in at_field(blank, "whose")
    assert desk.post(cancel.action, said | {"asked_by": "us"}).status_code == 303
    page = words(desk.get(f"/orders/{number}"))
    assert "cancelled: one was enough Dara Quill, we decided" in page


@pytest.mark.parametrize("form", ["edit", "copies/1", "scale"])
def test_who_asked_is_one_of_the_list(
    desk: Browser, workshop: ClockedWorkshop, number: int, form: str
) -> None:
    typed = {"asked_by": "a dream", "scale": "10", "size": "60"}
    if form == "scale":
        number = number_in(
            desk.post(
                "/orders/new",
                TYPED | {"then": "open", "once": "two", "someone_else": "1", "a1_name": "Otis"}
                | {"a0_height": "1.5 m", "a1_height": "30 cm"},
            )
        )  # fmt: skip
    if form == "edit":
        answer = edit(desk, number, **typed)
    else:
        answer = desk.post(f"/orders/{number}/{form}", typed)
    assert answer.status_code == 422
    assert at_field(answer, "asked_by")
    assert rows(workshop.database, "SELECT 1 FROM changes WHERE of IN ('orders', 'copies')") == []


VALUES = st.sampled_from(["", "oak", "slate", "walnut"])
EDITS = st.lists(
    st.tuples(st.sampled_from(["A1", "A2"]), st.sampled_from(["base", "pose"]), VALUES), max_size=12
)


@given(before=EDITS, after=EDITS)
def test_what_is_told_is_what_differs_from_what_was_told_last(
    before: list[tuple[str, str, str]], after: list[tuple[str, str, str]]
) -> None:
    now: dict[tuple[str, str], str] = {}
    notes: list[ChangeFacts] = []

    def play(edits: list[tuple[str, str, str]]) -> None:
        for code, field, value in edits:
            old = now.get((code, field), "")
            if old != value:  # what does not differ is not noted
                notes.append(ChangeFacts(len(notes) + 1, code, field, old, value, True))
                now[code, field] = value

    play(before)
    heard, since = dict(now), len(notes) + 1
    play(after)
    found = {(one.code, one.field): one.before for one in changed(notes, since, {"A1", "A2"})}
    differs = {key for key, value in now.items() if heard.get(key, "") != value}
    assert found == {key: heard.get(key, "") for key in differs}
