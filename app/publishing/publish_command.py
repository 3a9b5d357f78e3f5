"""The command `publish`: what was done in a line. Exit 0 done, 1 something went wrong."""

import sys
from pathlib import Path

from app.publishing.sending import publish_and_send
from app.shared.errors import CannotStart
from app.shared.web.words import capital, count
from app.studio.workshop import Workshop

DONE, FAILED = 0, 1


def main(workshop: Workshop, place: Path, then: str) -> int:
    """Publish to a folder, run the command after it, say what was done; gives the exit code."""
    try:
        done = publish_and_send(workshop, place, then)
    except CannotStart as why:
        print(str(why), file=sys.stderr, flush=True)
        return FAILED
    as_of = workshop.in_force().calendar.local(workshop.now())
    print(
        f"{capital(count(done.pages, 'page'))} as of {as_of:%H:%M}: "
        f"{done.written} written, {done.removed} removed.",
        flush=True,
    )
    return DONE
