"""The pages follow the house, whatever happens between two of the worker's steps."""

import sqlite3
import threading
from contextlib import suppress
from dataclasses import replace

import pytest
from sqlalchemy import event, insert, update

from app.flow.actions import Wish, record
from app.flow.rules import Kind
from app.orders.order import links
from app.publishing import worker
from app.publishing.pages_file import PagesFile, read_all
from app.publishing.worker import rewrite_due, rewrite_stale, want_all
from app.tables import forecasts, models, orders, settings, status_pages, tellings
from tests.making import CAST, DAY, HOUR, NOW, Wanted, move, rows, walk
from tests.publishing.conftest import TestWorkshop
from tests.publishing.orders import differences, linked_order, passed_order, said, until

ClockedWorkshop = TestWorkshop


def test_a_change_reaches_the_page_and_nothing_is_left_to_write(workshop: ClockedWorkshop) -> None:
    order, token = linked_order(workshop)
    assert rewrite_stale(workshop) == 1
    assert "Please send us photos of Juniper." in said(workshop, token)
    assert rewrite_stale(workshop) == 0
    move(workshop.database, order.model(), CAST.desk, NOW, "photos_counted", amount=82)
    assert rewrite_stale(workshop) == 1
    assert "82 photos" in said(workshop, token)
    assert differences(workshop) == []


def test_every_link_that_stands_opens_the_page_and_a_revoked_one_nothing(
    workshop: ClockedWorkshop,
) -> None:
    order, first = linked_order(workshop)
    with workshop.database.writing() as db:
        second = links.make(db, workshop.folder.key, order.id, None, NOW)
    rewrite_stale(workshop)
    assert said(workshop, first) == said(workshop, second) != ""
    with workshop.database.writing() as db:
        links.revoke(db, order.id, NOW)
    rewrite_stale(workshop)
    assert read_all(workshop.folder.pages) == []


def test_the_link_itself_is_in_no_byte_of_either_database(workshop: ClockedWorkshop) -> None:
    _, token = linked_order(workshop)
    rewrite_stale(workshop)
    for file in workshop.folder.path.iterdir():
        if file.is_file():
            assert token.encode() not in file.read_bytes(), file.name


@pytest.mark.parametrize("stop_at", ["_keep_told", "replace", "mark"])
def test_a_crash_between_any_two_steps_is_made_good(
    workshop: ClockedWorkshop, monkeypatch: pytest.MonkeyPatch, stop_at: str
) -> None:
    _order, token, last = passed_order(workshop)
    workshop.moment = last

    class Killed(BaseException):
        """What no handler catches."""

    def killed(*_: object) -> None:
        raise Killed

    with monkeypatch.context() as patch:
        if stop_at == "_keep_told":
            patch.setattr(worker, "_rows", killed)
        elif stop_at == "replace":
            patch.setattr(PagesFile, "replace", killed)
        else:
            patch.setattr(worker, "_WRITTEN", None)
        with pytest.raises((Killed, Exception)):
            rewrite_stale(workshop)
    written = "most likely ready to leave us between" in said(workshop, token)
    assert written == (stop_at == "mark")
    assert rewrite_stale(workshop) == 1
    assert "most likely ready to leave us between" in said(workshop, token)
    assert len(rows(workshop.database, "SELECT 1 FROM tellings")) == 1
    assert rewrite_stale(workshop) == 0
    assert differences(workshop) == []


def test_a_crash_within_the_write_leaves_all_rows_of_before(workshop: ClockedWorkshop) -> None:
    order, _token = linked_order(workshop)
    rewrite_stale(workshop)
    before = read_all(workshop.folder.pages)
    pages = PagesFile(workshop.folder.pages)
    with pytest.raises(Exception, match="UNIQUE"):
        pages.replace([order.id], [before[0], before[0]])
    pages.close()
    assert read_all(workshop.folder.pages) == before


