"""The customers' site: one page under a right link, and one and the same answer for all else."""

import asyncio
import logging
import re
import sqlite3
import subprocess
import sys
from html.parser import HTMLParser

import httpx
import pytest

from app.orders.order import links
from app.publishing.pages_file import PagesFile
from app.publishing.worker import rewrite_stale, want_all
from app.status.site import HEADERS, NOT_FOUND, customers_site
from tests.making import NOW, Wanted, fingerprint
from tests.publishing.conftest import TestWorkshop
from tests.publishing.orders import linked_order
from tests.status.conftest import Visitor

WRONG = [
    "/", "/x", "/x/", "/favicon.ico", "/robots.txt", "/static/", "/static/likewright.css",
    "/static/../status.css", "/..%2f..%2fkey", "/" + "a" * 43 + "/", "/" + "a" * 4000 + "/",
    "/" + "%00" * 30 + "/", "/" + "é" * 43 + "/", "/<script>alert(1)</script>/", "/' OR 1=1 --/",
    "/docs", "/openapi.json", "//", "/a/b/c",
]  # fmt: skip


def ask(visitor: Visitor, path: str, method: str = "GET", **headers: str) -> httpx.Response:
    return asyncio.run(visitor.asks(path, method, **headers))


@pytest.fixture
def token(workshop: TestWorkshop) -> str:
    _, token = linked_order(workshop)
    rewrite_stale(workshop)
    return token


def test_a_right_link_opens_its_page(visitor: Visitor, token: str) -> None:
    answer = ask(visitor, f"/{token}/")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert "Please send us photos of Juniper." in answer.text
    assert token not in answer.text


def test_a_link_without_its_last_stroke_leads_there(visitor: Visitor, token: str) -> None:
    answer = ask(visitor, f"/{token}")
    assert (answer.status_code, answer.headers["location"]) == (308, f"{token}/")


@pytest.mark.parametrize("path", WRONG)
def test_what_is_no_page_gets_one_and_the_same_answer(
    visitor: Visitor, token: str, path: str
) -> None:
    unknown = ask(visitor, "/" + "b" * 43 + "/")
    answer = ask(visitor, path)
    assert (answer.status_code, answer.text) == (404, NOT_FOUND)
    assert (answer.status_code, answer.content, sorted(answer.headers.items())) == (
        unknown.status_code, unknown.content, sorted(unknown.headers.items()),
    )  # fmt: skip


def test_a_link_with_its_last_sign_changed_opens_nothing(visitor: Visitor, token: str) -> None:
    for last in "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_":
        changed = token[:-1] + last
        assert ask(visitor, f"/{changed}/").status_code == (200 if changed == token else 404)


def test_revoked_and_lapsed_links_answer_as_if_they_had_never_been(
    workshop: TestWorkshop, visitor: Visitor, token: str
) -> None:
    unknown = ask(visitor, "/" + "b" * 43 + "/")
    lapsing, other = linked_order(workshop)
    rewrite_stale(workshop)
    raw = sqlite3.connect(workshop.folder.pages)
    raw.execute("UPDATE pages SET lapses_at = ? WHERE order_id = ?", (NOW + 10, lapsing.id))
    raw.commit()
    raw.close()
    assert ask(visitor, f"/{other}/").status_code == 200
    visitor.now = NOW + 10
    with workshop.database.writing() as db:
        links.revoke(db, 1, NOW)
    rewrite_stale(workshop)
    for gone in (other, token):
        for path in (f"/{gone}/", f"/{gone}"):
            answer = ask(visitor, path)
            assert (answer.status_code, answer.content) == (404, unknown.content)
            assert answer.headers == unknown.headers


