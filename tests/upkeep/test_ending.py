"""What time ends: photos, texts of emails, people; shown first, done at night, again after a restore."""

from datetime import date
from pathlib import Path

import pytest
from sqlalchemy import insert, update

from app import opening, tables
from app.main import staff_site
from app.shared.places import DataFolder
from app.studio import actions, as_form
from app.upkeep import in_order, nightly
from app.upkeep.audit import audit
from app.upkeep.backup import back_up
from app.upkeep.kept import ending, erased_list, rules
from app.upkeep.restore import restore
from tests.making import CAST, DAY, HOUR, NOW, make_order
from tests.making import rows as plain
from tests.staff.browser import Browser, ClockedWorkshop, opened
from tests.upkeep.test_erasing import CANARY, a_person, everywhere, with_files

YEAR = 365 * DAY


@pytest.fixture
def house(studio_file: Path):
    with opened(studio_file, ClockedWorkshop) as workshop:
        yield workshop


def keep(workshop: ClockedWorkshop, **how_long: int) -> None:
    stands = as_form.digest(workshop.in_force().settings.keeps)
    actions.save_elsewhere(workshop.database, "keeps", how_long, stands, CAST.owner, workshop.now())
    workshop.forget()


def gone(workshop: ClockedWorkshop) -> list[tuple[object, ...]]:
    return plain(
        workshop.database, "SELECT what, account_id, amount, again FROM let_go ORDER BY id"
    )


@pytest.mark.parametrize(
    ("day", "months", "before"),
    [
        ("2026-03-04", 1, "2026-02-04"),
        ("2026-03-31", 1, "2026-02-28"),
        ("2028-03-31", 1, "2028-02-29"),
        ("2026-01-15", 1, "2025-12-15"),
        ("2026-12-31", 6, "2026-06-30"),
        ("2028-02-29", 12, "2027-02-28"),
        ("2026-05-05", 600, "1976-05-05"),
    ],
)
def test_months_are_those_of_the_calendar(day: str, months: int, before: str) -> None:
    assert rules.months_before(date.fromisoformat(day), months) == date.fromisoformat(before)


def test_photos_go_when_their_months_are_over_and_not_a_day_sooner(house: ClockedWorkshop) -> None:
    made = a_person(house)
    files = with_files(house, made)
    keep(house, photos=6)
    # Received at NOW, Wednesday 4 March 2026.
    house.moment = NOW + 184 * DAY
    assert house.in_force().calendar.day_of(house.now()) == date(2026, 9, 4)
    assert not ending.due_now(house)
    ending.end(house)
    assert all(path.exists() for path in files)
    house.moment += DAY
    [row] = ending.due_now(house).photos
    assert (row.number, row.many) == (made.number, 1)
    [said] = in_order.going(house)
    assert said.text == "One photo will be deleted for good tonight."
    ending.end(house)
    # What the studio released, and the email in its folder, are no photos of the customer's.
    assert [path.name for path in files if path.exists()] == ["shown.jpg", files[-1].name]
    assert gone(house) == [("photos", None, 1, 0)]
    assert plain(house.database, "SELECT name FROM customers") == [(f"Hanne {CANARY}",)]
    assert audit(house.folder, house.now(), with_pictures=True).differences == []
    ending.end(house)
    assert len(gone(house)) == 1


@pytest.mark.parametrize("why", ["open", "case", "worked from"])
def test_photos_that_are_still_needed_stay(house: ClockedWorkshop, why: str) -> None:
    made = a_person(house, open_=why == "open")
    with_files(house, made)
    with house.database.writing() as db:
        if why == "case":
            values = {"kind": "fault", "said_by": "customer", "opened_at": NOW}
            db.execute(insert(tables.aftercare_cases).values(order_id=made.id, **values))
    if why == "worked from":
        again = make_order(house.database, CAST.desk, NOW)
        model = made.model().id
        with house.database.writing() as db:
            mine = update(tables.order_animals).where(tables.order_animals.c.order_id == again.id)
            db.execute(mine.values(model_id=model))
            db.execute(insert(tables.picture_models).values(model_id=model, picture_id=1))
    keep(house, photos=1)
    house.moment = NOW + YEAR
    assert not ending.due_now(house).photos


def test_texts_of_emails_go_and_that_they_went_stays(house: ClockedWorkshop) -> None:
    made = a_person(house)
    with house.database.writing() as db:
        db.execute(update(tables.letters).values(state="sent", sent_at=NOW))
    keep(house, letters=2)
    house.moment = NOW + 63 * DAY
    ending.end(house)
    assert plain(house.database, "SELECT state, facts, subject, sent_at FROM letters") == [
        ("sent", "", "", NOW)
    ]
    owner = Browser(staff_site(house)).as_(house, CAST.owner)
    assert owner.get("/letters/1").status_code == 200
    assert owner.get(f"/orders/{made.number}").status_code == 200


