"""The settings page."""

import json
import re
from datetime import date

import pytest

from app.flow.steps import BENCHES, STEPS
from app.shared.web.forms import MOST_FIELDS
from app.studio import store
from app.studio.as_form import ELSEWHERE, flat
from app.studio.pages import LABELS
from app.studio.rules import StudioSettings
from tests.making import CAST, NOW, fingerprint, make_order, rows
from tests.staff.browser import Browser, ClockedWorkshop
from tests.staff.conftest import door

STEP_KEYS = [step.value for step in BENCHES]


def seen_on(page: str) -> str:
    found = re.search(r'name="seen" value="(\w+)"', page)
    assert found is not None
    return found[1]


def save(browser: Browser, without: tuple[str, ...] = (), **typed: str | list[str]):
    """The form as the page fills it, with some fields typed anew."""
    seen = seen_on(browser.get("/settings").text)
    fields = {k: v for k, v in flat(StudioSettings(), STEP_KEYS).items() if v}
    fields = {**fields, "seen": seen, **typed}
    return browser.post("/settings", {k: v for k, v in fields.items() if k not in without})


def kept(workshop: ClockedWorkshop) -> StudioSettings:
    with workshop.database.reading() as db:
        return store.load(db)


def test_what_is_typed_is_kept_and_holds_at_once(owner: Browser, workshop: ClockedWorkshop) -> None:
    assert workshop.in_force().settings.name == "Our workshop"
    answer = save(
        owner,
        name="  Saltmarsh Bench ",
        contact_mail="desk@saltmarsh.example",
        zone="America/Toronto",
        hours_0="8:30-12, 13 to 17:15",
        hours_5="10-14",
        hours_4="",
        country="ca",
        region="on",
        capacity_shaping="3",
        sizes="60, 120,60 , 90",
        posting_from="9",
        without=("blank_on",),
    )
    assert (answer.status_code, answer.headers["location"]) == (303, "/settings?done=saved")
    settings = workshop.in_force().settings
    assert settings == kept(workshop)
    assert settings.name == "Saltmarsh Bench"
    assert settings.hours == {
        0: "8:30-12:00, 13:00-17:15", 1: "9:00-17:00", 2: "9:00-17:00", 3: "9:00-17:00",
        5: "10:00-14:00",
    }  # fmt: skip
    assert (settings.country, settings.region) == ("CA", "ON")
    assert settings.capacity == {"shaping": 3}
    assert settings.sizes == "60, 120, 90"
    assert settings.blank_on is False
    calendar = workshop.in_force().calendar
    assert date(2026, 7, 1) in calendar.closed, "Canada's own day"
    assert not calendar.is_working_day(date(2026, 3, 6)), "Fridays are free now"


def test_each_field_comes_back_as_it_was_saved(owner: Browser) -> None:
    save(owner, name="Salt & <Marsh>", bases="oak, field stone", capacity_painting="12")
    page = owner.get("/settings?done=saved").text
    assert 'value="Salt &amp; &lt;Marsh&gt;"' in page
    assert 'value="oak, field stone"' in page
    assert 'name="capacity_painting" type="text" value="12"' in page
    assert "Saved." in page


def test_every_step_of_the_benches_has_a_capacity_field(owner: Browser) -> None:
    page = owner.get("/settings").text
    for step in BENCHES:
        assert f'name="capacity_{step}"' in page
        assert STEPS[step].name in page


def test_every_setting_stands_in_the_form_and_has_a_name_in_the_history(owner: Browser) -> None:
    page = owner.get("/settings").text
    assert [f for f in flat(StudioSettings(), STEP_KEYS) if f'name="{f}"' not in page] == []
    # The history names the own words one by one.
    assert StudioSettings.model_fields.keys() - LABELS.keys() == {"own_words"} <= ELSEWHERE


