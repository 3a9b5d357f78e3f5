"""Links that let somebody in: the first owner, invitations, the way back, the demo's."""

import logging
import re
import threading

import pytest
from sqlalchemy import insert

from app.shared.errors import BadFields, NotFound, Refused
from app.staff import links
from app.tables import accounts
from tests.making import CAST, DAY, HOUR, NOW, fingerprint, rows
from tests.staff.browser import PASSWORD, Browser, ClockedWorkshop
from tests.staff.conftest import door
from tests.whole_site import words

NEW = {"password": "eight loud parrots", "again": "eight loud parrots"}
FIRST = {"name": "Odile Marchbanks", **NEW}


def first(workshop: ClockedWorkshop) -> str:
    with workshop.database.writing() as db:
        path = links.first_link(db, workshop.now())
    assert path is not None
    return path


def way_back(workshop: ClockedWorkshop, name: str = "Dara Quill") -> str:
    with workshop.database.writing() as db:
        return links.way_back_link(db, name, workshop.now())


def demo(workshop: ClockedWorkshop) -> str:
    with workshop.database.writing() as db:
        return links.demo_link(db, 1, workshop.now())


def invitation(owner: Browser, name: str = "Wilf Tarrant", role: str = "bench") -> str:
    page = owner.post("/accounts", {"name": name, "role": role})
    assert page.status_code == 200
    found = re.search(r"https://testserver(/in/[A-Za-z0-9_-]+)", page.text)
    assert found is not None
    return found[1]


def test_a_new_studio_has_no_account_that_anybody_could_guess(empty_shop: ClockedWorkshop) -> None:
    assert rows(empty_shop.database, "SELECT count(*) FROM accounts") == [(0,)]


def test_the_first_link_makes_the_owner_once(empty_shop: ClockedWorkshop) -> None:
    path = first(empty_shop)
    assert re.fullmatch(r"/in/[A-Za-z0-9_-]{32}", path)
    browser = Browser(door(empty_shop))
    before = fingerprint(empty_shop.folder.database_file)
    for _ in range(3):
        page = browser.get(path)
        assert (page.status_code, "Create my account" in page.text) == (200, True)
    assert fingerprint(empty_shop.folder.database_file) == before, "looking uses nothing"
    done = browser.post(path, FIRST)
    assert (done.status_code, done.headers["location"]) == (303, "/set-up")
    assert browser.get("/accounts").status_code == 200, "signed in, and an owner"
    assert rows(empty_shop.database, "SELECT name, role FROM accounts") == [
        ("Odile Marchbanks", "owner")
    ]
    stranger = Browser(door(empty_shop))
    assert stranger.get(path).status_code == 404
    assert stranger.post(path, FIRST).status_code == 404
    with empty_shop.database.writing() as db:
        assert links.first_link(db, NOW) is None


def test_only_the_newest_first_link_opens_anything(empty_shop: ClockedWorkshop) -> None:
    old, new = first(empty_shop), first(empty_shop)
    browser = Browser(door(empty_shop))
    assert browser.get(old).status_code == 404
    assert browser.get(new).status_code == 200


