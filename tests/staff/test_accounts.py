"""The owner's accounts page."""

import re

import pytest

from app.main import staff_site
from app.shared.errors import Refused
from app.staff import actions
from tests.making import CAST, NOW, rows
from tests.staff.browser import PASSWORD, Browser, ClockedWorkshop
from tests.staff.conftest import door


def signs_in(workshop: ClockedWorkshop, name: str) -> bool:
    typed = {"name": name, "password": PASSWORD}
    return Browser(door(workshop)).post("/sign-in", typed).status_code == 303


def test_everybody_is_listed_with_role_and_state(owner: Browser) -> None:
    owner.post("/accounts/4/off")
    page = owner.get("/accounts").text
    for person in CAST.everybody:
        assert person.name in page
    assert "switched off today, 10:00" in page


def test_switching_off_ends_sessions_and_keeps_the_person_out(
    owner: Browser, workshop: ClockedWorkshop
) -> None:
    painter = Browser(door(workshop)).as_(workshop, CAST.painter)
    assert painter.get("/me").status_code == 200
    assert owner.post("/accounts/5/off").headers["location"] == "/accounts?done=saved"
    assert painter.get("/me").status_code == 303
    assert not signs_in(workshop, "Pilar Ostrow")
    owner.post("/accounts/5/on")
    assert painter.get("/me").status_code == 303, "old sessions stay ended"
    assert signs_in(workshop, "Pilar Ostrow")


def test_a_new_role_holds_from_the_next_request(owner: Browser, workshop: ClockedWorkshop) -> None:
    desk = Browser(door(workshop)).as_(workshop, CAST.desk)
    assert desk.get("/accounts").status_code == 403
    owner.post("/accounts/2/role", {"role": "owner"})
    assert desk.get("/accounts").status_code == 200
    owner.post("/accounts/2/role", {"role": "bench"})
    assert desk.get("/settings/closures").status_code == 403


def test_the_last_owner_can_be_neither_lowered_nor_switched_off(
    owner: Browser, workshop: ClockedWorkshop
) -> None:
    for act, typed in (("role", {"role": "desk"}), ("off", {})):
        answer = owner.post(f"/accounts/1/{act}", typed)
        assert answer.status_code == 409
        assert "only owner who can sign in" in answer.text
    owner.post("/accounts/2/role", {"role": "owner"})
    owner.post("/accounts/2/off")
    with pytest.raises(Refused, match="only owner"):
        actions.switch_off(workshop.database, CAST.owner, 1, NOW)
    owner.post("/accounts/2/on")
    assert owner.post("/accounts/1/role", {"role": "desk"}).status_code == 303
    assert owner.get("/accounts").status_code == 403


def test_who_did_what_and_when_is_kept(owner: Browser, workshop: ClockedWorkshop) -> None:
    owner.post("/accounts/5/role", {"role": "desk"})
    owner.post("/accounts/5/role", {"role": "desk"})
    owner.post("/accounts/5/off")
    owner.post("/accounts/5/off")
    kept = rows(
        workshop.database,
        "SELECT at, account_id, of_id, field, before, after FROM changes WHERE of = 'accounts'",
    )
    assert kept == [(NOW, 1, 5, "role", "bench", "desk"), (NOW, 1, 5, "switched off", "on", "off")]


@pytest.mark.parametrize(
    ("typed", "field"),
    [({"name": "", "role": "desk"}, "name"), ({"name": "Wilf", "role": "king"}, "role"),
     ({"name": "Wilf"}, "role"), ({"name": "dara quill", "role": "desk"}, "name"),
     ({"name": "Dárá Quill", "role": "desk"}, "name"), ({"name": "<i>", "role": ""}, "role"),
     ({"name": "Wilf\x07", "role": "desk"}, "name"), ({"name": "a" * 5000, "role": "desk"}, "name")],
)  # fmt: skip
def test_a_bad_invitation_says_where_and_makes_no_link(
    owner: Browser, workshop: ClockedWorkshop, typed: dict[str, str], field: str
) -> None:
    answer = owner.post("/accounts", typed)
    assert answer.status_code == 422
    assert f'id="e-{field}"' in answer.text
    assert rows(workshop.database, "SELECT count(*) FROM sign_in_links") == [(0,)]


def test_typed_names_are_shown_as_text(owner: Browser) -> None:
    assert "<b>Wilf" not in owner.post("/accounts", {"name": "<b>Wilf", "role": "desk"}).text
    assert "&lt;b&gt;Wilf" in owner.get("/accounts").text


@pytest.mark.parametrize("number", ["99", "0", "-1", "x", "9" * 30])
def test_an_account_that_is_not_there_is_a_404(owner: Browser, number: str) -> None:
    for act in ("role", "off", "on"):
        assert owner.post(f"/accounts/{number}/{act}", {"role": "desk"}).status_code == 404
    assert owner.post(f"/accounts/invitations/{number}/take-back").status_code == 404


def test_a_role_that_is_none_changes_nothing(owner: Browser, workshop: ClockedWorkshop) -> None:
    answer = owner.post("/accounts/2/role", {"role": "king"})
    assert answer.status_code == 422
    assert rows(workshop.database, "SELECT role FROM accounts WHERE id = 2") == [("desk",)]


def test_an_invitation_carries_the_name_under_which_the_house_is_served(
    owner: Browser, workshop: ClockedWorkshop
) -> None:
    def link(browser: Browser) -> str:
        page = browser.post("/accounts", {"name": f"Wilf {len(links)}", "role": "bench"})
        found = re.search(r'id="invitation">(.*?)/in/', page.text)
        assert found is not None
        links.append(page.text)
        return found[1]

    links: list[str] = []
    assert link(owner) == "https://testserver"
    assert "opens on this computer only" not in links[-1]
    for served, named in (
        ("https://desk.fernlight.example:8600", "https://desk.fernlight.example:8600"),
        ("http://127.0.0.1:8600", "http://127.0.0.1:8600"),
    ):
        site = staff_site(workshop, served_at=served)
        at_home = Browser(site, "http://127.0.0.1:8600").as_(workshop, CAST.owner)
        assert link(at_home) == named
        assert ("opens on this computer only" in links[-1]) is ("127" in named)
        elsewhere = Browser(site).as_(workshop, CAST.owner)
        assert link(elsewhere) == "https://testserver", "as it was asked for"
