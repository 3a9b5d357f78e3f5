"""Signing in and out: what the door promises."""

import hashlib
import logging
import re
import threading
import time

import pytest

from app.shared.errors import BadFields
from app.staff import passwords, rules, sessions, store
from app.staff.gate import COOKIE, cookie_name
from tests.making import CAST, DAY, NOW, fingerprint, rows
from tests.staff.browser import ORIGIN, PASSWORD, Browser, ClockedWorkshop
from tests.staff.conftest import door

DESK = {"name": "Dara Quill", "password": PASSWORD}
MINUTE = 60


def sign_in(browser: Browser, **typed: str):
    return browser.post("/sign-in", {**DESK, **typed})


def is_in(browser: Browser) -> bool:
    return browser.get("/me").status_code == 200


def test_a_page_sends_a_stranger_to_the_door_and_back_again(browser: Browser) -> None:
    answer = browser.get("/settings/closures?year=2026")
    assert answer.status_code == 303
    assert answer.headers["location"] == "/sign-in?next=/settings/closures%3Fyear%3D2026"
    assert 'value="/settings/closures?year=2026"' in browser.get(answer.headers["location"]).text
    onward = sign_in(browser, next="/settings/closures?year=2026")
    assert (onward.status_code, onward.headers["location"]) == (303, "/settings/closures?year=2026")
    assert browser.get(onward.headers["location"]).status_code == 200


def test_an_act_or_a_part_of_a_page_is_refused_with_401(browser: Browser) -> None:
    assert browser.post("/settings").status_code == 401
    part = browser.get("/settings", **{"hx-request": "true"})
    assert part.status_code == 401
    assert "<html" not in part.text


@pytest.mark.parametrize(
    "elsewhere",
    ["https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere.example", "javascript:1",
     "/a\nb", "/" + "a" * 501, "benches", "", "/sign-in", "//[", "/\t/elsewhere.example"],
)  # fmt: skip
def test_the_way_on_never_leaves_the_site(browser: Browser, elsewhere: str) -> None:
    assert rules.same_site(elsewhere) == "/"
    assert sign_in(browser, next=elsewhere).headers["location"] == "/"


def test_the_cookie_is_for_this_host_only_and_out_of_scripts_reach(browser: Browser) -> None:
    header = sign_in(browser).headers["set-cookie"]
    name, *attributes = (part.strip().lower() for part in header.split(";"))
    assert re.fullmatch(r"__host-likewright-[0-9a-f]{8}=[\w-]{43}", name)
    assert {"secure", "httponly", "samesite=lax", "path=/", "max-age=2592000"} <= set(attributes)
    assert not any(part.startswith("domain") for part in attributes)


def test_a_session_has_256_random_bits_and_only_its_hash_is_kept(
    browser: Browser, workshop: ClockedWorkshop
) -> None:
    sign_in(browser)
    token = browser.cookie
    assert len(token) >= 43
    kept = [row[0] for row in rows(workshop.database, "SELECT token_hash FROM sessions")]
    assert kept == [hashlib.sha256(token.encode()).hexdigest()]
    with workshop.database.writing() as db:
        tokens = {sessions.begin(db, 1, NOW) for _ in range(1000)}
    assert len(tokens) == 1000


def test_signing_in_anew_gives_a_new_cookie_and_ends_the_old_session(browser: Browser) -> None:
    sign_in(browser)
    before = browser.cookie
    sign_in(browser, name="Odile Marchbanks")
    assert browser.cookie != before
    browser.cookie = before
    assert not is_in(browser)


def test_a_cookie_replayed_after_signing_out_opens_nothing(browser: Browser) -> None:
    sign_in(browser)
    old = browser.cookie
    out = browser.post("/sign-out")
    assert (out.status_code, out.headers["location"]) == (303, "/sign-in")
    assert not browser.cookie
    browser.cookie = old
    assert not is_in(browser)


@pytest.mark.parametrize("cookie", ["", "x", "'; DROP TABLE sessions; --", "a" * 5000, "é%00"])
def test_an_invented_cookie_opens_nothing(browser: Browser, cookie: str) -> None:
    answer = browser.get("/me", cookie=f"{COOKIE}={cookie}".encode())
    assert answer.status_code == 303


