"""Several people at one tablet: a name is one tap, or four digits; guesses are slowed."""

import pytest

from app.main import staff_site
from app.staff import actions, rules, sessions, store
from app.staff.rules import IDLE, MINUTE
from tests.making import CAST, DAY, NOW
from tests.staff.browser import PASSWORD, Browser, ClockedWorkshop
from tests.whole_site import words

HER, PIN = CAST.shaper.account_id, "2719"


@pytest.fixture
def tablet(workshop: ClockedWorkshop) -> Browser:
    """A tablet at which the painter is signed in."""
    return Browser(staff_site(workshop)).as_(workshop, CAST.painter)


@pytest.fixture
def guarded(workshop: ClockedWorkshop) -> None:
    """The shaper's name takes a PIN."""
    assert HER is not None
    actions.set_pin(workshop.database, CAST.owner, HER, PIN, NOW)


def who(workshop: ClockedWorkshop, browser: Browser) -> int | None:
    with workshop.database.reading() as db:
        found = store.who(db, browser.cookie, workshop.now())
    return found and found.account_id


def test_everybody_lands_where_their_day_begins(workshop: ClockedWorkshop) -> None:
    for person, place in ((CAST.painter, "/my-bench"), (CAST.desk, "/"), (CAST.owner, "/owner")):
        browser = Browser(staff_site(workshop))
        typed = {"name": person.name, "password": PASSWORD, "next": "/"}
        assert browser.post("/sign-in", typed).headers["location"] == place
        assert browser.get("/sign-in").headers["location"] == place
    onward = Browser(staff_site(workshop)).post("/sign-in", {
        "name": CAST.painter.name, "password": PASSWORD, "next": "/pieces/copy/1",
    })  # fmt: skip
    assert onward.headers["location"] == "/pieces/copy/1"


def test_a_name_is_one_tap_and_the_session_before_is_ended(
    workshop: ClockedWorkshop, tablet: Browser
) -> None:
    before = tablet.cookie
    assert f'<button name="account" value="{HER}">Sunniva</button>' in tablet.get("/my-bench").text
    answer = tablet.post("/switch", {"account": str(HER)})
    assert (answer.status_code, answer.headers["location"]) == (303, "/my-bench")
    assert who(workshop, tablet) == HER
    tablet.cookie = before
    assert who(workshop, tablet) is None


def test_a_session_handed_on_grows_no_younger(workshop: ClockedWorkshop, tablet: Browser) -> None:
    days = rules.ABSOLUTE // DAY - 1
    for day in range(days):
        workshop.moment = NOW + day * DAY
        account = HER if day % 2 == 0 else CAST.painter.account_id
        assert tablet.post("/switch", {"account": str(account)}).status_code == 303
    assert who(workshop, tablet) is not None
    workshop.moment = NOW + rules.ABSOLUTE
    assert who(workshop, tablet) is None
    assert IDLE < rules.ABSOLUTE


@pytest.mark.parametrize("account", [CAST.owner.account_id, CAST.desk.account_id, 99, "", "x"])
def test_nobody_but_the_bench_is_taken_by_a_tap(
    workshop: ClockedWorkshop, tablet: Browser, account: object
) -> None:
    answer = tablet.post("/switch", {"account": str(account)})
    assert answer.status_code == 404
    assert who(workshop, tablet) == CAST.painter.account_id
    assert tablet.get(f"/switch/{account or 0}").status_code == 404


def test_who_is_switched_off_is_not_offered_and_not_taken(
    workshop: ClockedWorkshop, tablet: Browser
) -> None:
    assert HER is not None
    actions.switch_off(workshop.database, CAST.owner, HER, NOW)
    assert "Sunniva" not in tablet.get("/my-bench").text
    assert tablet.post("/switch", {"account": str(HER)}).status_code == 404


def test_the_office_cannot_become_somebody_of_the_bench(workshop: ClockedWorkshop) -> None:
    office = Browser(staff_site(workshop)).as_(workshop, CAST.desk)
    assert office.post("/switch", {"account": str(HER)}).status_code == 403


