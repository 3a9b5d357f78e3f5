"""Publishing by the server itself every so often, the command that runs after it, and the warning.

Set by environment, because a command that a web page could set would be a way into the machine:
LIKEWRIGHT_PUBLISH_FOLDER, LIKEWRIGHT_PUBLISH_EVERY_MINUTES and LIKEWRIGHT_PUBLISH_THEN.
"""

import logging
import re
import shlex
import subprocess
import threading
from contextlib import closing
from pathlib import Path
from typing import Annotated

from pydantic import Field

from app.owner.today.rules import InOrder
from app.publishing.pages_file import PagesFile, last_published
from app.publishing.publish import MARKER, Published, publish
from app.shared.calendar import DAY
from app.shared.errors import CannotStart
from app.shared.settings import FromEnvironment
from app.studio.cached import cached_a_minute
from app.studio.workshop import Workshop

OLD_AFTER = DAY
_LONGEST_COMMAND = 1_800
_SHOWN = 300
_log = logging.getLogger("likewright.publishing")
# File names in what a command prints are links: they belong in no log and on no page.
_LIKE_A_LINK = re.compile(r"[A-Za-z0-9_-]{22,}")


class Publishing(FromEnvironment):
    """`LIKEWRIGHT_PUBLISH_*` as found in the environment."""

    prefix = "LIKEWRIGHT_PUBLISH_"

    folder: Path | None = None
    every_minutes: Annotated[int, Field(ge=0)] = 0
    then: str = ""


def set_up() -> Publishing:
    """What the environment says. Raises CannotStart where it makes no sense."""
    said = Publishing.read()
    _read(said.then)
    return said


def publish_and_send(workshop: Workshop, place: Path, then: str) -> Published:
    """Publish, run the command, and note when all of it last went well.

    Raises CannotStart with what went wrong; that is noted too.
    """
    argv = _read(then)
    try:
        done = publish(workshop, place)
        if argv:
            _run(argv)
    except CannotStart as why:
        _note(workshop, place, str(why))
        raise
    _note(workshop, place, "")
    return done


def _read(then: str) -> list[str]:
    """A command as words. It is run without a shell."""
    try:
        return shlex.split(then)
    except ValueError as why:
        raise CannotStart(f"The command after publishing cannot be read: {why}.") from why


def _run(argv: list[str]) -> None:
    try:
        ended = subprocess.run(
            argv, capture_output=True, timeout=_LONGEST_COMMAND, check=False,
            stdin=subprocess.DEVNULL,
        )  # fmt: skip
    except subprocess.TimeoutExpired as why:
        raise CannotStart(
            f"The pages are in the folder, but “{argv[0]}” did not finish within half an hour."
        ) from why
    except OSError as why:
        raise CannotStart(
            f"The pages are in the folder, but “{argv[0]}” could not be run: {why.strerror}."
        ) from why
    if ended.returncode:
        said = _LIKE_A_LINK.sub("…", ended.stderr.decode(errors="replace").strip())[-_SHOWN:]
        raise CannotStart(
            f"The pages are in the folder, but “{argv[0]}” ended with {ended.returncode}"
            + (f", saying: {said}" if said else ".")
        )


def _note(workshop: Workshop, place: Path, trouble: str) -> None:
    with closing(PagesFile(workshop.folder.pages)) as pages:
        pages.note_published(str(place.expanduser().resolve()), workshop.now(), trouble)


def run(workshop: Workshop, stop: threading.Event) -> None:
    """Publish every so often until `stop` is set, where the environment says so."""
    said = set_up()
    if said.folder is None or not said.every_minutes:
        stop.wait()
        return
    while not stop.is_set():
        try:
            publish_and_send(workshop, said.folder, said.then)
        except CannotStart as why:
            _log.warning("publishing failed: %s", why)
        stop.wait(said.every_minutes * 60)


@cached_a_minute
def warning(workshop: Workshop) -> str | None:
    """A sentence for every staff page where what is published is more than a day old, or None."""
    if not workshop.folder.pages.exists():
        return None
    here = Publishing.read().folder
    places = {
        place: found
        for place, found in last_published(workshop.folder.pages).items()
        if (Path(place) / MARKER).exists()
    }
    if here is not None:
        places.setdefault(str(here.expanduser().resolve()), (None, ""))
    for place, (at, trouble) in places.items():
        if at is not None and workshop.now() - at <= OLD_AFTER:
            continue
        when = (
            "not yet"
            if at is None
            else f"not since {workshop.in_force().calendar.local(at):%-d %b, %H:%M}"
        )
        why = f" {trouble}" if trouble else " Run: likewright publish"
        return f"The customers' pages in {place} have {when} been published in full.{why}"
    return None


def in_order(workshop: Workshop) -> list[InOrder]:
    """How old the customers' pages are where they are published, as the owner's page says it."""
    if trouble := warning(workshop):
        return [InOrder(trouble, good=False)]
    found = last_published(workshop.folder.pages) if workshop.folder.pages.exists() else {}
    calendar = workshop.in_force().calendar
    said = [
        f"The customers’ pages in {place} were last published on "
        f"{calendar.local(at):%-d %B, %H:%M}."
        for place, (at, _) in found.items()
        if at is not None and (Path(place) / MARKER).exists()
    ]
    if not said:
        said = ["The customers’ pages are served from here and published nowhere else."]
    return [InOrder(one, good=True) for one in said]