def test_a_week_without_an_act_ends_a_session(browser: Browser, workshop: ClockedWorkshop) -> None:
    sign_in(browser)
    workshop.moment += 7 * DAY - 1
    assert is_in(browser), "looking is allowed until then"
    workshop.moment += 1
    assert not is_in(browser), "but looking does not keep a session alive"


def test_acts_keep_a_session_alive_but_not_beyond_thirty_days(
    browser: Browser, workshop: ClockedWorkshop
) -> None:
    sign_in(browser)
    for _ in range(5):
        workshop.moment += 6 * DAY - 1
        assert is_in(browser)
        browser.post("/me", {"current": ""})
    assert is_in(browser)
    workshop.moment = NOW + 30 * DAY
    assert not is_in(browser)


def test_looking_at_pages_writes_nothing(owner: Browser, workshop: ClockedWorkshop) -> None:
    before = fingerprint(workshop.folder.database_file)
    workshop.moment += DAY
    for address in ("/me", "/accounts", "/settings", "/settings/steps", "/settings/closures"):
        assert owner.get(address).status_code == 200
    assert owner.get("/sign-in").status_code == 303
    assert owner.get("/in/nothing").status_code == 404
    assert fingerprint(workshop.folder.database_file) == before


@pytest.mark.parametrize(
    ("name", "password"),
    [("Dara Quill", "seven quiet tortoise"), ("Nobody Here", PASSWORD), ("", ""),
     ("Dara Quill", ""), ("Dara Quill", f" {PASSWORD}"), ("Dara Quill", PASSWORD.upper()),
     ("Dara Quill", "x" * 5000), ("\ud800", "\ud800"), ("a" * 10_000, PASSWORD)],
)  # fmt: skip
def test_a_wrong_name_or_password_is_told_in_the_same_words(
    workshop: ClockedWorkshop, name: str, password: str
) -> None:
    with pytest.raises(BadFields) as refused:
        sessions.sign_in(workshop.database, name, password, NOW)
    assert refused.value.fields == {"password": "That name and password do not match."}


def test_a_wrong_password_keeps_the_typed_name_and_shows_no_password(browser: Browser) -> None:
    answer = sign_in(browser, name="<b>Dara", password="guessed wrong 1")
    assert answer.status_code == 422
    assert "&lt;b&gt;Dara" in answer.text
    assert "<b>Dara" not in answer.text
    assert "guessed wrong" not in answer.text
    assert not browser.cookie


def test_the_name_may_be_typed_carelessly_but_the_password_not(browser: Browser) -> None:
    assert sign_in(browser, name="  dara   QUILL ").status_code == 303


