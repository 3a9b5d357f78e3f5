"""The list of what there is to set up: what is done, what is not, and the next step."""

from pathlib import Path

import pytest

from app.main import ROUTERS, staff_site
from app.photos.builds.actions import MachineFields, add_machine
from app.set_up.rules import KEYS, STEPS_TO_SET_UP, InTheHouse, next_step, steps
from app.staff import permissions
from app.staff.links import first_link
from app.studio import places
from app.studio.rules import StudioSettings
from tests.making import CAST, make_order
from tests.staff.browser import PASSWORD, Browser, ClockedWorkshop
from tests.staff.test_permissions import every_route
from tests.whole_site import the_form, words

DONE: dict[str, tuple[dict[str, object], InTheHouse]] = {
    "name": ({"name": "Fernlight", "contact_mail": "desk@fernlight.example"}, InTheHouse()),
    "place": ({"country": "DE"}, InTheHouse()),
    "hours": ({}, InTheHouse(closures=1)),
    "steps": ({"blank_on": False}, InTheHouse()),
    "made": ({"sizes": "60, 90"}, InTheHouse()),
    "weeks": ({"usual_weeks_from": 5, "usual_weeks_to": 9}, InTheHouse()),
    "carriers": ({}, InTheHouse(carriers=1)),
    "machines": ({}, InTheHouse(machines=1)),
    "people": ({}, InTheHouse(people=2)),
    "address": ({}, InTheHouse(given=frozenset({"address"}))),
    "mail": ({"mail_host": "mail.fernlight.example"}, InTheHouse()),
    "backups": ({"backups_folder": "/mnt/second"}, InTheHouse()),
    "earlier": ({}, InTheHouse(sheets=1)),
    "orders": ({}, InTheHouse(orders=1)),
}


@pytest.mark.parametrize("key", [step.key for step in STEPS_TO_SET_UP])
def test_a_step_is_done_by_what_stands_in_the_house(key: str) -> None:
    typed, found = DONE[key]
    fresh = {one.key: one.done for one in steps(StudioSettings(), InTheHouse(people=1))}
    assert fresh == dict.fromkeys(KEYS, False)
    with_it = {one.key for one in steps(StudioSettings.model_validate(typed), found) if one.done}
    # What is learnt from a sheet of earlier orders does for the usual weeks, too.
    assert with_it == {key} | ({"weeks"} if key == "earlier" else set())


def test_what_is_left_as_it_is_is_not_asked_again_and_done_counts_more() -> None:
    left = StudioSettings(set_up_fine="name place hours")
    assert next_step(left, InTheHouse()).key == "steps"  # type: ignore[union-attr]
    assert [one.key for one in steps(left, InTheHouse()) if one.left] == ["name", "place", "hours"]
    both = StudioSettings(set_up_fine="machines")
    [machines] = [one for one in steps(both, InTheHouse(machines=2)) if one.key == "machines"]
    assert (machines.done, machines.left) == (True, False)
    assert next_step(StudioSettings(set_up_over=True), InTheHouse()) is None
    assert next_step(StudioSettings(set_up_fine=" ".join(KEYS)), InTheHouse()) is None


def test_each_step_leads_to_a_page_of_the_owner() -> None:
    paths = {
        route.path: route.name
        for router in ROUTERS
        for route in every_route(router.routes)
        if "GET" in route.methods
    }
    for step in STEPS_TO_SET_UP:
        assert CAST.owner.role in permissions.TABLE[paths[step.address.partition("#")[0]]]


def test_the_first_owner_comes_to_it_and_it_says_the_next_step_until_it_will_do(
    tmp_path: Path, workshop: ClockedWorkshop, owner: Browser
) -> None:
    page = owner.get("/set-up")
    assert "13 steps still to look at" in words(page)
    assert "Next in Set up: Name and contact" in words(owner.get("/"))
    assert "Next in Set up: Name and contact" in words(owner.get("/owner"))
    form = the_form(page.text, "/set-up/as-it-is")
    assert form.fields["step"] == "name"
    assert owner.post(form.action, form.fields).headers["location"] == "/set-up?done=saved"
    assert "Next in Set up: Country and time zone" in words(owner.get("/"))
    add_machine(workshop, MachineFields(name="Rig one"))
    make_order(workshop.database, CAST.desk, workshop.now())
    said = words(owner.get("/set-up"))
    assert "Ten steps still to look at" in said
    assert "fine as it is Name and contact" in said
    assert "done Machines" in said
    reminders = the_form(owner.get("/set-up").text, "/set-up/reminders")
    assert reminders.fields == {"over": "1"}
    owner.post(reminders.action, reminders.fields)
    assert "Next in Set up" not in words(owner.get("/"))
    again = the_form(owner.get("/set-up").text, "/set-up/reminders")
    owner.post(again.action, again.fields)
    assert "Next in Set up" in words(owner.get("/"))