@pytest.mark.usefixtures("guarded")
def test_with_a_pin_a_name_takes_its_four_digits(
    workshop: ClockedWorkshop, tablet: Browser
) -> None:
    assert f'href="/switch/{HER}"' in tablet.get("/my-bench").text
    assert "Your PIN" in words(tablet.get(f"/switch/{HER}"))
    for wrong in ("", "2718", "27190", "٢٧١٩", PIN + " "):
        answer = tablet.post("/switch", {"account": str(HER), "pin": wrong})
        assert answer.status_code == 422, wrong
        assert "That is not the PIN of this name." in words(answer)
        assert wrong == "" or wrong not in answer.text
    assert who(workshop, tablet) == CAST.painter.account_id
    workshop.moment += MINUTE
    assert tablet.post("/switch", {"account": str(HER), "pin": PIN}).status_code == 303
    assert who(workshop, tablet) == HER


@pytest.mark.usefixtures("guarded")
def test_guesses_at_a_pin_are_slowed_and_the_password_stays_free(
    workshop: ClockedWorkshop, tablet: Browser
) -> None:
    for _ in range(rules.FREE_TRIES):
        assert tablet.post("/switch", {"account": str(HER), "pin": "0002"}).status_code == 422
    slowed = tablet.post("/switch", {"account": str(HER), "pin": PIN})
    assert slowed.status_code == 429
    assert int(slowed.headers["retry-after"]) <= rules.FIRST_PAUSE
    assert "Too many wrong PINs for this name." in words(slowed)
    assert sessions.sign_in(workshop.database, CAST.shaper.name, PASSWORD, NOW)
    # A name that looks like the key of the guesses is another one.
    with workshop.database.reading() as db:
        assert len(store.tries_at(db, f"PIN {HER}")) == rules.FREE_TRIES
    Browser(staff_site(workshop)).post("/sign-in", {"name": f"PIN {HER}", "password": "x"})
    with workshop.database.reading() as db:
        assert len(store.tries_at(db, f"PIN {HER}")) == rules.FREE_TRIES
    workshop.moment += rules.FIRST_PAUSE
    assert tablet.post("/switch", {"account": str(HER), "pin": PIN}).status_code == 303


@pytest.mark.parametrize(
    ("pin", "sentence"),
    [("123", "Exactly 4 digits"), ("12345", "Exactly 4 digits"), ("12a4", "Exactly 4 digits"),
     ("١٢٣٤", "Exactly 4 digits"), ("1234", "first anybody would try"),
     ("0000", "first anybody would try"), ("9876", "first anybody would try")],
)  # fmt: skip
def test_a_pin_that_will_not_do_is_said_at_its_account(
    workshop: ClockedWorkshop, pin: str, sentence: str
) -> None:
    owner = Browser(staff_site(workshop)).as_(workshop, CAST.owner)
    answer = owner.post(f"/accounts/{HER}/pin", {"pin": pin})
    assert answer.status_code == 422
    assert sentence in words(answer)


def test_the_owner_sets_a_pin_and_takes_it_off_and_only_its_hash_is_kept(
    workshop: ClockedWorkshop,
) -> None:
    owner = Browser(staff_site(workshop)).as_(workshop, CAST.owner)
    assert owner.post(f"/accounts/{HER}/pin", {"pin": PIN}).status_code == 303
    assert HER is not None
    with workshop.database.reading() as db:
        kept = store.account(db, HER).pin_hash  # type: ignore[union-attr]
    assert kept.startswith("$argon2id$")
    assert PIN not in kept
    assert owner.post(f"/accounts/{HER}/pin", {"pin": ""}).status_code == 303
    with workshop.database.reading() as db:
        assert store.account(db, HER).pin_hash is None  # type: ignore[union-attr]
    assert owner.post("/accounts/99/pin", {"pin": PIN}).status_code == 404