@pytest.mark.parametrize(
    ("field", "typed"),
    [("name", ""), ("name", "a" * 81), ("name", "Salt\u202emarsh"), ("name", "=?utf-8?b?eA==?="),
     ("contact_mail", "nobody"), ("contact_mail", "a@b"), ("contact_mail", "a b@c.example"),
     ("contact_mail", "a" * 65 + "@c.example"), ("contact_mail", "a@b.example\nBcc: c@d.example"),
     ("contact_phone", "1" * 61), ("zone", "Atlantis"), ("zone", "../etc/passwd"), ("zone", ""),
     ("hours_2", "9-25"), ("hours_2", "17-9"), ("hours_2", "9-12, 11-14"), ("hours_2", "always"),
     ("country", "ATLANTIS"), ("country", "Q7"), ("first_number", "0"), ("first_number", "1.5"),
     ("first_number", "99999999"), ("first_number", "'; DROP TABLE orders; --"),
     ("copy_deadline_working_days", "-1"), ("copy_deadline_working_days", "61"),
     ("assumed_received_days", "0"), ("ask_in_parts_days", "0"), ("boxes", "Small"), ("link_lapses_days", "6"), ("link_lapses_days", "9" * 5000),
     ("bases", ""), ("bases", " , ,"), ("bases", "a" * 41), ("poses", "x\u200by"),
     ("finding_kinds", "Paint"), ("finding_kinds", ""), ("finding_kinds", "Paint: a\nPaint: b"),
     ("inspection_list", "a" * 41), ("hour_rate", "-1"), ("piece_rate", "two"), ("sending_rate", "9" * 9),
     ("return_address", "a" * 301), ("return_address", "x\u200by"), ("customs_words", ""),
     ("customs_words", "a" * 81),
     ("starts_when", "half"), ("sizes", "60, tall"), ("sizes", "4"), ("sizes", "2001"), ("sizes", "６０"),
     ("cures", ""), ("cures", "oil paint: soon"), ("cures", "oil paint: 401 days"),
     ("posting_from", "25"), ("posting_until", "10"), ("capacity_shaping", "0"),
     ("capacity_shaping", "many"), ("capacity_shaping", "1000"), ("capacity_shaping", "²")],
)  # fmt: skip
def test_what_will_not_do_is_said_at_its_field_and_nothing_is_saved(
    owner: Browser, workshop: ClockedWorkshop, field: str, typed: str
) -> None:
    before = fingerprint(workshop.folder.database_file)
    answer = save(owner, name="Saltmarsh <kept>", **{field: typed}) if field != "name" else save(
        owner, contact_hours="Saltmarsh <kept>", name=typed
    )  # fmt: skip
    assert answer.status_code == 422
    assert f'id="e-{field}"' in answer.text
    assert answer.text.count('class="say"') == 1
    assert 'value="Saltmarsh &lt;kept&gt;"' in answer.text, "what was typed beside it is kept"
    assert fingerprint(workshop.folder.database_file) == before


def test_a_region_that_its_country_does_not_have_is_said_at_the_region(owner: Browser) -> None:
    answer = save(owner, country="GB", region="ZZ")
    assert 'id="e-region"' in answer.text
    assert 'id="e-country"' not in answer.text
    assert 'id="e-country"' in save(owner, region="SCT").text


def test_everything_wrong_is_said_at_once(owner: Browser) -> None:
    answer = save(owner, name="", hours_1="x", capacity_blank="x", sizes="x", zone="x")
    for field in ("name", "hours_1", "capacity_blank", "sizes", "zone"):
        assert f'id="e-{field}"' in answer.text
    assert "Five fields need another look" in answer.text


def test_a_form_with_missing_or_repeated_fields_is_refused(
    owner: Browser, workshop: ClockedWorkshop
) -> None:
    assert owner.post("/settings").status_code == 422
    repeated = save(owner, zone=["Europe/London", "Europe/Paris"])
    assert repeated.status_code == 422
    assert "sent twice" in repeated.text
    assert kept(workshop) == StudioSettings()


def test_fields_that_the_form_does_not_have_are_ignored(
    owner: Browser, workshop: ClockedWorkshop
) -> None:
    save(owner, id="7", demo="1", capacity_nowhere="5", hours_9="9-17")
    assert kept(workshop) == StudioSettings()


def test_a_form_that_was_overtaken_shows_what_stands_now(
    owner: Browser, workshop: ClockedWorkshop
) -> None:
    stale = seen_on(owner.get("/settings").text)
    save(owner, contact_phone="0000 555 0144")
    answer = save(owner, seen=stale, name="Saltmarsh Bench")
    assert answer.status_code == 422
    assert "Somebody changed this while you were typing" in answer.text
    assert "It says “0000 555 0144” now." in answer.text
    assert kept(workshop).contact_phone == "0000 555 0144"
    again = save(owner, seen=seen_on(answer.text), name="Saltmarsh Bench")
    assert again.status_code == 303
    assert kept(workshop).name == "Saltmarsh Bench"


