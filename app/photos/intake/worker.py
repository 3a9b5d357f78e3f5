"""The worker that tidies at the start and brings in what is dropped into the watched folders."""

import logging
import threading
import time

from app.photos import store
from app.photos.intake import inbox
from app.photos.pictures import files
from app.shared.errors import Refused
from app.studio.workshop import Workshop

LOOK_EVERY = 10.0
_log = logging.getLogger("likewright.photos")


def run(workshop: Workshop, stop: threading.Event) -> None:
    """Look into the folders until `stop` is set. Meant for a thread of the staff server."""
    tidy(workshop)
    while not stop.is_set():
        try:
            inbox.prepare(workshop)
            if inbox.look(workshop, time.time()).counts:
                workshop.changed.set()
        except (OSError, Refused) as why:
            # Nothing is lost: what was not brought in lies in its folder still.
            _log.error("photos could not be added: %s", why)
        stop.wait(LOOK_EVERY)
    files.OPENER.end()


def tidy(workshop: Workshop) -> int:
    """Half files go; originals that no row knows are put aside. Gives how many were."""
    with files.keeping:
        with workshop.database.reading() as db:
            known = store.known_paths(db)
        moved = files.sweep(workshop.folder.pictures, known)
    if moved:
        _log.warning("%d photos that no row knows were put aside", moved)
    return moved
