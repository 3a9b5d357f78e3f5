"""The gate itself, with pages of the test's own behind it."""

import logging
import sys
import threading
from pathlib import Path
from types import FrameType

import pytest
from fastapi import Depends, FastAPI, Request
from sqlalchemy import event
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from app.shared.people import Role
from app.shared.web import refusals
from app.shared.web.headers import Guard
from app.shared.web.templating import environment
from app.staff import gate, permissions
from app.studio import web
from tests.making import CAST
from tests.staff.browser import Browser, ClockedWorkshop


def test_a_route_in_no_row_is_refused_to_everybody_and_logged(
    workshop: ClockedWorkshop, caplog: pytest.LogCaptureFixture
) -> None:
    site = FastAPI(dependencies=[Depends(gate.gate)])
    site.state.workshop, site.state.templates = workshop, environment()
    refusals.install(site)
    gate.install(site)
    site.add_api_route("/forgotten", lambda: "open", name="forgotten")
    browser = Browser(site)
    caplog.set_level(logging.ERROR)
    assert browser.get("/forgotten").status_code == 303
    assert browser.as_(workshop, CAST.owner).get("/forgotten").status_code == 403
    assert "forgotten is in no row" in caplog.text


def test_pages_are_told_who_asks_what_they_may_and_what_to_say(
    workshop: ClockedWorkshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(permissions.TABLE, "told", frozenset({Role.DESK}))
    told: list[Request] = []

    def page(request: Request) -> Response:
        told.append(request)
        return PlainTextResponse("yes")

    site = FastAPI(dependencies=[Depends(gate.gate)])
    site.state.workshop, site.state.templates = workshop, environment()
    gate.install(site, banners=[lambda _: "No letters leave.", lambda _: None])
    site.add_api_route("/told", page, name="told")
    assert Browser(site).as_(workshop, CAST.desk).get("/told").text == "yes"
    state = told[0].state
    assert state.person == CAST.desk
    assert state.may("closures")
    assert not state.may("accounts")
    assert not state.may("no such route")
    assert state.studio().settings.name == "Our workshop"
    assert state.banners() == ["No letters leave."]


def test_banners_and_settings_are_looked_up_for_pages_and_not_for_what_redirects(
    workshop: ClockedWorkshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(permissions.TABLE, "act", frozenset({Role.DESK}))
    site = FastAPI(dependencies=[Depends(gate.gate)])
    site.state.workshop, site.state.templates = workshop, environment()
    looked: list[str] = []
    gate.install(site, banners=[lambda _: looked.append("a banner")])
    monkeypatch.setattr(workshop, "in_force", lambda: looked.append("the settings"))
    site.add_api_route("/act", lambda: RedirectResponse("/", 303), name="act", methods=["POST"])
    assert Browser(site).as_(workshop, CAST.desk).post("/act").status_code == 303
    assert looked == []


def test_an_act_crosses_few_files_and_one_query_before_its_page(
    workshop: ClockedWorkshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(permissions.TABLE, "act", frozenset({Role.DESK}))
    database = Path(gate.__file__).parents[1]
    crossed: list[str] = []
    asked: list[str] = []

    def follow(frame: FrameType, what: str, _: object) -> None:
        file = Path(frame.f_code.co_filename)
        if what == "call" and database in file.parents:
            crossed.append(str(file.relative_to(database)))

    def act(workshop: web.TheWorkshop, me: web.Me) -> Response:
        crossed.append("the page")
        return RedirectResponse("/", 303)

    site = FastAPI(dependencies=[Depends(gate.gate)])
    site.state.workshop, site.state.templates = workshop, environment()
    gate.install(site, banners=[lambda _: None])
    site.add_api_route("/act", act, name="act", methods=["POST"], response_model=None)
    guarded = Guard(site, hosts=["testserver"], referrer="same-origin")
    browser = Browser(guarded).as_(workshop, CAST.desk)
    # What the cookie is called is worked out with a site's first request, once.
    assert site.state.cookie() == gate.cookie_name(workshop)
    listening = (workshop.database._reader, "before_cursor_execute")
    event.listen(*listening, lambda *more: asked.append(more[2]))
    threading.setprofile(follow)
    sys.setprofile(follow)
    try:
        assert browser.post("/act").status_code == 303
    finally:
        sys.setprofile(None)
        threading.setprofile(None)
    before = crossed[: crossed.index("the page")]
    assert len(set(before)) <= 6, sorted(set(before))
    assert [words.split()[0] for words in asked] == ["BEGIN", "SELECT"]


def test_strangers_may_only_use_the_doors() -> None:
    open_to_all = {name for name in permissions.TABLE if gate.may(None, name)}
    assert open_to_all == {"health", "sign_in", "sign_in_try", "sign_out", "link", "link_use"}


def test_the_owner_may_do_all_that_anybody_may() -> None:
    rows = [row for row in permissions.TABLE.values() if isinstance(row, frozenset)]
    assert rows
    assert all(Role.OWNER in row for row in rows)


def test_templates_of_these_rooms_have_no_inline_script_or_style() -> None:
    from app.shared.places import shipped

    folder: Path = shipped("templates")
    files = [*(folder / "staff").glob("*.html"), *(folder / "studio").glob("*.html")]
    assert len(files) >= 8
    for file in files:
        text = file.read_text()
        for word in ("<script", "style=", " onclick", " onchange", "javascript:", "|safe"):
            assert word not in text, f"{word} in {file.name}"