def test_an_unknown_name_is_looked_at_as_long_as_a_known_one(
    workshop: ClockedWorkshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked: list[str] = []
    hasher = passwords._HASHER

    class Counting:
        def verify(self, kept: str, password: bytes) -> bool:
            looked.append(kept)
            return hasher.verify(kept, password)

        hash = staticmethod(hasher.hash)

    monkeypatch.setattr(passwords, "_HASHER", Counting())
    for name in ("Dara Quill", "Nobody Here"):
        with pytest.raises(BadFields):
            sessions.sign_in(workshop.database, name, "wrong all the same", NOW)
    assert len(looked) == 2
    costs = {kept.split("$")[3] for kept in looked}
    assert costs == {"m=19456,t=2,p=1"}, "both are Argon2id at the same cost"


def test_guesses_at_one_name_become_slow_and_others_are_untouched(
    browser: Browser, workshop: ClockedWorkshop
) -> None:
    for _ in range(5):
        assert sign_in(browser, password="wrong guess here").status_code == 422
    slowed = sign_in(browser)
    assert slowed.status_code == 429, "even the right password has to wait"
    assert slowed.headers["retry-after"] == "30"
    assert "Try again in 30 seconds" in slowed.text
    assert sign_in(browser, name="Odile Marchbanks").status_code == 303
    workshop.moment += 30
    assert sign_in(browser).status_code == 303
    assert sign_in(browser, password="wrong guess here").status_code == 422, "the count began anew"


def test_an_unknown_name_is_slowed_like_a_known_one(browser: Browser) -> None:
    answers = [sign_in(browser, name="Nobody Here").status_code for _ in range(6)]
    assert answers == [422] * 5 + [429]


def test_the_pause_doubles_up_to_a_quarter_of_an_hour_and_a_hundred_tries_a_day() -> None:
    now, tries, pauses = NOW, [], []
    while now < NOW + DAY:
        wait = rules.pause(tries, now)
        if wait:
            pauses.append(wait)
            now += wait
            assert rules.pause(tries, now) == 0
        tries.append(now)
    assert pauses[:6] == [30, 60, 120, 240, 480, 15 * MINUTE]
    assert max(pauses) == 15 * MINUTE
    assert len(tries) <= 110
    assert rules.pause(tries, tries[-1] + DAY) == 0
    assert rules.pause([NOW + DAY] * 9, NOW) == 0, "a clock that was put back locks nobody out"


def test_many_guesses_at_once_are_counted_too(workshop: ClockedWorkshop) -> None:
    looked_at: list[BaseException] = []

    def guess() -> None:
        try:
            sessions.sign_in(workshop.database, "Dara Quill", "wrong all the same", NOW)
        except (BadFields, sessions.SlowDown) as why:
            looked_at.append(why)

    threads = [threading.Thread(target=guess) for _ in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sum(isinstance(why, BadFields) for why in looked_at) == 5
    assert len(looked_at) == 12


def test_more_sign_ins_than_the_machine_takes_are_told_to_wait_and_take_no_thread(
    workshop: ClockedWorkshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rules, "REFUSED_AFTER", 0.0)
    free, looking = threading.Event(), []

    def slow(*_: object) -> bool:
        looking.append(1)
        free.wait(20)
        return False

    monkeypatch.setattr(passwords, "fits", slow)
    site = door(workshop)
    guesses = [
        threading.Thread(target=sign_in, args=(Browser(site),), kwargs={"name": f"Nobody {n}"})
        for n in range(rules.MOST_AT_ONCE)
    ]
    for guess in guesses:
        guess.start()
    until = time.monotonic() + 10
    while len(looking) < rules.MOST_AT_ONCE and time.monotonic() < until:
        time.sleep(0.01)
    tried = rows(workshop.database, "SELECT count(*) FROM sign_in_tries")
    answer = sign_in(Browser(site))
    assert answer.status_code == 503
    assert answer.headers["retry-after"] == "5"
    assert "Many people are signing in right now" in answer.text
    assert rows(workshop.database, "SELECT count(*) FROM sign_in_tries") == tried
    free.set()
    for guess in guesses:
        guess.join()
    monkeypatch.undo()
    assert sign_in(Browser(site)).status_code == 303


def test_guesses_of_all_names_together_have_a_limit_a_minute(
    workshop: ClockedWorkshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rules, "REFUSED_AFTER", 0.0)
    monkeypatch.setattr(passwords, "fits", lambda *_: False)
    site = door(workshop)
    workshop.moment = NOW - NOW % MINUTE
    for n in range(rules.MOST_A_MINUTE):
        assert sign_in(Browser(site), name=f"Nobody {n}").status_code == 422
    answer = sign_in(Browser(site))
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "60")
    assert Browser(site).as_(workshop, CAST.owner).get("/settings").status_code == 200
    workshop.moment += MINUTE
    monkeypatch.undo()
    assert sign_in(Browser(site)).status_code == 303


def test_no_more_guesses_are_kept_than_so_many(
    workshop: ClockedWorkshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rules, "MOST_TRIES_KEPT", 20)
    with workshop.database.writing() as db:
        for n in range(50):
            store.note_try(db, f"nobody {n}", NOW)
        assert store.tries_at(db, "nobody 49") == [NOW]
        assert store.tries_at(db, "nobody 30") == [NOW]
        assert store.tries_at(db, "nobody 29") == []
    assert rows(workshop.database, "SELECT count(*) FROM sign_in_tries") == [(20,)]


def test_a_form_from_elsewhere_signs_nobody_in(browser: Browser) -> None:
    assert browser.send("POST", "/sign-in", data=DESK).status_code == 403
    assert browser.post("/sign-in", DESK, origin="https://elsewhere.example").status_code == 403
    headers = {"sec-fetch-site": "cross-site"}
    assert browser.post("/sign-in", DESK, **headers).status_code == 403
    assert browser.post("/sign-in", DESK, origin="null").status_code == 403
    assert not browser.cookie


def test_a_field_sent_twice_is_refused_in_words(browser: Browser) -> None:
    answer = browser.post("/sign-in", {"name": ["Dara Quill", "x"], "password": PASSWORD})
    assert answer.status_code == 422
    assert "sent twice" in answer.text


def test_who_is_signed_in_goes_from_the_door_to_where_their_day_begins(owner: Browser) -> None:
    answer = owner.get("/sign-in?next=//elsewhere.example")
    assert (answer.status_code, answer.headers["location"]) == (303, "/owner")


def test_a_new_password_needs_the_current_one_and_ends_other_sessions(
    browser: Browser, workshop: ClockedWorkshop
) -> None:
    sign_in(browser)
    other = Browser(door(workshop)).as_(workshop, CAST.desk)
    new = {"password": "eight loud parrots", "again": "eight loud parrots"}
    for current in ({}, {"current": "not the right one"}):
        assert browser.post("/me", {**new, **current}).status_code == 422
    assert is_in(other)
    done = browser.post("/me", {**new, "current": PASSWORD})
    assert (done.status_code, done.headers["location"]) == (303, "/me?done=saved")
    assert is_in(browser)
    assert not is_in(other)
    assert sign_in(browser).status_code == 422
    assert sign_in(browser, password="eight loud parrots").status_code == 303
    assert rows(
        workshop.database, "SELECT before, after FROM changes WHERE field = 'password'"
    ) == [(None, None)]


def test_guesses_at_the_current_password_are_slowed(browser: Browser) -> None:
    sign_in(browser)
    new = {"password": "eight loud parrots", "again": "eight loud parrots", "current": "wrong"}
    assert [browser.post("/me", new).status_code for _ in range(6)] == [422] * 5 + [429]


def test_two_that_differ_are_sent_back(browser: Browser) -> None:
    sign_in(browser)
    answer = browser.post(
        "/me", {"current": PASSWORD, "password": "eight loud parrots", "again": "eight"}
    )
    assert answer.status_code == 422
    assert "The two are not the same" in answer.text


def test_no_password_cookie_or_key_reaches_the_log(
    browser: Browser, workshop: ClockedWorkshop, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    sign_in(browser, password="guessed-canary-1\n\x1b[31m")
    sign_in(browser, name="canary-name\nERROR forged")
    sign_in(browser)
    browser.post("/me", {"current": PASSWORD, "password": "canary-new-1", "again": "canary-new-1"})
    token = browser.cookie
    browser.post("/sign-out")
    browser.get("/me", cookie=f"{COOKIE}=canary-cookie")
    said = "\n".join(f"{record.getMessage()} {record.exc_text}" for record in caplog.records)
    assert "account 2 signed in" in said
    assert "wrong password for account 2" in said
    assert "wrong password for account unknown" in said
    for secret in ("canary", PASSWORD, token, hashlib.sha256(token.encode()).hexdigest()):
        assert secret not in said


def test_the_form_masks_the_password_and_lets_managers_fill_it(browser: Browser) -> None:
    page = browser.get("/sign-in").text
    assert 'type="password"' in page
    assert 'autocomplete="current-password"' in page
    assert "onpaste" not in page
    assert ORIGIN not in page


def test_two_studios_on_one_machine_do_not_sign_each_other_out(
    workshop: ClockedWorkshop, empty_shop: ClockedWorkshop
) -> None:
    """A browser keeps cookies by host (RFC 6265 section 8.5: not by port)."""
    names = {cookie_name(workshop), cookie_name(empty_shop)}
    assert len(names) == 2
    assert all(name.startswith("__Host-") for name in names)
    here = Browser(door(workshop))
    answer = here.post("/sign-in", {"name": "Dara Quill", "password": PASSWORD})
    [set_] = answer.headers.get_list("set-cookie")
    assert set_.startswith(f"{cookie_name(workshop)}=")
    both = f"{cookie_name(workshop)}={here.cookie}; {cookie_name(empty_shop)}=another"
    assert here.get("/me", cookie=both).status_code == 200
    # Who was signed in before studios had names stays so, until they sign out.
    old = f"{COOKIE}={here.cookie}"
    assert here.get("/me", cookie=old).status_code == 200
    out = here.post("/sign-out", cookie=f"{old}; {both}")
    gone = {line.partition("=")[0] for line in out.headers.get_list("set-cookie")}
    assert gone == {COOKIE, cookie_name(workshop)}
    assert here.get("/me", cookie=f"{old}; {both}").status_code == 303
