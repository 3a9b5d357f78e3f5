"""The studio's own words in its letters, and a letter to oneself."""

import html
import re
from dataclasses import replace
from email.message import EmailMessage
from itertools import product

import pytest
from sqlalchemy import text

from app.letters import own_words, previews, wording
from app.letters import worker as letters_worker
from app.letters.post import Smtp, read_url
from app.letters.rules import KINDS
from app.letters.sentences import letter_of
from app.main import staff_site
from app.shared.errors import BadFields
from app.shared.web.forms import Form
from app.status.tasks import tasks
from app.status.voice import Days
from tests.letters.mail_server import MailServer
from tests.letters.studio import MINUTE, LetterShop, files, ordered, read, text_of
from tests.making import CAST, NOW, fingerprint, rows
from tests.staff.browser import Browser
from tests.status.rows import KINDS as TONES
from tests.status.rows import LONDON, ROWS, TELLER, facts_at
from tests.whole_site import the_form

OWN = {
    "greeting": "Good day {name},",
    "sign_off": "Warm regards,\nall of us at {studio}",
    **{kind: f"On Saturdays our door is open; say {{number}} ({kind.upper()})." for kind in KINDS},
}


@pytest.fixture
def browser(workshop: LetterShop) -> Browser:
    return Browser(staff_site(workshop)).as_(workshop, CAST.owner)


def save(browser: Browser, act: str = "save", **typed: str):
    found = re.search(r'name="seen" value="(\w+)"', browser.get("/settings/letters").text)
    assert found is not None
    fields = {**dict.fromkeys(own_words.FIELDS, ""), "seen": found[1], "kind": "order_in"}
    return browser.post("/settings/letters", {**fields, "act": act, **typed})


def said_at(page: str, field: str) -> str:
    found = re.search(rf'id="e-{field}">(.*?)</p>', page)
    return html.unescape(found[1]) if found else ""


# ---------------------------------------------------------------- the rules


@pytest.mark.parametrize(
    ("typed", "why"),
    [
        ("Hello <b>you</b>", "“<b>” would appear in the email as you typed it."),
        ("5 > 3", "“>” would appear"),
        ("salt &amp; marsh", "“&amp;” would appear"),
        ("see [us](https://x.example)", "“](” would appear"),
        ("**bold**", "“**” would appear"),
        ("Dear {nmae},", "“{nmae}” can’t be filled in. Use {name}, {number} or {studio}."),
        ("Dear {},", "“{}” can’t be filled in."),
        ("Dear {name", "“{” can’t be filled in."),
        ("Dear {{name}},", "“{” can’t be filled in."),
        ("a\u202eb", "cannot be seen"),
        ("There’s nothing you need to do.", "Each email says automatically"),
        ("You need not do anything.", "Each email says automatically"),
        ("You don’t have to do anything for now.", "Each email says automatically"),
        ("Nothing for you to do this week", "Each email says automatically"),
        ("There is NOTHING to do.", "Each email says automatically"),
    ],
)
@pytest.mark.parametrize("field", ["greeting", "sign_off", "received"])
def test_what_a_letter_cannot_have_in_it_is_refused_in_words(
    field: str, typed: str, why: str
) -> None:
    with pytest.raises(BadFields) as refused:
        own_words.read(Form([(field, typed)]))
    assert set(refused.value.fields) == {field}
    assert why in refused.value.fields[field]


@pytest.mark.parametrize("field", own_words.FIELDS)
def test_length_ends_at_its_limit(field: str) -> None:
    most = own_words.LONGEST[field]
    assert own_words.read(Form([(field, "n" * most)])) == {field: "n" * most}
    with pytest.raises(BadFields, match=f"{most} at most"):
        own_words.read(Form([(field, "n" * (most + 1))]))


def test_a_sign_off_keeps_its_lines_and_a_paragraph_is_one() -> None:
    typed = "  Warm  regards,\r\n\r\n all of us \r\n"
    found = own_words.read(Form([("sign_off", typed), ("received", typed), ("question", "  ")]))
    assert found == {"sign_off": "Warm regards,\nall of us", "received": "Warm regards, all of us"}


def test_plain_sentences_are_taken() -> None:
    for typed in (
        "Nothing makes us happier than to do this.",
        "Salt & Marsh, est. 1998 — {studio}",
    ):
        assert own_words.read(Form([("received", typed)])) == {"received": typed}


def test_a_name_that_looks_like_a_place_stays_a_name() -> None:
    assert own_words.filled({}, "greeting", "{number} & {x}", 7, "Salt") == "Dear {number} & {x},"


# ---------------------------------------------------------------- in letters


