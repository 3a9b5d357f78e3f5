"""Pages as files: the bytes of the customers' site, only what changed, nothing left of what went."""

import asyncio
import json
import os
import shutil
import socket
import sqlite3
import stat
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import httpx
import pytest

from app.orders.order import links
from app.publishing import publish as publishing
from app.publishing.publish import MARKER, publish
from app.publishing.worker import rewrite_due, rewrite_stale
from app.shared.errors import CannotStart
from app.shared.places import shipped
from app.status.document import ShownPicture
from app.status.rendering import page_html
from app.status.site import HEADERS, NOT_FOUND
from tests.making import CAST, DAY, NOW, move
from tests.publishing.conftest import TestWorkshop
from tests.publishing.orders import linked_order
from tests.publishing.published import place, written
from tests.status.conftest import Visitor
from tests.status.rows import page_at

__all__ = ["place"]


def files(place: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(place)): path.read_bytes()
        for path in place.rglob("*")
        if path.is_file() and path.name != MARKER
    }


def test_a_published_page_has_the_bytes_of_the_customers_site(workshop, place) -> None:
    tokens = [linked_order(workshop)[1] for _ in range(3)]
    assert written(workshop, place) == publishing.Published(3, 3, 0)
    for token in tokens:
        live = asyncio.run(Visitor(workshop).asks(f"/{token}/"))
        assert live.status_code == 200
        assert (place / token / "index.html").read_bytes() == live.content
    assert sorted(set(files(place)) - {f"{token}/index.html" for token in tokens}) == [
        "404.html", "index.html", "static/status.css",
    ]  # fmt: skip
    assert NOT_FOUND.strip() in (place / "404.html").read_text()


def test_a_page_says_itself_what_a_header_would(workshop, place) -> None:
    _, token = linked_order(workshop)
    written(workshop, place)
    page = " ".join((place / token / "index.html").read_text().split())
    for meta in (
        'name="robots" content="noindex, nofollow, noarchive"',
        'name="referrer" content="no-referrer"',
        'http-equiv="Content-Security-Policy" content="default-src \'none\';',
        "As of",
    ):
        assert meta in page


def test_nothing_changed_writes_nothing(workshop, place) -> None:
    linked_order(workshop)
    written(workshop, place)
    before = {path: path.stat().st_mtime_ns for path in place.rglob("*")}
    assert publish(workshop, place) == publishing.Published(1, 0, 0)
    assert {path: path.stat().st_mtime_ns for path in place.rglob("*")} == before


def test_only_the_page_that_changed_is_written(workshop, place) -> None:
    order, token = linked_order(workshop)
    _, other = linked_order(workshop)
    written(workshop, place)
    before = files(place)
    move(workshop.database, order.model(), CAST.desk, workshop.moment + 60, "photos_counted")
    workshop.moment += 120
    assert written(workshop, place).written == 1
    now = files(place)
    assert {name for name in now if now[name] != before.get(name)} == {f"{token}/index.html"}
    assert now[f"{other}/index.html"] == before[f"{other}/index.html"]


def test_a_page_written_twice_in_one_second_is_not_missed(workshop, place) -> None:
    order, token = linked_order(workshop)
    written(workshop, place, later=0)
    before = (place / token / "index.html").read_bytes()
    move(workshop.database, order.model(), CAST.desk, workshop.moment, "photos_counted")
    written(workshop, place, later=0)
    assert (place / token / "index.html").read_bytes() != before


def test_what_was_revoked_is_gone_even_before_the_pages_file_knows(workshop, place) -> None:
    order, token = linked_order(workshop)
    _, other = linked_order(workshop)
    written(workshop, place)
    with workshop.database.writing() as db:
        links.revoke(db, order.id, workshop.moment)
    assert publish(workshop, place) == publishing.Published(1, 0, 1)
    assert not (place / token).exists()
    assert (place / other).exists()


def test_what_has_lapsed_is_gone_even_before_the_pages_file_knows(workshop, place) -> None:
    _, token = linked_order(workshop)
    with workshop.database.writing() as db:
        db.exec_driver_sql("UPDATE status_links SET lapses_at = ?", (NOW + DAY,))
    written(workshop, place)
    assert (place / token).exists()
    workshop.moment = NOW + DAY
    assert publish(workshop, place).removed == 1
    assert not (place / token).exists()


def show_a_picture(workshop: TestWorkshop, order_id: int, jpeg: bytes | None) -> None:
    """Release a picture of an order in the pages file, or take it back."""
    with sqlite3.connect(workshop.folder.pages) as raw:
        shown = (ShownPicture("Juniper in paint.", "A horse", 400, 300),) if jpeg else ()
        raw.execute(
            "UPDATE pages SET html = ?, written_at = written_at + 1 WHERE order_id = ?",
            (page_html(replace(page_at("painting"), pictures=shown)), order_id),
        )
        raw.execute("DELETE FROM pictures WHERE order_id = ?", (order_id,))
        if jpeg:
            raw.execute(
                "INSERT INTO pictures VALUES (?, 'picture.jpg', 'its hash', ?)", (order_id, jpeg)
            )
    raw.close()


