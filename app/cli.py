"""The command line. Wrong usage exits 64, an unforeseen error 70, a refusal to start 69."""

import logging
import sys
import time
import webbrowser
from pathlib import Path
from typing import Annotated

import typer
from typer.exceptions import TyperException

from app.photos.commands import photos
from app.shared.errors import CannotStart, Refused
from app.shared.options import (
    AsJson,
    Certificate,
    CertificateKey,
    Data,
    Host,
    Months,
    Names,
    OrdersPerMonth,
    PagesPort,
    Port,
    ProxyAddresses,
    ProxyNames,
    PublicPort,
    Replications,
    Seed,
    argument,
    option,
)
from app.shared.places import DataFolder
from app.shared.settings import data_folder

WRONG_USAGE, UNAVAILABLE, UNFORESEEN = 64, 69, 70

cli = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Benches, private status pages and honest lead times for a workshop that makes "
    "painted likenesses of animals.",
)


def _version(asked: bool) -> None:
    """Say which program this is, and which version of a workshop's data it writes."""
    if asked:
        from app import __version__
        from app.tables.migrating import HEAD

        print(f"Likewright {__version__}, data version {HEAD}")
        raise typer.Exit


@cli.callback()
def likewright(
    version: Annotated[
        bool,
        typer.Option(
            "--version", help="Say which version this is.", callback=_version, is_eager=True
        ),
    ] = False,
) -> None:
    pass


@cli.command()
def serve(
    data: Data = None,
    port: Port = 8600,
    public_port: PublicPort = 8601,
    host: Host = "127.0.0.1",
    certificate: Certificate = None,
    certificate_key: CertificateKey = None,
    name: Names = None,
    behind_proxy: ProxyNames = None,
    proxy_address: ProxyAddresses = None,
) -> None:
    """Run the workshop: the staff's pages and the customers' pages."""
    from app import opening, serving

    try:
        way = serving.way(
            host, certificate, certificate_key, name or [], behind_proxy or [], proxy_address or []
        )
    except serving.WrongUsage as why:
        raise typer.BadParameter(str(why)) from why
    with opening.opened(DataFolder(data_folder(data)), public_port=public_port) as workshop:
        opening.run(
            workshop, port, public_port, lambda: opening.say_where(workshop, way.address(port)), way
        )


@cli.command()
def demo(
    data: Data = None,
    port: Port = 8600,
    public_port: PublicPort = 8601,
    months: Months = 14,
    orders_per_month: OrdersPerMonth = 45,
    seed: Seed = 1,
    fresh: Annotated[bool, option("--fresh", "", "Make the demo again from scratch.")] = False,
    no_browser: Annotated[bool, option("--no-browser", "", "Don't open a browser.")] = False,
) -> None:
    """Run a made-up workshop with a believable history, to look around in."""
    from app import opening
    from app.demo import opening as invented

    folder = DataFolder(data or data_folder(None).with_name("likewright-demo"))
    invented.prepare(folder, months, orders_per_month, seed, fresh=fresh, say=opening.warn)
    with opening.opened(folder, public_port=public_port, demo=True) as workshop:
        links = invented.links(workshop, port)

        def ready() -> None:
            for line in links.lines():
                opening.say(line)
            if not no_browser:
                webbrowser.open(links.sign_in)

        opening.run(workshop, port, public_port, ready)


@cli.command("status-site")
def status_site(
    pages: Annotated[Path, option("--pages", "FILE", "The server's pages.db.")],
    port: PagesPort = 8601,
) -> None:
    """Run only the customers' pages, from a pages file."""
    from app import opening

    opening.open_pages_only(
        pages, port, lambda: opening.say(f"The customers' pages: http://127.0.0.1:{port}/")
    )


@cli.command("sign-in-link")
def sign_in_link(
    name: Annotated[str, argument("NAME", "The name they sign in with, or the start of it.")],
    data: Data = None,
) -> None:
    """Print a one-use link for somebody who is locked out."""
    from app import opening
    from app.shared import clock
    from app.shared.database import Database
    from app.staff import links

    folder = DataFolder(data_folder(data))
    if not folder.database_file.exists():
        raise folder.missing()
    database = Database(folder.database_file)
    try:
        with database.writing() as db:
            path = links.way_back_link(db, name, clock.now())
    finally:
        database.close()
    opening.say("Add this to the address of the staff's pages. It works once, for an hour:")
    opening.say(path)


@cli.command()
def audit(data: Data = None, as_json: AsJson = False) -> None:
    """Check the data against the log: steps, pages and photos. Changes nothing."""
    from app.publishing.checking import check_pages
    from app.upkeep import audit_command

    folder = DataFolder(data_folder(data))
    raise typer.Exit(audit_command.main(folder, as_json, check_pages))


