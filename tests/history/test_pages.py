"""The pages by which a sheet comes in: from the file to the figures, without a script."""

import re

import pytest
from sqlalchemy import select

from app.history import running
from app.main import staff_site
from app.shared.database import Database
from app.tables import imports, news, orders, past_pieces
from tests.history.sheets import sheet
from tests.history.test_table import bomb
from tests.making import CAST, fingerprint
from tests.staff.browser import ORIGIN, Browser
from tests.whole_site import forms, the_form, words


@pytest.fixture
def browser(empty):
    return Browser(staff_site(empty)).as_(empty, CAST.owner)


def send(browser, data, name="old.csv", path="/history"):
    edge = "--edge-of-it"
    head = (f'{edge}\r\ncontent-disposition: form-data; name="file"; filename="{name}"\r\n'
            "content-type: text/csv\r\n\r\n")  # fmt: skip
    content = head.encode() + data + f"\r\n{edge}--\r\n".encode()
    kind = f"multipart/form-data; boundary={edge[2:]}"
    return browser.send(
        "POST", path, content=content, headers={"origin": ORIGIN, "content-type": kind}
    )


def sent(browser, data, name="old.csv"):
    """Send a file; gives the address of its columns."""
    answer = send(browser, data, name)
    assert answer.status_code == 303, words(answer)
    return answer.headers["location"]


def test_a_sheet_comes_in_page_by_page_and_goes_again(empty, browser):
    made = sheet(400, bad=13)
    address = sent(browser, made.data)
    page = browser.get(address)
    assert "400 rows, the first 10 of them shown" in words(page)
    form = the_form(page.text, address)
    assert form.fields["c1"] == "customer"
    assert form.fields["o9"] == "day_first"
    before = fingerprint(empty.folder.database_file)
    page = browser.post(address, form.fields)
    said = words(page)
    assert "347 finished pieces and 40 open orders" in said
    assert "13 bad rows" in said
    assert "“ada at house” is not an email address" in said
    mend = the_form(page.text, f"{address}/bad")
    rows = browser.post(mend.action, mend.fields)
    assert rows.headers["content-type"].startswith("text/csv")
    assert rows.text.count("\r\n") == 14
    bring = the_form(page.text, f"{address}/bring")
    refused = browser.post(bring.action, bring.fields)
    assert (refused.status_code, fingerprint(empty.folder.database_file)) == (422, before)
    assert "There are bad rows" in refused.text or "needs another look" in words(refused)
    assert browser.post(bring.action, bring.fields | {"without_bad": "1"}).status_code == 303
    with empty.database.reading() as db:
        assert db.execute(select(imports.c.file, imports.c.pieces)).one() == ("old.csv", 347)
        assert db.execute(select(news.c.id)).first() is None
    assert not list(empty.folder.sheets.iterdir()), "names of customers do not lie about"
    page = browser.get("/lead-times?months=24")
    assert re.search(r"Imported: \d+ of these \d+ pieces \(100 in 100\)", words(page))
    back = next(form for form in forms(browser.get("/history").text) if "take-back" in form.action)
    assert browser.post(back.action, {}).status_code == 303
    with empty.database.reading() as db:
        assert db.execute(select(past_pieces.c.id)).first() is None
    assert "Taken back" in words(browser.get("/history"))


def test_the_next_sheet_like_it_is_read_as_a_person_said(empty, browser):
    header = b"Wer,Was,Wann,Raus\n"
    address = sent(browser, header + b"Ada Aldermoor,Otto,5/1/2026,12/2/2026\n")
    page = browser.get(address)
    wrong = browser.post(address, the_form(page.text, address).fields)
    assert wrong.status_code == 422
    assert "Say which column is “Customer’s name”" in words(wrong)
    said = {"sheet": "", "row_is": "copy", "c0": "customer", "c1": "animal", "c2": "ordered",
            "c3": "sent", "o2": "day_first", "o3": "day_first"}  # fmt: skip
    assert browser.post(address, said | {"o2": ""}).status_code == 422, "day or month is asked"
    assert browser.post(f"{address}/bring", said).status_code == 303
    again = sent(browser, header + b"Bertil Birkhahn,Puck,20/1/2026,12/2/2026\n")
    form = the_form(browser.get(again).text, again)
    assert [form.fields[f"c{n}"] for n in range(4)] == ["customer", "animal", "ordered", "sent"]