@pytest.mark.parametrize(("kind", "tone"), list(product(KINDS, TONES)))
def test_own_words_stand_in_text_and_html_alike(kind: str, tone: str) -> None:
    part, there = previews.as_if(kind, facts_at("two animals", tone), NOW)
    teller = replace(TELLER, own_words=OWN)
    said = wording.words_of(letter_of([part], there, teller, NOW), "", None)
    plain = " ".join(said.text.split())
    page = html.unescape(" ".join(re.sub(r"<[^>]+>", " ", said.html).split()))
    for words in (plain, page):
        assert words.count("Good day Ms Castellan,") == 1
        assert words.count(f"our door is open; say 1172 ({kind.upper()}).") == 1
        assert words.count("Warm regards, all of us at Saltmarsh Bench Order 1172.") == 1
        assert "Dear" not in words
        assert "{" not in words.replace("{ ", "")
    assert "Warm regards,\nall of us at Saltmarsh Bench\nOrder 1172." in said.text


def test_news_of_several_kinds_has_the_paragraph_of_the_kind_it_is_headed_by() -> None:
    facts = facts_at("finishing")
    parts = [previews.as_if(kind, facts, NOW)[0] for kind in ("photos_passed", "last_call")]
    letter = letter_of(parts, facts, replace(TELLER, own_words=OWN), NOW)
    said = wording.words_of(letter, "", None).text
    assert "(PHOTOS_PASSED)" in said
    assert "(LAST_CALL)" not in said


@pytest.mark.parametrize("row", ROWS)
@pytest.mark.parametrize("kind", KINDS)
def test_no_letter_with_own_words_says_nothing_to_do_where_a_task_is_open(
    kind: str, row: str
) -> None:
    facts = facts_at(row)
    if not facts.alive:
        pytest.skip("no letter is written of an order that was cancelled")
    part, there = previews.as_if(kind, facts, NOW)
    letter = letter_of([part], there, replace(TELLER, own_words=OWN), NOW)
    said = " ".join(wording.words_of(letter, "", None).text.split())
    needed = tasks(there, Days(LONDON, NOW, dated=True))
    assert not (needed and "nothing you need to do" in said)
    assert all(task.ask in said for task in needed)


# ---------------------------------------------------------------- the page


def test_saved_words_stand_in_the_next_letter_and_in_no_earlier_one(
    workshop: LetterShop, browser: Browser
) -> None:
    ordered(workshop)
    workshop.post(15 * MINUTE)
    before = files(workshop)[0].read_bytes()
    answer = save(browser, greeting="Good day {name},", order_in="We’re glad to make {number}.")
    assert (answer.status_code, answer.headers["location"]) == (303, "/settings/letters?done=saved")
    assert 'value="Good day {name},"' in browser.get("/settings/letters").text
    ordered(workshop)
    workshop.post(15 * MINUTE)
    first, second = files(workshop)
    assert first.read_bytes() == before
    assert "Good day Imre Castellan, Thank you for your order." in text_of(read(second))
    assert "We’re glad to make 1002. What you ordered:" in text_of(read(second))
    assert "Good day Imre Castellan," in browser.get("/letters/2").text
    assert "Dear Imre Castellan," in browser.get("/letters/1").text


def test_saving_the_settings_leaves_the_words_and_the_history_tells_of_them(
    workshop: LetterShop, browser: Browser
) -> None:
    save(browser, greeting="Good day {name},", order_in="Welcome.")
    save(browser, greeting="Good day {name},", order_in="Welcome to {studio}.")
    page = browser.get("/settings").text
    assert page.count("Words in emails, order in") == 2
    assert page.count("Words in emails, greeting") == 1
    typed = the_form(page, "/settings").fields
    answer = browser.post("/settings", {**typed, "name": "Salt"})
    assert answer.status_code == 303
    assert workshop.in_force().settings.name == "Salt"
    assert workshop.in_force().settings.own_words == {
        "greeting": "Good day {name},",
        "order_in": "Welcome to {studio}.",
    }


def test_what_is_wrong_is_said_at_its_field_and_nothing_typed_is_lost(
    workshop: LetterShop, browser: Browser
) -> None:
    typed = {"greeting": "Hi {nmae}", "sign_off": "A\nB", "received": "<i>so</i>", "question": "x"}
    for act in ("save", "look"):
        answer = save(browser, act, **typed)
        assert answer.status_code == 422
        assert said_at(answer.text, "greeting").startswith("“{nmae}” can’t be filled in.")
        assert "“<i>”" in said_at(answer.text, "received")
        assert said_at(answer.text, "question") == ""
        assert "Two fields need another look" in answer.text
        for value in typed.values():
            assert html.escape(value) in answer.text
    assert workshop.in_force().settings.own_words == {}


def test_it_can_be_read_in_every_tone_before_it_is_saved(
    workshop: LetterShop, browser: Browser
) -> None:
    for kind in KINDS:
        answer = save(browser, "look", kind=kind, greeting="Hi {name}!", **{kind: "Our own."})
        assert answer.status_code == 200
        letters = re.findall(r'as text, (\w+)">(.*?)</pre>', answer.text, re.S)
        assert [tone for tone, _ in letters] == list(TONES)
        for _, said in letters:
            assert "Hi Imre Castellan!" in said
            assert "Our own." in said
        assert "There’s news of your order" in letters[1][1]
    assert workshop.in_force().settings.own_words == {}
    assert rows(workshop.database, "SELECT count(*) FROM changes") == [(0,)]