@cli.command()
def status(data: Data = None) -> None:
    """Say how the workshop is: data, backups, emails, pages, disk. Exit 1 if it needs a person."""
    from app import opening

    raise typer.Exit(opening.status(DataFolder(data_folder(data))))


@cli.command()
def publish(
    folder: Annotated[Path, argument("FOLDER", "The folder that a web host serves.")],
    then: Annotated[
        str, option("--then", "COMMAND", "A command to run afterwards, without a shell.")
    ] = "",
    data: Data = None,
) -> None:
    """Write the customers' pages as files for any web host. Exit 1 if something went wrong."""
    from app import opening

    raise typer.Exit(opening.publish(DataFolder(data_folder(data)), folder, then))


@cli.command()
def backup(
    file: Annotated[Path, argument("FILE", "The file to write. It must not exist yet.")],
    pictures: Annotated[
        Path | None, option("--with-pictures", "FOLDER", "Copy new photos there, too.")
    ] = None,
    data: Data = None,
) -> None:
    """Write a backup into one file, even while the server runs. Exit 1 if the audit differs."""
    from app.upkeep import backup_command

    raise typer.Exit(backup_command.main(DataFolder(data_folder(data)), file, pictures))


@cli.command()
def drill(
    file: Annotated[
        Path | None, argument("FILE", "A backup; without it the newest of the nightly ones.")
    ] = None,
    data: Data = None,
) -> None:
    """Restore a backup on trial, into a scratch folder, and audit it. Exit 1 if it is not whole."""
    from app import opening

    raise typer.Exit(opening.try_out(DataFolder(data_folder(data)), file))


@cli.command()
def restore(
    file: Annotated[
        Path, argument("FILE", "A file written by backup, or put aside by an update (.db.gz).")
    ],
    replace_links: Annotated[
        bool, option("--replace-links", "", "The key is lost: replace every link.")
    ] = False,
    pictures: Annotated[
        Path | None, option("--with-pictures", "FOLDER", "Bring photos back from there.")
    ] = None,
    data: Data = None,
) -> None:
    """Put a backup in place of the data. What was there before is kept beside it."""
    from app import opening

    folder = DataFolder(data_folder(data))
    opening.restore(folder, file, replace_links=replace_links, pictures=pictures)


@cli.command("replace-links")
def replace_links(
    yes: Annotated[bool, option("--yes", "", "Really do it. The old links stop working.")] = False,
    data: Data = None,
) -> None:
    """Replace every link, if the key is lost. Without --yes only say what that would mean."""
    from app import opening

    opening.replace_links(DataFolder(data_folder(data)), yes=yes)


@cli.command("import")
def import_history(
    file: Annotated[
        Path | None, argument("FILE", "A sheet of earlier orders, .csv or .xlsx.")
    ] = None,
    dry_run: Annotated[bool, option("--dry-run", "", "Only look; bring nothing in.")] = False,
    map_file: Annotated[
        Path | None,
        option("--map", "FILE", "Which column is what; --dry-run makes one to start from."),
    ] = None,
    sheet: Annotated[str, option("--sheet", "NAME", "A workbook's sheet, if not its first.")] = "",
    leave_out_bad: Annotated[
        bool, option("--leave-out-bad", "", "Bring in the good rows of a sheet with bad ones.")
    ] = False,
    with_doubles: Annotated[
        bool, option("--with-doubles", "", "Bring in what is probably here already, too.")
    ] = False,
    with_pages: Annotated[
        bool, option("--with-pages", "", "Give the open orders status pages.")
    ] = False,
    take_back: Annotated[
        int | None, option("--take-back", "NUMBER", "Take an import back instead.", min=1)
    ] = None,
    data: Data = None,
) -> None:
    """Bring in earlier orders from a sheet, or say what would come of it. No email is written.

    One row is an order, an animal or a copy; who ordered, which animal, the day ordered and the day
    sent are enough. Exit 65 where the file or rows of it will not do.
    """
    from app.history import import_command
    from app.owner import own_log

    if (file is None) == (take_back is None):
        warn("Name either a file, or with --take-back the number of an import.")
        raise typer.Exit(WRONG_USAGE)
    with own_log.studio_in(DataFolder(data_folder(data))) as workshop:
        if file is None or take_back is not None:
            assert take_back is not None
            raise typer.Exit(import_command.take_back(workshop, take_back))
        asked = import_command.ImportAsked(
            file, dry_run, map_file, sheet, leave_out_bad, with_doubles, with_pages
        )
        raise typer.Exit(import_command.main(workshop, asked))


@cli.command()
def export(
    folder: Annotated[Path, argument("FOLDER", "A new or empty folder.")],
    without_photos: Annotated[
        bool, option("--without-photos", "", "Leave the customers' photos out.")
    ] = False,
    data: Data = None,
) -> None:
    """Write everything as .csv files, with the customers' photos as they came."""
    from app.history import export_command
    from app.owner import own_log

    with own_log.studio_in(DataFolder(data_folder(data))) as workshop:
        raise typer.Exit(export_command.main(workshop, folder, with_photos=not without_photos))