def test_two_who_use_one_link_at_once_make_one_account(empty_shop: ClockedWorkshop) -> None:
    path = first(empty_shop)
    answers: list[int] = []
    # One site, as it serves: building a site in several threads at once is nobody's business.
    site = door(empty_shop)

    def use(name: str) -> None:
        answers.append(Browser(site).post(path, {**FIRST, "name": name}).status_code)

    threads = [threading.Thread(target=use, args=(f"Owner {letter}",)) for letter in "abcd"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(answers) == [303, 404, 404, 404]
    assert rows(empty_shop.database, "SELECT count(*) FROM accounts") == [(1,)]


@pytest.mark.parametrize(
    ("typed", "field"),
    [({"name": ""}, "name"), ({"name": "a" * 81}, "name"), ({"name": "Odile\u202e"}, "name"),
     ({"name": "=?utf-8?q?x?="}, "name"), ({"name": "Оdile"}, "name"), ({"name": "1234"}, "name"),
     ({"password": "short", "again": "short"}, "password"), ({"again": "another"}, "again"),
     ({"password": "x y" * 86, "again": "x y" * 86}, "password")],
)  # fmt: skip
def test_a_form_that_will_not_do_uses_nothing_and_says_where(
    empty_shop: ClockedWorkshop, typed: dict[str, str], field: str
) -> None:
    path = first(empty_shop)
    browser = Browser(door(empty_shop))
    answer = browser.post(path, {**FIRST, **typed})
    assert answer.status_code == 422
    assert f'id="e-{field}"' in answer.text
    assert NEW["password"] not in answer.text
    assert rows(empty_shop.database, "SELECT count(*) FROM accounts") == [(0,)]
    assert browser.post(path, FIRST).status_code == 303


def test_an_invitation_is_shown_once_and_works_once(
    owner: Browser, workshop: ClockedWorkshop
) -> None:
    path = invitation(owner)
    assert path not in owner.get("/accounts").text
    new = Browser(door(workshop))
    page = new.get(path).text
    assert "Welcome, Wilf Tarrant" in page
    assert new.post(path, {**NEW, "name": "Somebody Else", "role": "owner"}).status_code == 303
    assert new.get("/accounts").status_code == 403, "neither name nor role is the guest's to choose"
    assert rows(workshop.database, "SELECT name, role FROM accounts WHERE id > 5") == [
        ("Wilf Tarrant", "bench")
    ]
    assert new.post(path, NEW).status_code == 404


def test_an_invitation_lapses_after_a_week(owner: Browser, workshop: ClockedWorkshop) -> None:
    path = invitation(owner)
    guest = Browser(door(workshop))
    workshop.moment += 7 * DAY - 1
    assert guest.get(path).status_code == 200
    workshop.moment += 1
    assert guest.get(path).status_code == 404
    assert guest.post(path, NEW).status_code == 404


def test_inviting_again_or_taking_back_withdraws_the_link(
    owner: Browser, workshop: ClockedWorkshop
) -> None:
    guest = Browser(door(workshop))
    old, new = invitation(owner), invitation(owner)
    assert guest.get(old).status_code == 404
    [(number,)] = rows(workshop.database, "SELECT id FROM sign_in_links WHERE uses = 1")
    take_back = f"/accounts/invitations/{number}/take-back"
    assert owner.post(take_back).status_code == 303
    assert guest.get(new).status_code == 404
    assert owner.post(take_back).status_code == 404


def test_an_invitation_whose_name_was_taken_meanwhile_says_so(
    owner: Browser, workshop: ClockedWorkshop
) -> None:
    first_one, second = invitation(owner, "Wilf Tarrant"), invitation(owner, "wilf  tarrant")
    assert Browser(door(workshop)).post(first_one, NEW).status_code == 303
    answer = Browser(door(workshop)).post(second, NEW)
    assert answer.status_code == 422
    assert "already has an account" in answer.text


def test_the_way_back_sets_a_password_and_ends_every_session(workshop: ClockedWorkshop) -> None:
    elsewhere = Browser(door(workshop)).as_(workshop, CAST.desk)
    browser = Browser(door(workshop))
    for _ in range(6):
        browser.post("/sign-in", {"name": "Dara Quill", "password": "wrong guess here"})
    path = way_back(workshop, " dara QUILL")
    assert "A new password for Dara Quill" in browser.get(path).text
    assert browser.post(path, NEW).status_code == 303
    assert browser.get("/me").status_code == 200
    assert elsewhere.get("/me").status_code == 303
    assert browser.post(path, NEW).status_code == 404
    typed = {"name": "Dara Quill", "password": NEW["password"]}
    assert browser.post("/sign-in", typed).status_code == 303, "and the wrong guesses are forgotten"


def test_the_way_back_lapses_after_an_hour_and_by_a_newer_one(workshop: ClockedWorkshop) -> None:
    browser = Browser(door(workshop))
    old, new = way_back(workshop), way_back(workshop)
    assert browser.get(old).status_code == 404
    workshop.moment += HOUR
    assert browser.get(new).status_code == 404


def test_the_beginning_of_a_name_is_enough_where_one_begins_like_that(
    workshop: ClockedWorkshop,
) -> None:
    assert "Dara Quill" in words(Browser(door(workshop)).get(way_back(workshop, "dara")))
    with workshop.database.writing() as db:
        db.execute(
            insert(accounts).values(
                name="Darius Quince", name_key="darius quince", role="desk", made_at=NOW
            )
        )
    with pytest.raises(NotFound, match="Dara Quill, Darius Quince"):
        way_back(workshop, "dar")


def test_there_is_no_way_back_for_a_stranger_or_one_switched_off(
    owner: Browser, workshop: ClockedWorkshop
) -> None:
    with pytest.raises(
        NotFound, match=r"Nobody here is called Nobody\. The accounts are: Dara Quill, "
    ):
        way_back(workshop, "Nobody")
    with pytest.raises(NotFound, match="Nobody here is called Quill"):
        way_back(workshop, "Quill")
    path = way_back(workshop)
    owner.post("/accounts/2/off")
    assert Browser(door(workshop)).get(path).status_code == 404
    with pytest.raises(Refused, match="switched off"):
        way_back(workshop)
    owner.post("/accounts/2/on")
    assert Browser(door(workshop)).get(path).status_code == 404, "it does not come back to life"


def test_the_demo_s_link_works_again_and_again_by_its_button(workshop: ClockedWorkshop) -> None:
    workshop.demo = True
    path = demo(workshop)
    for _ in range(3):
        browser = Browser(door(workshop))
        page = browser.get(path)
        assert (page.status_code, browser.cookie) == (200, "")
        assert 'type="password"' not in page.text
        assert browser.post(path).status_code == 303
        assert browser.get("/accounts").status_code == 200
    assert browser.post(path).status_code == 303, "also for somebody who is signed in"
    newer = demo(workshop)
    assert Browser(door(workshop)).get(path).status_code == 404
    assert Browser(door(workshop)).get(newer).status_code == 200


def test_the_demo_s_link_opens_nothing_in_a_real_studio(workshop: ClockedWorkshop) -> None:
    path = demo(workshop)
    assert Browser(door(workshop)).get(path).status_code == 404
    assert Browser(door(workshop)).post(path).status_code == 404


def test_every_link_that_opens_nothing_looks_alike(workshop: ClockedWorkshop) -> None:
    lapsed = way_back(workshop)
    workshop.moment += HOUR
    changed = lapsed[:-1] + ("A" if lapsed[-1] != "A" else "B")
    pages = {
        Browser(door(workshop)).get(path).text
        for path in (lapsed, changed, "/in/x", "/in/" + "a" * 400, "/in/%00", "/in/%ff", "/in/é")
    }
    pages = {re.sub(r"/in/\S*", "", page) for page in pages}
    assert len(pages) == 1


def test_a_changed_last_letter_is_another_link(workshop: ClockedWorkshop) -> None:
    # In base64url the last letter carries spare bits: decoding would let some changes pass.
    path = way_back(workshop)
    for letter in "ABCDEFGHIJKLMNOPabcdefghij0123456789-_":
        if letter != path[-1]:
            assert Browser(door(workshop)).get(path[:-1] + letter).status_code == 404


def test_no_link_is_kept_or_logged(
    owner: Browser, workshop: ClockedWorkshop, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    paths = [way_back(workshop), invitation(owner)]
    for path in paths:
        browser = Browser(door(workshop))
        browser.get(path)
        browser.post(path, {**NEW, "again": "another"})
        browser.post(path, NEW)
        browser.get(path)
    keys = [path.removeprefix("/in/") for path in paths]
    ours = [record for record in caplog.records if record.name != "httpx"]
    said = "\n".join(record.getMessage() for record in ours)
    files = b"".join(file.read_bytes() for file in workshop.folder.path.glob("studio.db*"))
    assert "signed in by a link (invitation)" in said
    for key in keys:
        assert key not in said
        assert key.encode() not in files


def test_a_link_needs_a_password_that_will_do(workshop: ClockedWorkshop) -> None:
    path = way_back(workshop)
    with pytest.raises(BadFields, match="little more than a name"):
        links.use_link(
            workshop.database,
            path.removeprefix("/in/"),
            "",
            "DaraQuill2026!",
            "Saltmarsh",
            NOW,
            demo=False,
        )
    assert Browser(door(workshop)).post(path, {"password": PASSWORD, "again": PASSWORD}).is_redirect