def test_what_somebody_else_saved_meanwhile_is_not_written_over(
    workshop: LetterShop, browser: Browser
) -> None:
    old = re.search(r'name="seen" value="(\w+)"', browser.get("/settings/letters").text)
    assert old is not None
    save(browser, greeting="Good day,")
    answer = save(browser, seen=old[1], greeting="Good evening,")
    assert answer.status_code == 422
    assert "Somebody changed this while you were typing." in answer.text
    assert 'value="Good evening,"' in answer.text
    assert workshop.in_force().settings.own_words == {"greeting": "Good day,"}


def test_only_the_owner_sets_the_words_and_tests_the_post(
    workshop: LetterShop, browser: Browser
) -> None:
    browser.as_(workshop, CAST.desk)
    for address in ("/settings/letters", "/letters/test"):
        assert browser.get(address).status_code == 403
        assert browser.post(address, {"to": "a@b.example", "kind": "order_in"}).status_code == 403
    assert files(workshop) == []


# ---------------------------------------------------------------- a letter to oneself


def sent_test(browser: Browser, to: str = "odile@marchbanks.example", kind: str = "order_in"):
    return browser.post("/letters/test", {"to": to, "kind": kind})


@pytest.mark.parametrize("kind", KINDS)
def test_a_test_letter_says_that_it_is_one_and_shows_its_kind(
    workshop: LetterShop, browser: Browser, kind: str
) -> None:
    save(browser, sign_off="Warm regards")
    answer = sent_test(browser, kind=kind)
    assert (answer.status_code, answer.headers["location"]) == (303, "/letters/test?done=test_sent")
    [file] = files(workshop)
    mail: EmailMessage = read(file)
    assert mail["To"].addresses[0].addr_spec == "odile@marchbanks.example"
    assert mail["Subject"].startswith("Test: ")
    assert mail["In-Reply-To"] is None
    assert f"Dear {CAST.owner.name}, This is a test" in text_of(mail)
    assert "Warm regards Order 1147." in text_of(mail)
    assert rows(workshop.database, "SELECT count(*) FROM letters") == [(0,)]
    [(field, after)] = rows(
        workshop.database, "SELECT field, after FROM changes WHERE of = 'letters'"
    )
    assert (field, after) == ("letter", "test email sent")


@pytest.mark.parametrize("to", ["", "odile", "odile@", "a b@c.example", "x@y.example\r\nBcc: z"])
def test_an_address_that_will_not_do_is_said_at_its_field(
    workshop: LetterShop, browser: Browser, to: str
) -> None:
    before = fingerprint(workshop.folder.database_file)
    answer = sent_test(browser, to, "received")
    assert answer.status_code == 422
    assert said_at(answer.text, "to")
    assert '<option value="received" selected>' in answer.text
    assert files(workshop) == []
    assert fingerprint(workshop.folder.database_file) == before
    assert sent_test(browser, kind="spam").status_code == 422


def test_without_an_address_of_its_own_the_studio_sends_no_test(
    workshop: LetterShop, browser: Browser
) -> None:
    assert browser.get("/letters/test").status_code == 200
    page = browser.get("/settings").text
    assert "desk@fernlight.example" in page
    with workshop.database.writing() as db:
        db.execute(text("DELETE FROM settings WHERE name = 'contact_mail'"))
    workshop.forget()
    answer = sent_test(browser)
    assert answer.status_code == 422
    assert said_at(answer.text, "to").startswith("The workshop has no email address yet.")


def test_it_goes_through_the_mail_server_and_a_refusal_is_shown_in_words(
    workshop: LetterShop, browser: Browser, server: MailServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    way = Smtp(read_url(server.url))
    monkeypatch.setattr(letters_worker, "way_of", lambda _: way)
    assert sent_test(browser).status_code == 303
    [kept] = server.kept
    assert kept.recipients == ["odile@marchbanks.example"]
    server.script["RCPT"] = ["550 no such user"]
    answer = sent_test(browser)
    assert answer.status_code == 422
    assert "It could not be sent. The mail server refused the recipient: 550" in said_at(
        answer.text, "to"
    )
    assert 'value="odile@marchbanks.example"' in answer.text


@pytest.mark.parametrize("url", ["ftp://x", "smtp://"])
def test_a_mail_server_that_cannot_be_read_is_named(
    workshop: LetterShop, browser: Browser, monkeypatch: pytest.MonkeyPatch, url: str
) -> None:
    monkeypatch.setattr(letters_worker, "smtp_url", lambda: url)
    answer = sent_test(browser)
    assert answer.status_code == 422
    assert "LIKEWRIGHT_SMTP_URL cannot be used" in said_at(answer.text, "to")