def test_a_released_picture_lies_beside_its_page_and_goes_with_it(workshop, place) -> None:
    order, token = linked_order(workshop)
    written(workshop, place)
    show_a_picture(workshop, order.id, b"a jpeg")
    assert publish(workshop, place).written == 1
    live = Visitor(workshop)
    for path in ("", "picture.jpg"):
        answer = asyncio.run(live.asks(f"/{token}/{path}"))
        assert (place / token / (path or "index.html")).read_bytes() == answer.content
    show_a_picture(workshop, order.id, None)
    publish(workshop, place)
    assert [path.name for path in (place / token).iterdir()] == ["index.html"]
    show_a_picture(workshop, order.id, b"another jpeg")
    publish(workshop, place)
    with workshop.database.writing() as db:
        links.revoke(db, order.id, workshop.moment)
    publish(workshop, place)
    assert not (place / token).exists()


def test_another_look_writes_every_page_again(workshop, place, monkeypatch) -> None:
    _, token = linked_order(workshop)
    written(workshop, place)
    kept = (place / token / "index.html").read_bytes()
    (place / token / "index.html").write_bytes(b"of an older program")
    monkeypatch.setattr(publishing, "_look", lambda *_: "another")
    assert publish(workshop, place).written == 1
    assert (place / token / "index.html").read_bytes() == kept


def test_a_page_that_somebody_deleted_comes_back(workshop, place) -> None:
    _, token = linked_order(workshop)
    written(workshop, place)
    shutil.rmtree(place / token)
    assert publish(workshop, place).written == 1
    assert (place / token / "index.html").exists()


def test_a_folder_that_is_not_ours_is_left_alone(workshop, place) -> None:
    linked_order(workshop)
    rewrite_stale(workshop)
    place.mkdir()
    (place / "holiday.txt").write_text("mine")
    with pytest.raises(CannotStart, match="is not empty"):
        publish(workshop, place)
    assert [path.name for path in place.iterdir()] == ["holiday.txt"]


def test_what_others_put_into_our_folder_stays(workshop, place) -> None:
    order, token = linked_order(workshop)
    written(workshop, place)
    stranger = place / ("S" * 43)
    stranger.mkdir()
    (stranger / "index.html").write_text("mine")
    (place / token / "note.txt").write_text("mine too")
    with workshop.database.writing() as db:
        links.revoke(db, order.id, workshop.moment)
    publish(workshop, place)
    assert (stranger / "index.html").read_text() == "mine"
    assert [path.name for path in (place / token).iterdir()] == ["note.txt"]


def test_another_studio_s_folder_is_refused(workshop, place) -> None:
    linked_order(workshop)
    written(workshop, place)
    marker = json.loads((place / MARKER).read_bytes())
    (place / MARKER).write_text(json.dumps(marker | {"studio": 1}))
    with pytest.raises(CannotStart, match="Another workshop"):
        publish(workshop, place)


@pytest.mark.parametrize("where", ["", "pictures", ".."])
def test_nothing_is_published_where_the_data_lies(workshop, where: str) -> None:
    with pytest.raises(CannotStart, match="folder of its own"):
        publish(workshop, workshop.folder.path / where)


def test_a_wrong_key_is_said_before_anything_is_published_under_it(workshop, place) -> None:
    linked_order(workshop)
    rewrite_stale(workshop)
    workshop.folder.__dict__["key"] = b"x" * 32
    with pytest.raises(CannotStart, match="key file is not the one"):
        publish(workshop, place)
    assert [name for name in files(place) if name.count("/")] == ["static/status.css"]


def test_nobody_can_list_the_folder_and_everybody_can_read_a_page(workshop, place) -> None:
    _, token = linked_order(workshop)
    before = os.umask(0o077)
    try:
        written(workshop, place)
        written(workshop, place.parent / "made" / "deep")
    finally:
        os.umask(before)
    assert stat.S_IMODE((place.parent / "made").stat().st_mode) == 0o711
    modes = {name: stat.S_IMODE((place / name).stat().st_mode) for name in (
        "", token, f"{token}/index.html", "static", "404.html", MARKER)}  # fmt: skip
    assert modes == {
        "": 0o711, token: 0o755, f"{token}/index.html": 0o644, "static": 0o755,
        "404.html": 0o644, MARKER: 0o600,
    }  # fmt: skip


def test_the_marker_holds_no_link(workshop, place) -> None:
    _, token = linked_order(workshop)
    written(workshop, place)
    assert token not in (place / MARKER).read_text()