@cli.command()
def whatif(
    settings: Annotated[
        list[str] | None,
        option("--set", "CHANGE", "What would change: “painting people=3”; again for more."),
    ] = None,
    data: Data = None,
    replications: Replications = 500,
    every_piece: Annotated[
        bool, typer.Option("--all", help="When every piece is ready, not the first twenty only.")
    ] = False,
) -> None:
    """Simulate the workshop as it is, and with --set as it would be.

    \b
    painting people=3          three who paint; whoever is new does that alone,
                               whoever goes is missing at all of their steps
    painting people=+1         one more, or with -1 one fewer
    painting also=inspection   one of those who paint inspects too
    building machines=2        two machines
    blank batch=6              six pieces to a batch
    shaping hours="mon-fri 7-15:30, sat 9-12"    or hours=always, day and night
    painting time=-10%         each piece takes a tenth less of somebody's time
    inspection rework=5%       five in a hundred go back
    closed=2031-08-04..2031-08-15                or painting closed=2031-08-04
    newcomers=+20%             a fifth more orders
    """
    from app.owner import own_log, whatif_command

    with own_log.studio_in(DataFolder(data_folder(data))) as workshop:
        code = whatif_command.main(
            workshop, settings or [], replications=replications, monotonic=time.monotonic,
            every_piece=every_piece,
        )  # fmt: skip
    raise typer.Exit(code)


@cli.command()
def backtest(
    file: Annotated[
        Path | None, argument("FILE", "A CSV table: piece,step,entered,left[,outcome].")
    ] = None,
    every: Annotated[float, option("--every", "DAYS", "Days from one forecast to the next.")] = 7.0,
    train: Annotated[
        float, option("--train", "SHARE", "Share of pieces known at first, between 0 and 1.")
    ] = 0.7,
    out: Annotated[Path | None, option("--out", "FILE", "A CSV file to write the rows to.")] = None,
    picture: Annotated[
        Path | None,
        option(
            "--picture",
            "FILE",
            "A file for the calibration picture, SVG. Without it none is drawn.",
        ),
    ] = None,
    as_json: AsJson = False,
    data: Data = None,
    every_method: Annotated[bool, typer.Option("--all", help="Every method alone, too.")] = False,
) -> None:
    """Judge the forecast on a table of stays, or with --data on your own log."""
    import numpy as np

    from app.leadtimes.backtest_command import Judging, main_backtest
    from app.owner import own_backtest_command, own_log

    if (file is None) == (data is None):
        warn("Name either a table or a data folder with --data.")
        raise typer.Exit(WRONG_USAGE)
    if not (every > 0 and 0 < train < 1):
        warn("--every must be above 0 days, and --train between 0 and 1.")
        raise typer.Exit(WRONG_USAGE)
    generator = np.random.default_rng(1)
    how = Judging(
        generator, time.monotonic, every, train, out, as_json, picture, every_method=every_method
    )
    if file is not None:
        raise typer.Exit(main_backtest(file, how))
    with own_log.studio_in(DataFolder(data_folder(data))) as workshop:
        code = own_backtest_command.main(workshop, how)
    raise typer.Exit(code)


cli.add_typer(photos, name="photos")


def warn(text: str) -> None:
    """A line for the person, beside the answer."""
    print(text, file=sys.stderr, flush=True)


def _log_to_stderr() -> None:
    """What goes wrong; and who signed in, was let in or kept out, which is worth knowing when all
    goes well (OWASP ASVS 5.0, 16.3.1). Moments in UTC."""
    say = logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s", "%Y-%m-%dT%H:%M:%SZ")
    say.converter = time.gmtime
    out = logging.StreamHandler()
    out.setFormatter(say)
    logging.basicConfig(level=logging.WARNING, handlers=[out])
    logging.getLogger("likewright.staff").setLevel(logging.INFO)


def main() -> None:
    """Run a command and end with its exit code."""
    _log_to_stderr()
    command = typer.main.get_command(cli)
    try:
        code = command.main(prog_name="likewright", standalone_mode=False)
    except typer.Exit as end:
        sys.exit(end.exit_code)
    except (typer.Abort, KeyboardInterrupt):
        sys.exit(130)
    except TyperException as why:
        show = getattr(why, "show", None)
        if show is None:
            warn(str(why))
        else:
            show()
        sys.exit(WRONG_USAGE)
    except (CannotStart, Refused) as why:
        warn(str(why))
        sys.exit(UNAVAILABLE)
    except Exception:
        logging.getLogger("likewright").exception("unforeseen error")
        sys.exit(UNFORESEEN)
    sys.exit(code if isinstance(code, int) else 0)