def test_people_who_order_nothing_for_years_are_erased(house: ClockedWorkshop) -> None:
    a_person(house)
    stays = a_person(house, open_=True)
    keep(house, people=2)
    house.moment = NOW + 2 * YEAR
    assert not ending.due_now(house)
    house.moment += 2 * DAY
    assert [name for _, name, _ in ending.due_now(house).people] == [f"Hanne {CANARY}"]
    ending.end(house)
    names = plain(house.database, "SELECT id, name FROM customers WHERE name <> 'erased'")
    assert names == [(stays.customer_id, f"Hanne {CANARY}")]
    assert gone(house) == [("person", None, 1, 0)]


def test_the_night_makes_its_backup_first_and_then_lets_go(
    house: ClockedWorkshop, monkeypatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("LIKEWRIGHT_BACKUPS", str(tmp_path / "nights"))
    with_files(house, a_person(house))
    keep(house, photos=1)
    house.moment = NOW + YEAR

    class OneNight:
        nights = 0

        def is_set(self) -> bool:
            self.nights += 1
            return self.nights > 1

        def wait(self, _: float) -> None:
            pass

    nightly.run(house, OneNight())
    assert gone(house) == [("photos", None, 1, 0)]
    [(_, made)] = nightly.kept(tmp_path / "nights")
    label = nightly.read_label(made)
    assert len(label.pictures) > 0


def test_what_had_gone_goes_again_after_an_older_backup(
    house: ClockedWorkshop, tmp_path: Path
) -> None:
    kept = tmp_path.with_name(f"{tmp_path.name}-kept") / "studio.db"
    files = with_files(house, a_person(house))
    house.moment = NOW + YEAR
    back_up(house.folder, kept, house.now())
    keep(house, photos=1)
    ending.end(house)
    [line] = erased_list.read(house.folder)
    assert (line.what, line.id) == ("photos", 0)
    house.close()
    restore(DataFolder(house.folder.path), kept, house.now() + HOUR)
    # The backup's own settings know of no limit; and somebody has brought the files back, too.
    files[0].write_bytes(b"jpg")
    with opening.opened(DataFolder(house.folder.path)) as again:
        assert again.in_force().settings.keeps == {}
        assert plain(again.database, "SELECT count(*) FROM pictures") == [(0,)]
        assert gone(again) == [("photos", None, 1, 1)]
    assert not files[0].exists()


# ---------------------------------------------------------------- the page


def test_the_owner_sees_with_names_what_goes_before_it_does(house: ClockedWorkshop) -> None:
    with_files(house, a_person(house))
    house.moment = NOW + YEAR + 2 * DAY
    owner = Browser(staff_site(house)).as_(house, CAST.owner)
    page = owner.get("/settings/keeping").text
    assert "Nothing so far." in page
    seen = as_form.digest({})
    typed = {"photos": "6", "letters": "", "people": "1", "seen": seen}
    assert owner.post("/settings/keeping", typed).status_code == 303
    house.forget()
    page = owner.get("/settings/keeping").text
    assert "One photo of one order" in page
    assert "One person, erased" in page
    assert f"Hanne {CANARY}" in page
    assert 'name="photos" type="text" value="6"' in page
    assert "will be deleted for good tonight" in owner.get("/owner").text
    assert "How long we keep photos" in owner.get("/settings").text
    assert gone(house) == []
    stale = owner.post("/settings/keeping", {**typed, "photos": "3"})
    assert (stale.status_code, "while you were typing" in stale.text) == (422, True)
    ending.end(house)
    # Beside an open server, too: the write-ahead log is taken in.
    assert CANARY.encode() not in everywhere(house.folder)
    page = owner.get("/settings/keeping").text
    assert "A person</a> with" in page
    assert "by itself" in page


@pytest.mark.parametrize("typed", ["0", "-1", "601", "six", "1.5", "9" * 5000, "٣x"])
def test_what_is_no_number_of_months_is_said_at_its_field(
    house: ClockedWorkshop, typed: str
) -> None:
    owner = Browser(staff_site(house)).as_(house, CAST.owner)
    answer = owner.post("/settings/keeping", {"photos": typed, "seen": as_form.digest({})})
    assert answer.status_code == 422
    assert 'id="e-photos"' in answer.text
    assert house.in_force().settings.keeps == {}
