"""One writer at a time: all of it on disk or none, readers see one moment and cannot write."""

import contextlib
import sqlite3
import threading

import pytest
from sqlalchemy import exc, text

from app.shared.database import Database
from tests.making import fingerprint

COUNT = text("SELECT version FROM house")
ADD = text("INSERT INTO closures (first_day, last_day, reason) VALUES ('2026-01-01', :last, '')")


def version(house: Database) -> int:
    with house.reading() as db:
        return db.execute(COUNT).scalar_one()


def test_every_write_is_counted(house):
    before = version(house)
    with house.writing() as db:
        db.execute(ADD, {"last": "2026-01-02"})
    assert version(house) == before + 1


def test_a_write_that_fails_leaves_nothing(house, studio_file):
    before = fingerprint(studio_file)
    with contextlib.suppress(KeyError), house.writing() as db:
        db.execute(ADD, {"last": "2026-01-02"})
        raise KeyError
    assert fingerprint(studio_file) == before


def test_the_next_write_works_after_one_that_failed(house):
    with pytest.raises(exc.IntegrityError), house.writing() as db:
        db.execute(ADD, {"last": "2025-01-01"})
    with house.writing() as db:
        db.execute(ADD, {"last": "2026-01-02"})
    assert version(house) == 2  # the cast was the first


def test_readers_cannot_write(house):
    with pytest.raises(exc.OperationalError, match="readonly"), house.reading() as db:
        db.execute(ADD, {"last": "2026-01-02"})


def test_a_reader_keeps_its_moment_while_others_write(house):
    with house.reading() as db:
        before = db.execute(COUNT).scalar_one()
        with house.writing() as other:
            other.execute(ADD, {"last": "2026-01-02"})
        assert db.execute(COUNT).scalar_one() == before
    assert version(house) == before + 1


def test_what_was_written_is_seen_by_another_program_at_once(house, studio_file):
    with house.writing() as db:
        db.execute(ADD, {"last": "2026-01-02"})
    with sqlite3.connect(studio_file) as raw:
        assert raw.execute("SELECT count(*) FROM closures").fetchone() == (1,)
    raw.close()


def test_foreign_keys_hold(house):
    with pytest.raises(exc.IntegrityError, match="FOREIGN KEY"), house.writing() as db:
        db.execute(text("INSERT INTO marks (animal_id, place, side, what, must) VALUES"
                        " (99, '', 'left', 'a star', 1)"))  # fmt: skip


def test_a_writer_is_on_disk_before_its_block_ends(house):
    with house.writing() as db:
        journal = db.execute(text("PRAGMA journal_mode")).scalar()
        synchronous = db.execute(text("PRAGMA synchronous")).scalar()
    assert (journal, synchronous) == ("wal", 2)


def test_many_writers_queue_and_none_is_lost(house):
    def write() -> None:
        for _ in range(10):
            with house.writing() as db:
                db.execute(ADD, {"last": "2026-01-02"})

    before = version(house)
    threads = [threading.Thread(target=write) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert version(house) == before + 80
    with house.reading() as db:
        assert db.execute(text("SELECT count(*) FROM closures")).scalar() == 80
