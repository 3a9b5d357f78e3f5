"""The studio's list of carriers: kept as typed, said back, refused in words, followed at once."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import insert, update

from app.shared.carriers import Journey
from app.tables import forecasts, migrating
from tests.making import CAST, NOW, fingerprint, make_order, rows
from tests.staff.browser import Browser, ClockedWorkshop
from tests.tables.test_migrating import made_at, run_in
from tests.whole_site import the_form, words

TERN = {
    "name": "Tern & <Parcels>", "tracking": "https://track.ternparcels.example/?n={number}",
    "number_form": "s10", "days_are": "working", "home": "1-3", "abroad": "4 to 9",
    "countries": "Ireland 2 to 5\nde: 3", "claim_days": "21", "texts": "1", "place": "1",
}  # fmt: skip


def add(owner: Browser, **typed: str):
    form = the_form(owner.get("/settings/carriers").text, "/settings/carriers")
    return owner.post("/settings/carriers", {**form.fields, **TERN, **typed})


def test_a_carrier_stands_on_the_list_and_everybody_reckons_with_it(
    owner: Browser, workshop: ClockedWorkshop
) -> None:
    assert workshop.in_force().carriers == ()
    assert add(owner).headers["location"] == "/settings/carriers?done=saved"
    [tern] = workshop.in_force().carriers
    assert (tern.name, tern.number_form, tern.claim_days, tern.texts) == (
        "Tern & <Parcels>",
        "s10",
        21,
        True,
    )
    assert (tern.home, tern.abroad) == (Journey(1, 3), Journey(4, 9))
    assert tern.countries == {"IE": Journey(2, 5), "DE": Journey(3, 3)}
    page = owner.get("/settings/carriers")
    assert "Tern &amp; &lt;Parcels&gt;" in page.text
    assert "1 to 3 working days at home; 4 to 9 abroad; Ireland 2 to 5; Germany 3" in words(page)
    form = the_form(owner.get("/settings/carriers/1").text, "/settings/carriers/1")
    assert form.fields["home"] == "1 to 3"
    owner.post("/settings/carriers/1", {**form.fields, "home": "2", "days_are": "calendar"})
    assert workshop.in_force().carriers[0].home == Journey(2, 2, working=False)
    said = words(owner.get("/settings"))
    assert "Carrier Tern & <Parcels>, days at home" in said


def test_a_carrier_of_which_only_the_name_is_known_stands_on_the_list(owner: Browser) -> None:
    nothing = dict.fromkeys(("tracking", "home", "abroad", "countries", "claim_days"), "")
    assert add(owner, name="Gull & Sons", **nothing).status_code == 303
    said = words(owner.get("/settings/carriers"))
    assert "Gull & Sons days at home not known; not abroad; no tracking address" in said


def test_what_others_wait_for_follows_a_change(owner: Browser, workshop: ClockedWorkshop) -> None:
    order = make_order(workshop.database, CAST.desk, NOW)
    with workshop.database.writing() as db:
        db.execute(insert(forecasts).values(order_id=order.id, computed_at=NOW, stale=0))
        db.execute(update(forecasts).values(stale=0))
    add(owner)
    assert rows(workshop.database, "SELECT stale FROM forecasts") == [(1,)]


@pytest.mark.parametrize(
    ("field", "typed"),
    [("name", ""), ("name", "a" * 61), ("name", "x\u200by"), ("tracking", "http://a.example/{number}"),
     ("tracking", "https://a.example/"), ("tracking", "javascript:{number}"),
     ("tracking", "https://a.example/{number}" + "a" * 300), ("number_form", "isbn"),
     ("days_are", "moons"), ("home", "3 to 1"), ("home", "soon"), ("home", "0"), ("abroad", "2 to 999"),
     ("countries", "Atlantis 3"), ("countries", "IE 2\nIreland 3"), ("countries", "IE"),
     ("claim_days", "0"), ("claim_days", "366"), ("claim_days", "²"), ("claim_days", "9" * 50),
     ("place", "0"), ("place", "41"), ("place", "first"), ("place", "9" * 5000)],
)  # fmt: skip
def test_what_will_not_do_is_said_at_its_field_and_nothing_is_kept(
    owner: Browser, workshop: ClockedWorkshop, field: str, typed: str
) -> None:
    before = fingerprint(workshop.folder.database_file)
    answer = add(owner, **{field: typed})
    assert answer.status_code == 422
    assert f'aria-describedby="e-{field}"' in answer.text
    assert fingerprint(workshop.folder.database_file) == before


def test_two_of_one_name_are_refused_and_one_that_left_makes_room(
    owner: Browser, workshop: ClockedWorkshop
) -> None:
    add(owner)
    assert "of that name on the list already" in words(add(owner, name="TERN & <parcels>"))
    owner.post("/settings/carriers/1/off", {})
    assert workshop.in_force().carriers == ()
    assert owner.get("/settings/carriers/1").status_code == 404
    assert owner.post("/settings/carriers/1/off", {}).status_code == 404
    assert add(owner).status_code == 303


def test_who_changes_what_somebody_else_changed_meanwhile_is_told(
    owner: Browser, workshop: ClockedWorkshop
) -> None:
    add(owner)
    form = the_form(owner.get("/settings/carriers/1").text, "/settings/carriers/1").fields
    owner.post("/settings/carriers/1", {**form, "home": "2"})
    late = owner.post("/settings/carriers/1", {**form, "home": "9"})
    assert late.status_code == 422
    assert "Somebody changed this" in words(late)
    again = the_form(late.text, "/settings/carriers/1").fields
    assert owner.post("/settings/carriers/1", again).status_code == 303
    assert workshop.in_force().carriers[0].home == Journey(9, 9)


def test_the_names_that_were_a_setting_become_the_list(tmp_path: Path) -> None:
    """A studio of the version before had its carriers in one line of its settings."""
    path = made_at(tmp_path, "0009")
    run_in(path, "INSERT INTO settings VALUES ('carriers', '\"Post, Gull & Sons\"', 1, NULL)")
    migrating.migrate(path, NOW)
    with closing(sqlite3.connect(path)) as raw:
        assert raw.execute("SELECT name, place FROM carriers ORDER BY id").fetchall() == [
            ("Post", 1), ("Gull & Sons", 2),
        ]  # fmt: skip
        assert raw.execute("SELECT 1 FROM settings WHERE name = 'carriers'").fetchall() == []
