"""The worker that checks a model's set as soon as pictures have come, in a child process.

What is to be checked stands in the database: a set that is not the one checked last. So nothing
is lost where the house is stopped in the middle of a check: it begins anew.
"""

import json
import logging
import os
import threading
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from subprocess import CalledProcessError
from typing import Any
from weakref import WeakKeyDictionary

from sqlalchemy import insert, select
from sqlalchemy.engine import RowMapping

from app.flow.store import mark_pages_stale
from app.photos import store
from app.photos.check import thresholds_kept
from app.photos.pictures import files
from app.shared.child import Child, Stopped
from app.studio.workshop import Workshop
from app.tables import order_animals, photo_checks

LOOK_EVERY = 3.0
# While pictures are still coming in, one after another, their set is not whole.
QUIET_SECONDS = 8
SECONDS_AT_LEAST, SECONDS_A_PICTURE = 300.0, 10.0
MOST_FINDINGS = 200
_log = logging.getLogger("likewright.photos")


@dataclass(slots=True)
class UnderWay:
    """A check that runs: how far it is, and what it has found so far. `beat` grows with each.

    `clear` counts the pictures found sharp and lit by themselves.
    """

    model_id: int
    total: int
    stage: str = "beginning"
    done: int = 0
    clear: int = 0
    findings: list[str] = field(default_factory=list)
    beat: int = 0

    def hear(
        self, stage: str, done: int, total: int, finding: str = "", clear: bool = False
    ) -> None:
        """Take in a step of the check."""
        self.stage, self.done, self.total = stage, done, total
        if clear:
            self.clear += 1
        elif finding:
            self.findings = [*self.findings[-MOST_FINDINGS:], finding]
        self.beat += 1


_under_way: WeakKeyDictionary[Workshop, UnderWay] = WeakKeyDictionary()


def under_way(workshop: Workshop, model_id: int) -> UnderWay | None:
    """The check of a model's set that runs now, or None."""
    now = _under_way.get(workshop)
    return now if now is not None and now.model_id == model_id else None


def run(workshop: Workshop, stop: threading.Event) -> None:
    """Check what has come until `stop` is set. Meant for a thread of the staff server."""
    while not stop.is_set():
        if not check_next(workshop, stop):
            stop.wait(LOOK_EVERY)


def check_next(workshop: Workshop, stop: threading.Event, *, quiet: int = QUIET_SECONDS) -> bool:
    """Check the next set whose pictures are all here; False where there is none."""
    with workshop.database.reading() as db:
        now = workshop.now()
        row = next((r for r in store.to_check(db) if now - r.last >= quiet), None)
        if row is None:
            return False
        pictures = store.of_model(db, row.id)
        thresholds = asdict(thresholds_kept.load(db))
    check(workshop, row.id, row.life == "remembered", row.key, pictures, thresholds, stop)
    return True


def check(
    workshop: Workshop, model_id: int, remembered: bool, key: str, pictures: Sequence[RowMapping],
    thresholds: dict[str, Any], stop: threading.Event,
) -> None:  # fmt: skip
    """Run one check and keep its answer; nothing is kept where it was stopped."""
    begun, names = workshop.now(), store.unique_names(pictures)
    state = _under_way[workshop] = UnderWay(model_id, len(pictures))
    try:
        with files.Incoming(workshop.folder.pictures) as sheet:
            wish = {
                "files": [
                    [name, str(workshop.folder.pictures / row["path"])]
                    for name, row in zip(names, pictures, strict=True)
                ],
                "remembered": remembered,
                "thresholds": thresholds,
                "sheet": str(sheet.path),
            }
            answer = _ask(wish, state, stop)
            if stop.is_set():
                return
            ids = {name: row["id"] for name, row in zip(names, pictures, strict=True)}
            _keep(workshop, model_id, remembered, key, begun, answer, ids, sheet.path)
    finally:
        del _under_way[workshop]
    workshop.changed.set()


def sheet_place(check_id: int) -> str:
    """Where the contact sheet of a check lies."""
    return f"{files.SHOWN}/check-{check_id}.jpg"


def _ask(wish: dict[str, Any], state: UnderWay, stop: threading.Event) -> dict[str, Any]:
    """The child's answer; empty where the check failed, took too long, or was stopped."""
    seconds = SECONDS_AT_LEAST + SECONDS_A_PICTURE * len(wish["files"])
    try:
        with Child("app.photos.check.child") as child:
            child.tell(wish, last=True)
            for line in child.lines(seconds, stop):
                if "result" in line:
                    answer: dict[str, Any] = line
                    return answer
                state.hear(**line["progress"])
    except Stopped:
        pass
    except (OSError, ValueError, CalledProcessError) as why:
        _log.error("a photo check failed: %s", why)
    return {}


def _keep(
    workshop: Workshop, model_id: int, remembered: bool, key: str, begun: int,
    answer: dict[str, Any], ids: dict[str, int], sheet: Path,
) -> None:  # fmt: skip
    """The answer and its contact sheet: a sheet without a row is of a check that is made anew."""
    result = answer.get("result", {})
    (workshop.folder.pictures / files.SHOWN).mkdir(mode=0o700, exist_ok=True)
    with workshop.database.writing() as db:
        made = db.execute(
            insert(photo_checks).values(
                model_id=model_id, begun_at=begun, ended_at=max(begun, workshop.now()), set_key=key,
                pictures=len(ids), remembered=int(remembered),
                verdict=result.get("verdict", ""),
                thresholds_version=result.get("thresholds_version", ""),
                result=json.dumps({**result, "ids": ids}), graph=answer.get("graph", ""),
            ).returning(photo_checks.c.id)
        ).scalar_one()  # fmt: skip
        # The page of a request that waits may show from where its photos were taken.
        of_model = select(order_animals.c.order_id).where(order_animals.c.model_id == model_id)
        mark_pages_stale(db, db.execute(of_model).scalars().all())
        if sheet.stat().st_size:
            os.rename(sheet, workshop.folder.pictures / sheet_place(made))