def test_who_changed_what_and_when_is_kept_and_shown(
    owner: Browser, workshop: ClockedWorkshop
) -> None:
    save(owner, name="Saltmarsh Bench", first_number="2001")
    changes = rows(
        workshop.database, "SELECT at, account_id, of, field, before, after FROM changes"
    )
    assert changes == [
        (NOW, 1, "settings", "name", json.dumps("Our workshop"), json.dumps("Saltmarsh Bench")),
        (NOW, 1, "settings", "first_number", "1001", "2001"),
    ]
    page = owner.get("/settings").text
    assert "Odile Marchbanks: Name of the workshop, <del>Our workshop</del> Saltmarsh Bench" in page


def test_saving_what_stands_already_keeps_no_change(
    owner: Browser, workshop: ClockedWorkshop
) -> None:
    assert save(owner).status_code == 303
    assert rows(workshop.database, "SELECT count(*) FROM changes") == [(0,)]


def test_pages_and_forecasts_follow_what_they_show(
    owner: Browser, workshop: ClockedWorkshop
) -> None:
    made = make_order(workshop.database, CAST.desk, NOW)
    with workshop.database.writing() as db:
        db.exec_driver_sql("UPDATE status_pages SET wanted = 1, written = 1")
        db.exec_driver_sql(
            "INSERT OR REPLACE INTO forecasts (order_id, computed_at, points, basis, inputs, stale)"
            f" VALUES ({made.id}, 0, '{{}}', '', '', 0)"
        )
    look = "SELECT p.wanted - p.written, f.stale FROM status_pages p, forecasts f"
    save(owner, bases="oak")
    assert rows(workshop.database, look) == [(0, 0)]
    save(owner, bases="oak", contact_phone="0000 555 0144")
    assert rows(workshop.database, look) == [(1, 0)]
    save(owner, bases="oak", contact_phone="0000 555 0144", hours_0="9-12")
    assert rows(workshop.database, look) == [(2, 1)]
    assert workshop.changed.is_set()


def test_only_the_owner_sees_and_saves_settings(
    browser: Browser, workshop: ClockedWorkshop
) -> None:
    for person in (CAST.desk, CAST.painter):
        browser.as_(workshop, person)
        for address in ("/settings", "/settings/steps"):
            assert browser.get(address).status_code == 403
            assert browser.post(address, {"name": "Mine"}).status_code == 403
    assert kept(workshop) == StudioSettings()


def test_the_words_for_a_step_are_kept_with_their_lines(
    owner: Browser, workshop: ClockedWorkshop
) -> None:
    seen = seen_on(owner.get("/settings/steps").text)
    typed = {
        "seen": seen,
        "done_when_shaping": "Ears even.\r\nFeet flat. ",
        "watch_out_blank": "<i>",
    }
    assert owner.post("/settings/steps", typed).status_code == 303
    with workshop.database.reading() as db:
        texts = store.texts_of_steps(db)
    assert texts == {"shaping": ("Ears even.\nFeet flat.", ""), "blank": ("", "<i>")}
    page = owner.get("/settings/steps").text
    assert "Ears even.\nFeet flat.</textarea>" in page
    assert "&lt;i&gt;</textarea>" in page
    assert "Shaping, done when" in owner.get("/settings").text


def test_words_that_will_not_do_or_were_overtaken_are_sent_back(
    owner: Browser, workshop: ClockedWorkshop
) -> None:
    seen = seen_on(owner.get("/settings/steps").text)
    long = owner.post("/settings/steps", {"seen": seen, "done_when_blank": "a" * 2001})
    assert long.status_code == 422
    assert 'id="e-done_when_blank"' in long.text
    assert (
        owner.post("/settings/steps", {"seen": seen, "watch_out_blank": "\x1b"}).status_code == 422
    )
    assert owner.post("/settings/steps", {"seen": seen, "watch_out_blank": "ok"}).status_code == 303
    overtaken = owner.post("/settings/steps", {"seen": seen, "watch_out_blank": "typed later"})
    assert overtaken.status_code == 422
    assert "typed later</textarea>" in overtaken.text
    assert rows(workshop.database, "SELECT watch_out FROM step_texts") == [("ok",)] * 1


def test_a_huge_form_is_refused(owner: Browser) -> None:
    assert owner.post("/settings", {"name": "a" * 600_000}).status_code == 413
    assert save(owner, **{f"x{n}": "1" for n in range(MOST_FIELDS + 1)}).status_code == 422


def test_the_door_leads_to_the_settings(workshop: ClockedWorkshop) -> None:
    page = Browser(door(workshop)).as_(workshop, CAST.owner).get("/settings").text
    assert 'href="/settings" aria-current="page"' in page
    assert "No closed days coming up" in page
