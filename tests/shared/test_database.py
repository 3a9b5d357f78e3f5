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


def version(database: Database) -> int:
    with database.reading() as db:
        return db.execute(COUNT).scalar_one()


def test_every_write_is_counted(database):
    before = version(database)
    with database.writing() as db:
        db.execute(ADD, {"last": "2026-01-02"})
    assert version(database) == before + 1


def test_a_write_that_fails_leaves_nothing(database, studio_file):
    before = fingerprint(studio_file)
    with contextlib.suppress(KeyError), database.writing() as db:
        db.execute(ADD, {"last": "2026-01-02"})
        raise KeyError
    assert fingerprint(studio_file) == before


def test_the_next_write_works_after_one_that_failed(database):
    with pytest.raises(exc.IntegrityError), database.writing() as db:
        db.execute(ADD, {"last": "2025-01-01"})
    with database.writing() as db:
        db.execute(ADD, {"last": "2026-01-02"})
    assert version(database) == 2  # the cast was the first


def test_readers_cannot_write(database):
    with pytest.raises(exc.OperationalError, match="readonly"), database.reading() as db:
        db.execute(ADD, {"last": "2026-01-02"})


def test_a_reader_keeps_its_moment_while_others_write(database):
    with database.reading() as db:
        before = db.execute(COUNT).scalar_one()
        with database.writing() as other:
            other.execute(ADD, {"last": "2026-01-02"})
        assert db.execute(COUNT).scalar_one() == before
    assert version(database) == before + 1


def test_what_was_written_is_seen_by_another_program_at_once(database, studio_file):
    with database.writing() as db:
        db.execute(ADD, {"last": "2026-01-02"})
    with sqlite3.connect(studio_file) as raw:
        assert raw.execute("SELECT count(*) FROM closures").fetchone() == (1,)
    raw.close()


def test_foreign_keys_hold(database):
    with pytest.raises(exc.IntegrityError, match="FOREIGN KEY"), database.writing() as db:
        db.execute(text("INSERT INTO marks (animal_id, place, side, what, must) VALUES"
                        " (99, '', 'left', 'a star', 1)"))  # fmt: skip


def test_a_writer_is_on_disk_before_its_block_ends(database):
    with database.writing() as db:
        journal = db.execute(text("PRAGMA journal_mode")).scalar()
        synchronous = db.execute(text("PRAGMA synchronous")).scalar()
    assert (journal, synchronous) == ("wal", 2)


def test_many_writers_queue_and_none_is_lost(database):
    def write() -> None:
        for _ in range(10):
            with database.writing() as db:
                db.execute(ADD, {"last": "2026-01-02"})

    before = version(database)
    threads = [threading.Thread(target=write) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert version(database) == before + 80
    with database.reading() as db:
        assert db.execute(text("SELECT count(*) FROM closures")).scalar() == 80
