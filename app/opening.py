"""Opening a studio: folder, lock, migrations, the two sites, and the links that are printed."""

import sqlite3
import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from app import serving
from app.letters import worker as letters
from app.main import HOUSE, staff_site
from app.orders.forecast import worker as forecasting
from app.publishing import publish_command, sending
from app.publishing import worker as publishing
from app.publishing.pages_file import PagesFile, last_published
from app.serving import Way
from app.shared import clock
from app.shared.errors import CannotStart
from app.shared.places import DataFolder
from app.shared.settings import Environment
from app.shared.web import words
from app.staff import links as sign_in
from app.status.site import customers_site
from app.studio.reach import read_address, without_secret
from app.studio.workshop import Workshop
from app.tables.migrating import migrate
from app.upkeep import clock_check, drill, keys, nightly, status_command, way_back
from app.upkeep import restore as restoring
from app.upkeep.kept import again

SAFE_SQLITE = (3, 51, 3)


def say(text: str = "") -> None:
    """A line for the person at the prompt, at once."""
    print(text, flush=True)


def warn(text: str) -> None:
    """A line beside the answer, for the person only."""
    print(text, file=sys.stderr, flush=True)


@contextmanager
def opened(
    folder: DataFolder, *, public_port: int = 8601, demo: bool = False
) -> Iterator[Workshop]:
    """A studio's house, opened for one server: nobody else may open it meanwhile.

    Raises CannotStart where the folder cannot be used, another server has it, or its key is not
    the one that its links were made with.
    """
    keys.refuse_without_key(folder)
    folder.prepare()
    if folder.is_open_to_others():
        warn(
            f"(Other users of this machine can look into {folder.path}: they see which files are "
            f"there, but cannot read them. To close it: chmod 700 {folder.path})"
        )
    lock = folder.hold()
    try:
        migrate(folder.database_file, clock.now())
        keys.recognise(folder)
        workshop = Workshop(
            folder, public_url=_given_url(), status_url=f"http://127.0.0.1:{public_port}", demo=demo
        )
        try:
            for line in again.let_go(workshop):
                warn(line)
            yield workshop
        finally:
            workshop.close()
    finally:
        lock.close()


def _given_url() -> str:
    """The public address of the environment. Raises CannotStart for one that will not do."""
    given = Environment.read().public_url
    try:
        return read_address(given)
    except ValueError as why:
        raise CannotStart(
            f"LIKEWRIGHT_PUBLIC_URL cannot be used. {why} It says “{without_secret(given)}”."
        ) from why


def run(
    workshop: Workshop,
    port: int,
    public_port: int,
    ready: Callable[[], None],
    way: Way | None = None,
) -> None:
    """Serve both sites until told to end. Pages are written before the staff's port answers.

    The customers' site stays on this machine. Raises CannotStart where a port is taken or the
    certificate cannot be used.
    """
    way = way or Way()
    sending.set_up()
    letters.set_up()
    nightly.Backups.read()
    serving.check_certificate(way)
    staff_door = serving.listen(way.host, port, "staff site")
    public_door = serving.listen(serving.LOOPBACK, public_port, "customers' site")
    # A range from the defaults, once shown, would stand until the next step: compute first.
    if forecasting.missing(workshop):
        forecasting.compute(workshop)
    if not workshop.folder.pages.exists():
        publishing.want_all(workshop)
    publishing.rewrite_stale(workshop)
    doors = [
        serving.Door(customers_site(workshop.folder.pages), public_door),
        serving.Door(
            staff_site(
                workshop,
                hosts=way.hosts(),
                encrypted=way.encrypted,
                workers=True,
                served_at=way.address(port),
            ),
            staff_door,
            way,
        ),
    ]
    serving.serve(doors, ready)


