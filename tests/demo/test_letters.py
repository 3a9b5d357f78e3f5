"""The letters of an invented past are rows: opening the demo mails nothing old."""

import sqlite3
from pathlib import Path

from app.letters import worker as letters_worker
from app.letters.letter import parts_from_json
from app.shared.places import DataFolder
from app.studio.workshop import Workshop
from tests.demo.invented import A_TUESDAY, invent, rows


class _Shop(Workshop):
    """A workshop on the demo's own day."""

    moment = A_TUESDAY

    def now(self) -> int:
        return self.moment


def _open(path: Path) -> tuple[DataFolder, _Shop]:
    folder, _ = invent(path, months=6, per_month=30)
    return folder, _Shop(folder, status_url="http://127.0.0.1:8601", demo=True)


def test_old_news_was_told_by_letters_and_only_the_last_days_is_not(tmp_path: Path) -> None:
    folder, workshop = _open(tmp_path / "demo")
    workshop.close()
    waits: list[sqlite3.Row] = rows(folder, "SELECT at FROM news WHERE told_at IS NULL")
    assert all(row["at"] >= A_TUESDAY - 86_400 for row in waits)
    told = rows(
        folder,
        "SELECT n.at, n.kind, l.parts, l.sent_at FROM news n JOIN letters l ON l.id = n.letter_id",
    )
    assert len(told) > 300
    for row in told:
        assert row["kind"] in {part.kind for part in parts_from_json(row["parts"])}
        assert row["at"] + 15 * 60 <= row["sent_at"]
    orders = rows(folder, "SELECT count(*) AS n FROM orders WHERE imported = 0")[0]["n"]
    first = rows(folder, "SELECT count(*) AS n FROM news WHERE kind = 'order_in'")[0]["n"]
    assert first == orders


def test_opening_the_demo_writes_a_handful_of_letters_at_most(tmp_path: Path) -> None:
    folder, workshop = _open(tmp_path / "demo")
    for _ in range(8):
        letters_worker.form_round(workshop)
        letters_worker.send_round(workshop)
        workshop.moment += 600
    workshop.close()
    assert len(list(folder.letters.glob("*.eml"))) <= 12
    assert not rows(folder, "SELECT 1 FROM letters WHERE state NOT IN ('sent', 'held')")