def test_a_change_while_a_page_is_written_leaves_it_stale(
    workshop: ClockedWorkshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    order, token = linked_order(workshop)
    plain = PagesFile.replace

    def replace_and_change(self: PagesFile, *args: object) -> None:
        plain(self, *args)  # type: ignore[arg-type]
        monkeypatch.setattr(PagesFile, "replace", plain)
        move(workshop.database, order.model(), CAST.desk, NOW, "photos_counted", amount=82)

    monkeypatch.setattr(PagesFile, "replace", replace_and_change)
    rewrite_stale(workshop)
    assert rewrite_stale(workshop) == 1
    assert "82 photos" in said(workshop, token)


def test_an_order_that_cannot_be_put_into_words_holds_up_no_other(
    workshop: ClockedWorkshop,
) -> None:
    broken, _ = linked_order(workshop)
    _, token = linked_order(workshop, Wanted("Otis"))
    with workshop.database.writing() as db:
        db.execute(update(orders).where(orders.c.id == broken.id).values(needed_by="soon"))
    assert rewrite_stale(workshop) == 1
    assert "Otis" in said(workshop, token)
    with workshop.database.writing() as db:
        db.execute(update(orders).where(orders.c.id == broken.id).values(needed_by=None))
    assert rewrite_stale(workshop) == 1


# ---------------------------------------------------------------- what was told


def test_a_range_is_told_once_and_again_only_when_it_changes(workshop: ClockedWorkshop) -> None:
    order, _token, last = passed_order(workshop, Wanted(copies=2))
    workshop.moment = last
    rewrite_stale(workshop)
    told = rows(
        workshop.database, "SELECT channel, from_day, to_day, write_by, steps_seen FROM tellings"
    )
    assert len(told) == 1
    assert told[0][0] == "page"
    assert told[0][3:] == (None, 4)
    want_all(workshop)
    rewrite_stale(workshop)
    assert len(rows(workshop.database, "SELECT 1 FROM tellings")) == 1
    # An hour later the model is done: the range is looked at anew, and moves earlier.
    workshop.moment = walk(
        workshop.database, order.model(), CAST.finisher, last + HOUR, "model_finished"
    )
    rewrite_stale(workshop)
    again = rows(workshop.database, "SELECT to_day, steps_seen FROM tellings ORDER BY id")
    assert len(again) == 2
    assert str(again[1][0]) < str(again[0][0])
    assert again[1][1] == 7
    assert differences(workshop) == []


def test_computed_points_are_shown_in_the_place_of_the_defaults(workshop: ClockedWorkshop) -> None:
    order, token, last = passed_order(workshop)
    workshop.moment = last
    _computed(workshop, order.id, '{"10": 30, "85": 60}')
    rewrite_stale(workshop)
    # 4 March and 30 days is Friday 3 April; 60 days is Sunday 3 May, so Monday.
    assert "between 3 April and 4 May" in said(workshop, token)
    assert "from how long orders like this have taken us" in said(workshop, token)


def test_no_default_is_told_in_the_minute_before_the_computed_range(
    workshop: ClockedWorkshop,
) -> None:
    order, token, last = passed_order(workshop)
    _computed(workshop, order.id, '{"10": 30, "85": 60}', stale=1)
    workshop.moment = last + 5
    rewrite_stale(workshop)
    assert "We’re working out the dates" in said(workshop, token)
    assert rows(workshop.database, "SELECT 1 FROM tellings") == []
    workshop.moment = last + 90
    _computed(workshop, order.id, '{"10": 30, "85": 60}')
    assert rewrite_stale(workshop) == 1
    assert "between 3 April and 4 May" in said(workshop, token)


def test_a_computed_range_that_never_comes_is_not_waited_for(workshop: ClockedWorkshop) -> None:
    order, token, last = passed_order(workshop)
    _computed(workshop, order.id, '{"10": 30, "85": 60}', stale=1)
    workshop.moment = last + 5
    rewrite_stale(workshop)
    workshop.moment = last + 700
    assert rewrite_due(workshop, workshop.now()) == 1
    assert "from what’s usual in the trade" in said(workshop, token)


def test_what_a_person_told_stands_on_the_page_until_the_next_step(
    workshop: ClockedWorkshop,
) -> None:
    order, token, last = passed_order(workshop)
    workshop.moment = last + 60
    _computed(workshop, order.id, '{"10": 30, "85": 60}')
    told = {"from_day": "2026-04-13", "to_day": "2026-05-08", "basis": "told by a person"}
    with workshop.database.writing() as db:
        db.execute(
            insert(tellings).values(
                order_id=order.id, at=last + 30, account_id=2, channel="phone", **told
            )
        )
    rewrite_stale(workshop)
    assert "between 13 April and 8 May" in said(workshop, token)
    assert "These are the dates we gave you." in said(workshop, token)
    assert len(rows(workshop.database, "SELECT 1 FROM tellings")) == 1
    workshop.moment = walk(
        workshop.database, order.model(), CAST.finisher, last + HOUR, "model_finished"
    )
    _computed(workshop, order.id, '{"10": 20, "85": 40}')
    rewrite_stale(workshop)
    assert "between 24 March and 13 April" in said(workshop, token)
    assert differences(workshop) == []


def test_an_end_that_runs_over_is_dropped_day_by_day(workshop: ClockedWorkshop) -> None:
    order, token, last = passed_order(workshop)
    _computed(workshop, order.id, '{"10": 5, "85": 20}')
    workshop.moment = last
    rewrite_stale(workshop)
    assert "24 March" in said(workshop, token)
    seen = []
    for day in range(1, 7):
        workshop.moment = last + day * DAY
        _computed(workshop, order.id, '{"10": 20, "85": 50}', at=workshop.moment)
        rewrite_stale(workshop)
        since = rows(workshop.database, "SELECT later_since FROM forecasts")[0][0]
        seen.append((since, "24 March" in said(workshop, token)))
    # Noticed on Thursday, asked on Friday; Friday and Monday pass, and on Tuesday it is dropped.
    assert seen == [("2026-03-05", True)] * 5 + [("2026-03-05", False)]
    assert "It’s taking longer than the dates we gave you." in said(workshop, token)
    assert differences(workshop) == []


def test_the_page_that_first_runs_over_does_not_say_that_its_days_allow_for_a_repair(
    workshop: ClockedWorkshop,
) -> None:
    order, token, last = passed_order(workshop)
    walk(workshop.database, order.model(), CAST.desk, last, "model_finished")
    walk(workshop.database, order.copy(), CAST.desk, last + 60, "blank_done", "shaped", "painted")
    _computed(workshop, order.id, '{"10": 5, "85": 20}')
    workshop.moment = last + HOUR
    rewrite_stale(workshop)
    walk(workshop.database, order.copy(), CAST.desk, workshop.moment, "back_to_painting")
    workshop.moment += HOUR
    _computed(workshop, order.id, '{"10": 20, "85": 50}', at=workshop.moment)
    rewrite_stale(workshop)
    assert "The dates allow for what we’re making again" not in said(workshop, token)
    assert "we’ll write if that moves them" in said(workshop, token)
    assert differences(workshop) == []


def _computed(
    workshop: ClockedWorkshop, order_id: int, points: str, *, stale: int = 0, at: int | None = None
) -> None:
    """Points are stored, and the page is marked in the same transaction."""
    values = {
        "points": points,
        "stale": stale,
        "basis": "ours",
        "computed_at": at or workshop.moment,
    }
    with workshop.database.writing() as db:
        db.execute(update(forecasts).where(forecasts.c.order_id == order_id).values(**values))
        mark = update(status_pages).where(status_pages.c.order_id == order_id)
        db.execute(mark.values(wanted=status_pages.c.wanted + 1))


# ---------------------------------------------------------------- the day moves on


def test_each_page_is_written_again_once_a_day(workshop: ClockedWorkshop) -> None:
    _, token = linked_order(workshop)
    rewrite_stale(workshop)
    assert rewrite_due(workshop, workshop.now()) == 0
    workshop.moment = NOW + DAY
    assert rewrite_due(workshop, workshop.now()) == 1
    assert "As of Thursday 5 March, 10:00." in said(workshop, token)
    assert rewrite_due(workshop, workshop.now()) == 0


def test_a_build_that_runs_past_its_end_changes_the_page_by_itself(
    workshop: ClockedWorkshop,
) -> None:
    order, token = linked_order(workshop)
    last = walk(workshop.database, order.model(), CAST.desk, NOW, "photos_counted", "build_started")
    with workshop.database.writing() as db:
        db.execute(
            update(models).where(models.c.id == order.model().id).values(build_ends_at=last + HOUR)
        )
    workshop.moment = last
    rewrite_stale(workshop)
    assert "Wednesday 4 March" in said(workshop, token)
    workshop.moment = last + 2 * HOUR
    assert rewrite_due(workshop, workshop.now()) == 1
    assert "It’s taking longer than usual." in said(workshop, token)


def test_a_link_lapses_a_set_time_after_the_order_has_ended(workshop: ClockedWorkshop) -> None:
    order, token = linked_order(workshop)
    record(
        workshop.database,
        [
            Wish(order.pieces[code], Kind.MOVE, "cancel", reason="moved away", whose="customer")
            for code in ("A1", "A")
        ],
        CAST.desk,
        NOW,
    )
    rewrite_stale(workshop)
    assert "This order has been cancelled" in said(workshop, token)
    assert [row.lapses_at for row in read_all(workshop.folder.pages)] == [NOW + 90 * DAY]
    workshop.moment = NOW + 90 * DAY
    rewrite_due(workshop, workshop.now())
    assert read_all(workshop.folder.pages) == []
    want_all(workshop)
    rewrite_stale(workshop)
    assert read_all(workshop.folder.pages) == []


# ---------------------------------------------------------------- the loop


def test_the_loop_follows_a_change_and_new_settings_and_stops(workshop: ClockedWorkshop) -> None:
    order, token = linked_order(workshop)
    stop = threading.Event()
    thread = threading.Thread(target=worker.run, args=(workshop, stop))
    thread.start()

    def says_first() -> bool:
        # A file that is being made has no table yet.
        with suppress(sqlite3.OperationalError):
            return "Please send us" in said(workshop, token)
        return False

    try:
        until(workshop, says_first)
        move(workshop.database, order.model(), CAST.desk, NOW, "photos_counted", amount=82)
        until(workshop, lambda: "82 photos" in said(workshop, token))
        with workshop.database.writing() as db:
            db.execute(
                insert(settings).values(name="name", value='"Tidewrack Studio"', changed_at=1)
            )
        workshop.forget()
        until(workshop, lambda: "Tidewrack Studio" in said(workshop, token))
    finally:
        stop.set()
        workshop.changed.set()
        thread.join(5)
    assert not thread.is_alive()


def test_a_pages_file_that_is_gone_is_made_again(workshop: ClockedWorkshop) -> None:
    _, token = linked_order(workshop)
    rewrite_stale(workshop)
    workshop.folder.pages.unlink()
    stop = threading.Event()
    thread = threading.Thread(target=worker.run, args=(workshop, stop))
    thread.start()

    def there() -> bool:
        # A file that is being made has no table yet.
        with suppress(sqlite3.OperationalError):
            return said(workshop, token) != ""
        return False

    try:
        until(workshop, there)
    finally:
        stop.set()
        workshop.changed.set()
        thread.join(5)


def test_pages_in_the_words_of_another_version_are_written_again(workshop: ClockedWorkshop) -> None:
    _, token = linked_order(workshop)
    rewrite_stale(workshop)
    pages = PagesFile(workshop.folder.pages)
    row = read_all(workshop.folder.pages)[0]
    pages.replace([row.order_id], [replace(row, html=row.html.replace(b"Please", b"Pray"))])
    assert pages.words == 0
    stop = threading.Event()
    thread = threading.Thread(target=worker.run, args=(workshop, stop))
    thread.start()
    try:
        until(workshop, lambda: "Pray" not in said(workshop, token))
    finally:
        stop.set()
        workshop.changed.set()
        thread.join(5)
    assert pages.words == worker.words_number()
    pages.close()


def test_an_order_costs_no_more_queries_than_twenty(workshop: ClockedWorkshop) -> None:
    counts = []
    workshop.in_force()
    for many in (1, 20):
        for _ in range(many):
            linked_order(workshop, Wanted(copies=2))
        seen: list[str] = []

        def note(_c: object, _u: object, statement: str, *_: object, seen=seen) -> None:
            if statement.startswith("SELECT"):
                seen.append(statement)

        for engine in (workshop.database._reader, workshop.database._writer):
            event.listen(engine, "before_cursor_execute", note)
        rewrite_stale(workshop)
        for engine in (workshop.database._reader, workshop.database._writer):
            event.remove(engine, "before_cursor_execute", note)
        counts.append(len(seen))
    assert counts[0] == counts[1] <= 20
