"""The gate itself, with pages of the test's own behind it."""

import logging
from pathlib import Path

import pytest
from fastapi import Depends, FastAPI, Request
from starlette.responses import PlainTextResponse, Response

from app.shared.people import Role
from app.shared.web import refusals
from app.shared.web.templating import environment
from app.staff import gate, permissions
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
    assert state.studio.settings.name == "Our workshop"
    assert state.banners == ["No letters leave."]


def test_strangers_may_only_use_the_doors() -> None:
    open_to_all = {name for name in permissions.TABLE if permissions.may(None, name)}
    assert open_to_all == {"sign_in", "sign_in_try", "sign_out", "link", "link_use"}


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