def say_where(workshop: Workshop, address: str) -> None:
    """Where the staff's pages are; with the first owner's link where there is no account yet."""
    with workshop.database.writing() as db:
        path = sign_in.first_link(db, workshop.now())
    say(f"Likewright keeps its data in {workshop.folder.path}")
    if path:
        say("There are no accounts yet. This link creates the owner's, once:")
        say(f"{address}{path}")
    else:
        say(f"The staff's pages: {address}/")
    if (wrong_clock := clock_check.behind(workshop)) is not None:
        warn(f"({wrong_clock})")
    if sqlite3.sqlite_version_info < SAFE_SQLITE:
        warn(
            f"(SQLite {sqlite3.sqlite_version}: writes and checkpoints stay on one connection, "
            "because versions before 3.51.3 can lose a commit otherwise.)"
        )


def publish(folder: DataFolder, place: Path, then: str) -> int:
    """Publish the customers' pages to a folder; gives the exit code. Raises CannotStart.

    Where no server runs, the pages are brought up to date first; a running one does that itself.
    """
    if not folder.database_file.exists():
        raise folder.missing()
    if is_open(folder):
        workshop = Workshop(folder)
        try:
            return publish_command.main(workshop, place, then)
        finally:
            workshop.close()
    with opened(folder) as workshop:
        if not folder.pages.exists():
            publishing.want_all(workshop)
        publishing.rewrite_stale(workshop)
        publishing.rewrite_due(workshop, workshop.now())
        return publish_command.main(workshop, place, then)


def status(folder: DataFolder) -> int:
    """Say how a studio is, as its owner reads it; gives the exit code. Raises CannotStart."""
    return status_command.main(folder, _given_url(), HOUSE)


def try_out(folder: DataFolder, file: Path | None) -> int:
    """Restore a backup on trial, the newest of the nightly ones where none is named, and say how
    it went; gives the exit code: 0 whole, 1 not. Raises CannotStart."""
    # It brings numpy, which a server that waits does without.
    from app.owner import own_log

    with own_log.studio_in(folder) as workshop:
        place = nightly.backups_folder(workshop)
        there = nightly.kept(place)
        file = file or (there[-1][1] if there else None)
        if file is None:
            raise CannotStart(f"There is no backup in {place} yet. Name one.")
        why = drill.try_out(workshop, file)
    say(f"{file}: {why or 'restored on trial, audited, and whole.'}")
    return 1 if why else 0


def restore(
    folder: DataFolder, file: Path, *, replace_links: bool, pictures: Path | None = None
) -> None:
    """Put a backup in the place of a studio, write its pages anew, say what was done. A copy that
    an update put aside stays of its own version, for the program that wrote it.

    Raises CannotStart where that cannot be; nothing has changed then.
    """
    if way_back.is_packed(file):
        for line in way_back.put_back(folder, file, clock.now()):
            say(line)
        return
    published = last_published(folder.pages) if folder.pages.exists() else {}
    done = restoring.restore(
        folder, file, clock.now(), replace_links=replace_links, pictures=pictures
    )
    with opened(folder) as workshop:
        publishing.want_all(workshop)
        publishing.rewrite_stale(workshop)
        with closing(PagesFile(folder.pages)) as pages:
            for place, (at, _) in published.items():
                pages.note_published(place, at or 0, "")
        zone = workshop.in_force().settings.zone_info()
        made = words.when(done.made_at, workshop.now(), zone)
    for line in restoring.lines(done, folder, made):
        say(line)


def replace_links(folder: DataFolder, *, yes: bool) -> None:
    """Make every customer's link new, write the pages anew, say what that costs.

    Raises CannotStart where that cannot be, or without a `yes`; nothing has changed then.
    """
    done = keys.replace_links(folder, clock.now(), yes=yes)
    with opened(folder) as workshop:
        publishing.rewrite_stale(workshop)
    say(f"Done: {done}. Each order's page shows its new link.")
    say(f"Keep a copy of {folder.key_file} elsewhere. If a web host has your pages, publish again.")


def is_open(folder: DataFolder) -> bool:
    """Whether a server has this folder at the moment."""
    try:
        folder.hold().close()
    except CannotStart:
        return True
    return False


def open_pages_only(pages: Path, port: int, ready: Callable[[], None]) -> None:
    """Serve the customers' site alone, from a pages file. Raises CannotStart."""
    door = serving.listen("127.0.0.1", port, "customers' site")
    serving.serve([serving.Door(customers_site(pages), door)], ready)