@pytest.mark.parametrize(
    ("data", "name", "why"),
    [
        (b"", "empty.csv", "Choose a file first"), (b"GIF89a\0\0", "a.csv", "neither a .csv"),
        (bomb(400), "small.xlsx", "unpacks to far more"), (b"PK\x03\x04xx", "a.xlsx", "damaged"),
        (b"Customer,Animal\n" + b"A,B\n" * 1_000_000, "long.csv", "more than 60,000 rows"),
    ],
)  # fmt: skip
def test_a_file_that_will_not_do_is_refused_in_words(empty, browser, data, name, why):
    before = fingerprint(empty.folder.database_file)
    answer = send(browser, data, name)
    if answer.status_code == 303:
        answer = browser.get(answer.headers["location"])
    assert answer.status_code == 422
    assert why in words(answer)
    assert fingerprint(empty.folder.database_file) == before


def test_a_file_larger_than_the_page_takes_is_not_read(browser):
    assert send(browser, b"x" * (34 * 2**20)).status_code == 413


def test_what_takes_longer_shows_how_far_it_is(empty, browser, monkeypatch):
    monkeypatch.setattr(running, "PATIENCE", 0)
    address = sent(browser, sheet(60, open_=30).data)
    page = browser.post(address, the_form(browser.get(address).text, address).fields)
    answer = browser.post(f"{address}/bring", the_form(page.text, f"{address}/bring").fields)
    assert answer.headers["location"].startswith("/history/going-on/")
    going = browser.get(answer.headers["location"])
    while going.status_code == 200:
        assert "comes in at once at the end" in words(going)
        going = browser.get(answer.headers["location"])
    assert going.headers["location"] == "/history?done=brought_in"


def test_who_presses_twice_hears_of_the_one_import(empty, browser, monkeypatch):
    monkeypatch.setattr(running, "PATIENCE", 0)
    address = sent(browser, sheet(60, open_=3).data)
    page = browser.post(address, the_form(browser.get(address).text, address).fields)
    bring = the_form(page.text, f"{address}/bring")
    other = Database(empty.folder.database_file)
    with other.writing():  # neither can go on meanwhile
        answers = [browser.post(bring.action, bring.fields) for _ in range(2)]
    other.close()
    [where] = {answer.headers["location"] for answer in answers}
    run = running.of(empty, where.rsplit("/", 1)[1])
    assert run.ended.wait(20)
    assert browser.get(where).headers["location"] == "/history?done=brought_in"
    with empty.database.reading() as db:
        assert len(db.execute(select(imports)).all()) == 1


def test_only_the_owner_comes_here(empty, browser):
    browser.as_(empty, CAST.desk)
    assert browser.get("/history").status_code == 403
    assert browser.post("/history/1/take-back", {}).status_code == 403


@pytest.mark.parametrize("key", ["a" * 64, "x", "..%2Fkey"])
def test_a_file_that_is_gone_is_said_so(browser, key):
    assert browser.get(f"/history/sheets/{key}").status_code == 404


def test_open_orders_can_be_pasted_out_of_a_spreadsheet(empty, browser):
    pasted = ("Customer\tAnimal\tOrdered\tStatus\tSince\tSent\r\n"
              "Ada Aldermoor\tOtto\t2026-01-05\tPainting\t2026-02-20\t\r\n"
              "Bertil Birkhahn\tPuck\t2026-02-01\tPhotos wanted\t2026-02-01\t\r\n")  # fmt: skip
    address = browser.post("/history/pasted", {"pasted": pasted}).headers["location"]
    page = browser.post(address, the_form(browser.get(address).text, address).fields)
    assert "two open orders" in words(page)
    bring = the_form(page.text, f"{address}/bring")
    assert browser.post(bring.action, bring.fields).status_code == 303
    with empty.database.reading() as db:
        found = db.execute(select(orders.c.imported, orders.c.open)).all()
        assert [tuple(row) for row in found] == [(1, 1), (1, 1)]
        assert db.execute(select(news.c.id)).first() is None
    for nothing in ("", "  ", "Customer\tAnimal"):
        answer = browser.post("/history/pasted", {"pasted": nothing})
        assert answer.status_code == 422
        assert nothing.strip() in answer.text, "what was pasted stays"