@pytest.mark.parametrize("path", ["/{}/", "/{}", "/nothing", "/static/status.css"])
def test_every_answer_carries_the_same_guards(visitor: Visitor, token: str, path: str) -> None:
    for method in ("GET", "HEAD", "POST"):
        headers = ask(visitor, path.format(token), method).headers
        for name, value in HEADERS.items():
            if name != "cache-control":
                assert headers[name] == value
        assert "set-cookie" not in headers
        style = path.endswith("css") and method != "POST"
        assert headers["cache-control"] == ("public, max-age=3600" if style else "no-store")
    policy = HEADERS["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script" not in policy
    assert "unsafe" not in policy


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE", "TRACE", "OPTIONS"])
def test_pages_can_only_be_read(visitor: Visitor, token: str, method: str) -> None:
    right, wrong = ask(visitor, f"/{token}/", method), ask(visitor, "/nothing/", method)
    assert right.status_code == wrong.status_code == 405
    assert right.content == wrong.content
    assert right.headers["allow"] == "GET, HEAD"


def test_head_says_what_get_would(visitor: Visitor, token: str) -> None:
    head, get = ask(visitor, f"/{token}/", "HEAD"), ask(visitor, f"/{token}/")
    assert (head.status_code, head.headers) == (200, get.headers)
    assert ask(visitor, "/nothing/", "HEAD").status_code == 404


def test_reading_changes_nothing(workshop: TestWorkshop, visitor: Visitor, token: str) -> None:
    before = fingerprint(workshop.folder.pages), fingerprint(workshop.folder.database_file)
    for method in ("GET", "HEAD", "POST", "DELETE"):
        for _ in range(20):
            ask(visitor, f"/{token}/", method)
    assert (
        fingerprint(workshop.folder.pages),
        fingerprint(workshop.folder.database_file),
    ) == before
    assert not list(workshop.folder.path.glob("pages.db-*"))


def test_cookies_and_paths_are_never_logged(
    visitor: Visitor,
    token: str,
    caplog: pytest.LogCaptureFixture,
    capfd: pytest.CaptureFixture[str],
) -> None:
    with caplog.at_level(logging.DEBUG):
        for path in (f"/{token}/", f"/{token}", "/nothing"):
            answer = ask(visitor, path, cookie="__Host-likewright=cookiecanary")
    shown = capfd.readouterr()
    own = [r.getMessage() for r in caplog.records if not r.name.startswith(("httpx", "httpcore"))]
    assert "cookiecanary" not in answer.text
    for text in (*own, shown.out, shown.err):
        assert token not in text
        assert "cookiecanary" not in text


def test_a_missing_or_broken_pages_file_says_not_now_for_every_link(
    workshop: TestWorkshop, visitor: Visitor, token: str
) -> None:
    assert ask(visitor, f"/{token}/").status_code == 200
    workshop.folder.pages.unlink()
    right, wrong = ask(visitor, f"/{token}/"), ask(visitor, "/" + "c" * 43 + "/")
    assert right.status_code == wrong.status_code == 503
    assert right.content == wrong.content
    workshop.folder.pages.write_bytes(b"not a database at all" * 100)
    assert ask(visitor, f"/{token}/").status_code == 503


def test_a_file_put_in_the_place_of_another_is_read(
    workshop: TestWorkshop, visitor: Visitor, token: str
) -> None:
    assert ask(visitor, f"/{token}/").status_code == 200
    new = workshop.folder.pages.with_name("new.db")
    new.write_bytes(workshop.folder.pages.read_bytes())
    raw = sqlite3.connect(new)
    raw.execute("DELETE FROM pages")
    raw.commit()
    raw.close()
    new.replace(workshop.folder.pages)
    assert ask(visitor, f"/{token}/").status_code == 404


def test_a_pages_file_of_an_older_version_shows_nothing_until_it_is_made_anew(
    workshop: TestWorkshop, visitor: Visitor, token: str
) -> None:
    shown = ask(visitor, f"/{token}/").content
    raw = sqlite3.connect(workshop.folder.pages)
    raw.execute("ALTER TABLE pages RENAME COLUMN html TO document")
    raw.execute("PRAGMA user_version = 7")
    raw.commit()
    raw.close()
    answer = ask(visitor, f"/{token}/")
    assert (answer.status_code, answer.headers["cache-control"]) == (503, "no-store")
    assert "document" not in answer.text
    pages = PagesFile(workshop.folder.pages)
    assert pages.words == 0
    want_all(workshop)
    rewrite_stale(workshop, pages)
    pages.close()
    assert ask(visitor, f"/{token}/").content == shown


class Markup(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))


def test_a_page_holds_no_script_no_style_and_leads_nowhere_else(
    visitor: Visitor, token: str
) -> None:
    markup = Markup()
    markup.feed(ask(visitor, f"/{token}/").text)
    assert not {"script", "style", "form", "iframe", "img", "base"} & {
        tag for tag, _ in markup.tags
    }
    for _, attributes in markup.tags:
        assert "style" not in attributes
        assert not [name for name in attributes if name.startswith("on")]
        for name in ("href", "src"):
            value = attributes.get(name)
            inside = value in (None, "../static/status.css", "data:,")
            assert inside or str(value).startswith("mailto:")


def test_what_a_customer_typed_is_text_and_nothing_else(
    workshop: TestWorkshop, visitor: Visitor
) -> None:
    nasty = "<img src=x onerror=alert(1)>{{7*7}}\"'&"
    _, token = linked_order(workshop, Wanted(nasty))
    rewrite_stale(workshop)
    answer = ask(visitor, f"/{token}/")
    assert "<img" not in answer.text
    assert "49" not in re.sub(r"#\d+", "", answer.text)
    assert "&lt;img src=x" in answer.text


def test_the_site_knows_no_staff_database() -> None:
    code = (
        "import sys, app.status.site, app.status.wording\n"
        "bad = [m for m in sys.modules if m.split('.')[0] == 'sqlalchemy'"
        " or m.startswith(('app.tables', 'app.shared.database', 'app.studio'))]\n"
        "sys.exit(', '.join(bad) or None)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr


def test_the_site_starts_without_a_pages_file(workshop: TestWorkshop) -> None:
    assert customers_site(workshop.folder.path / "none.db") is not None