def test_nobody_but_the_owner_is_told(workshop: ClockedWorkshop) -> None:
    for person in (CAST.desk, CAST.painter):
        browser = Browser(staff_site(workshop)).as_(workshop, person)
        assert browser.get("/set-up").status_code == 403
        assert "Next in" not in words(browser.get("/"))


def test_the_first_owners_link_ends_there(tmp_path: Path) -> None:
    from app.shared.places import DataFolder
    from app.tables.migrating import migrate

    folder = DataFolder(tmp_path / "new")
    folder.prepare()
    migrate(folder.database_file, 0)
    workshop = ClockedWorkshop(folder)
    with workshop.database.writing() as db:
        link = first_link(db, workshop.now())
    browser = Browser(staff_site(workshop))
    typed = {"name": "Odile Marchbanks", "password": PASSWORD, "again": PASSWORD}
    assert browser.post(str(link), typed).headers["location"] == "/set-up"
    assert browser.get("/set-up").status_code == 200
    workshop.close()


def test_there_is_no_such_step(owner: Browser) -> None:
    answer = owner.post("/set-up/as-it-is", {"step": "roof"})
    assert answer.status_code == 422
    assert "There is no such step." in words(answer)


# Where this machine seems to be


def test_the_zone_of_this_machine_names_its_country(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("TZ", raising=False)
    zones = tmp_path / "zoneinfo" / "America"
    zones.mkdir(parents=True)
    (zones / "Toronto").touch()
    (tmp_path / "localtime").symlink_to(zones / "Toronto")
    assert places.guessed(tmp_path / "localtime") == ("America/Toronto", "CA")
    assert places.guessed(tmp_path / "nothing") == ("", "")
    # ISO 3166-1 and the time zone database: Germany is DE; UTC is nowhere.
    monkeypatch.setenv("TZ", "Europe/Berlin")
    assert places.guessed() == ("Europe/Berlin", "DE")
    monkeypatch.setenv("TZ", "UTC")
    assert places.guessed() == ("", "")


def test_what_is_guessed_is_taken_by_one_button(
    workshop: ClockedWorkshop, owner: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TZ", "Europe/Vienna")
    page = owner.get("/set-up")
    assert "This computer’s clock is set to Europe/Vienna, Austria." in words(page)
    form = the_form(page.text, "/set-up/place")
    assert owner.post(form.action, form.fields).status_code == 303
    settings = workshop.in_force().settings
    assert (settings.zone, settings.country) == ("Europe/Vienna", "AT")
    for zone, country in (("Europe/Vienna", "QQ"), ("Atlantis", "AT"), ("", "")):
        answer = owner.post("/set-up/place", {"zone": zone, "country": country})
        assert answer.status_code == 422
    assert workshop.in_force().settings == settings


def test_settings_offer_zones_countries_and_regions_and_drop_nothing(owner: Browser) -> None:
    page = owner.get("/settings").text
    assert '<option value="Pacific/Auckland">' in page
    assert '<option value="DE">Germany</option>' in page
    typed = {**the_form(page, "/settings").fields, "zone": "Atlantis", "country": "DE"}
    again = owner.post("/settings", typed)
    assert again.status_code == 422
    assert '<option value="Atlantis" selected>' in again.text
    typed = {**typed, "zone": "Europe/Berlin", "usual_weeks_from": "7", "usual_weeks_to": "5"}
    again = owner.post("/settings", typed)
    assert "must not be less" in words(again)
    typed |= {"usual_weeks_to": "10", "region": "BY"}
    assert owner.post("/settings", typed).status_code == 303
    assert '<option value="BY">Bayern</option>' in owner.get("/settings").text
