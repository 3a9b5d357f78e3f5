"""Works out in a child what people ask the simulation, and the ready changes every night."""

import json
import logging
import subprocess
import threading
from typing import Any
from weakref import WeakKeyDictionary

from app.owner.what_if import store
from app.owner.what_if.store import KeptAsk
from app.shared.calendar import Calendar
from app.shared.child import Child, Stopped
from app.studio.workshop import Workshop

LOOK_EVERY = 3.0
LONGEST = 1_800
AT_HOUR = 3
FAILED = "It could not be worked out. Try again; if it happens again, the log says more."
_log = logging.getLogger("likewright.whatif")
_far: WeakKeyDictionary[Workshop, tuple[int, int]] = WeakKeyDictionary()


def far(workshop: Workshop) -> tuple[int, int] | None:
    """How many of how many changes are worked out; None while none is being worked out."""
    return _far.get(workshop)


def run(workshop: Workshop, stop: threading.Event) -> None:
    """Work out what waits until `stop` is set. Meant for a thread."""
    started = workshop.now()
    while not stop.is_set():
        with workshop.database.reading() as db:
            asks, asked = store.waiting(db)
            newest = store.newest_ready(db)
        calendar = workshop.in_force().calendar
        ready = asked or is_due(newest, started, workshop.now(), calendar)
        if asks or ready:
            try:
                work_out(workshop, asks, ready=ready, stop=stop)
            except Stopped:
                return
            finally:
                _far.pop(workshop, None)
        stop.wait(LOOK_EVERY)


def is_due(newest: int | None, started: int, now: int, calendar: Calendar) -> bool:
    """Whether the night's changes should be worked out: once after each night's AT_HOUR, and not
    because somebody has just started the program."""
    return calendar.last_at(AT_HOUR, now) > max(newest or 0, started)


def work_out(
    workshop: Workshop,
    asks: list[KeptAsk],
    *,
    ready: bool,
    stop: threading.Event | None = None,
    runs: int | None = None,
) -> None:
    """Have it worked out and keep the answers. Raises Stopped."""
    now = workshop.now()
    wish: dict[str, Any] = {
        "asks": [{"id": one.id, "name": one.name, "settings": one.settings} for one in asks],
        "ready": ready,
    }
    if runs is not None:
        wish["runs"] = runs
    said: list[dict[str, Any]] = []
    _far[workshop] = (0, 0)
    try:
        studio = str(workshop.folder.database_file)
        with Child("app.owner.what_if.figuring", studio, str(now), quiet=False) as child:
            child.tell(wish, last=True)
            for line in child.lines(LONGEST, stop):
                said.append(line)
                if "done" in line:
                    _far[workshop] = (line["done"], line["of"])
    except (TimeoutError, OSError, subprocess.CalledProcessError):
        _log.exception("changes could not be simulated")
    _keep(workshop, asks, said, ready=ready)


def _keep(
    workshop: Workshop, asks: list[KeptAsk], said: list[dict[str, Any]], *, ready: bool
) -> None:
    now = workshop.now()
    answers = {line["id"]: line for line in said if line.get("id") is not None}
    tonight = [
        {
            "name": line["name"],
            "settings": json.dumps(line["settings"]),
            "state": "done" if "found" in line else "failed",
            "found": json.dumps(line["found"]) if "found" in line else "",
            "why": line.get("why", ""),
        }
        for line in said
        if line.get("name") and line["id"] is None
    ]
    with workshop.database.writing() as db:
        for one in asks:
            line = answers.get(one.id, {"why": FAILED})
            found = json.dumps(line["found"]) if "found" in line else ""
            store.answered(db, one.id, found, line.get("why", ""), now)
        if ready:
            why = next((line["why"] for line in said if "name" not in line and "why" in line), "")
            none = {
                "name": "Ready changes", "settings": "[]", "state": "failed", "found": "",
                "why": why or FAILED,
            }  # fmt: skip
            store.replace_ready(db, [*(tonight or [none]), *_waits(said)], now)


def _waits(said: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """What the waiting was made of, as a row beside the ready changes."""
    return [
        {
            "name": "Where the waiting goes", "settings": store.WAITS, "state": "done",
            "found": json.dumps(line["waits"]), "why": "",
        }
        for line in said
        if line.get("waits")
    ]  # fmt: skip