def test_two_at_once_do_not_write_into_each_other(workshop, place) -> None:
    linked_order(workshop)
    written(workshop, place)
    with publishing._held(place), pytest.raises(CannotStart, match="right now"):
        publish(workshop, place)


# ---------------------------------------------------------------- cut off


def test_a_cut_in_the_middle_leaves_whole_pages_and_the_next_publish_finishes(
    workshop, place, tmp_path
) -> None:
    orders = [linked_order(workshop) for _ in range(5)]
    rewrite_stale(workshop)
    ended = subprocess.run(
        [sys.executable, "-m", "app", "publish", str(place), "--data", str(workshop.folder.path)],
        env=os.environ | {"LIKEWRIGHT_FAULT": "mid-publish:3"}, capture_output=True, timeout=60,
    )  # fmt: skip
    assert ended.returncode == 86
    there = list(place.glob("*/index.html"))
    assert len(there) == 3
    assert all(path.read_text().endswith("</html>") for path in there)
    # One of those that were written is revoked before the next publish.
    gone = next((o, t) for o, t in orders if (place / t).exists())
    with workshop.database.writing() as db:
        links.revoke(db, gone[0].id, workshop.moment)
    done = written(workshop, place)
    assert (done.pages, done.removed) == (4, 1)
    assert sorted(path.parent.name for path in place.glob("*/index.html")) == sorted(
        token for _, token in orders if token != gone[1]
    )
    assert not list(place.rglob("*half*"))


# ---------------------------------------------------------------- a real web server


NGINX = shutil.which("nginx") or "/usr/sbin/nginx"
_AROUND = """
daemon off; master_process off; pid {folder}/pid; error_log {folder}/error.log crit;
events {{ worker_connections 64; }}
http {{
  types {{ text/html html; text/css css; image/jpeg jpg; }} default_type text/plain; charset utf-8;
  client_body_temp_path {folder}/b; proxy_temp_path {folder}/p; fastcgi_temp_path {folder}/f;
  uwsgi_temp_path {folder}/u; scgi_temp_path {folder}/s;
  {server}
}}
"""


@pytest.fixture
def nginx(place: Path, tmp_path: Path) -> Iterator[Callable[..., httpx.Response]]:
    """The shipped configuration, served on loopback without a certificate."""
    if not Path(NGINX).exists():
        pytest.skip("no nginx here")
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        port = sock.getsockname()[1]
    conf = (shipped("demo_data") / "hosting" / "nginx.conf").read_text()
    for old, new in (
        ("listen 443 ssl;", f"listen 127.0.0.1:{port};"),
        ("/var/www/likewright;", f"{place};"),
        ("/var/log/nginx/likewright.log", f"{tmp_path}/site-error.log"),
    ):
        assert old in conf
        conf = conf.replace(old, new)
    conf = "\n".join(line for line in conf.splitlines() if "ssl_certificate" not in line)
    path = tmp_path / "nginx.conf"
    path.write_text(_AROUND.format(folder=tmp_path, server=conf))
    server = subprocess.Popen([NGINX, "-c", str(path), "-p", str(tmp_path)])
    with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=5) as client:
        for _ in range(100):
            try:
                client.get("/404.html")
                break
            except httpx.ConnectError:
                time.sleep(0.05)
        yield client.get
    server.terminate()
    server.wait(10)


def test_a_web_server_gives_the_same_page_with_the_same_headers(workshop, place, nginx) -> None:
    order, token = linked_order(workshop)
    written(workshop, place)
    live = asyncio.run(Visitor(workshop).asks(f"/{token}/"))
    page = nginx(f"/{token}/")
    assert page.status_code == 200
    assert page.content == live.content
    assert page.headers["content-type"].partition(";")[0] == "text/html"
    for name, value in HEADERS.items():
        assert page.headers[name] == value, name
    assert not {"etag", "last-modified", "set-cookie"} & set(page.headers)
    assert nginx(f"/{token}/../static/status.css").status_code == 200
    assert nginx(f"/{token}").headers["location"] == f"/{token}/"

    with workshop.database.writing() as db:
        links.revoke(db, order.id, workshop.moment)
    publish(workshop, place)
    for path in (f"/{token}/", "/" + "N" * 43 + "/", f"/{MARKER}", "/static/", "/nothing"):
        answer = nginx(path)
        assert answer.status_code == 404, path
        assert NOT_FOUND.strip() in answer.text
        assert answer.headers["x-robots-tag"] == HEADERS["x-robots-tag"]
    assert nginx("/").status_code == 200
    assert token not in nginx("/").text


def test_a_day_later_the_pages_are_written_again_with_its_date(workshop, place) -> None:
    _, token = linked_order(workshop)
    written(workshop, place)
    before = (place / token / "index.html").read_text()
    workshop.moment += DAY
    rewrite_due(workshop, workshop.moment)
    workshop.moment += 10
    assert publish(workshop, place).written == 1
    assert (place / token / "index.html").read_text() != before
