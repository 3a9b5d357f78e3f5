"""The backtest of a studio's own log: in open time, from the studio's own defaults, as its ranges
are worked out.
"""

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Final, TextIO

from numpy.random import Generator

from app.leadtimes import backtest_command
from app.leadtimes.backtest import first_day
from app.orders.forecast import record
from app.owner.own_log import own_table, own_time
from app.studio.workshop import Workshop

PICTURE: Final = "own-log-calibration.svg"


def main(
    workshop: Workshop,
    *,
    every: float,
    train: float,
    out: Path | None,
    as_json: bool,
    picture: Path | None,
    here: Path,
    generator: Generator,
    monotonic: Callable[[], float],
    stdout: TextIO = sys.stdout,
    stderr: TextIO = sys.stderr,
) -> int:
    """Judge the forecast on the studio's own log; the exit code of `backtest_command.judge`.

    Without `picture` and `as_json` the calibration picture goes into the folder `here`, unless that
    is the data folder or lies in it: nothing is written there that was not asked for.
    """
    table = own_table(workshop)
    if not table.names:
        print("The log has no pieces yet, so there is nothing to judge.", file=stderr)
        return backtest_command.BAD_INPUT
    if picture is None and not as_json and not _inside(here, workshop.folder.path):
        picture = here / PICTURE
    return backtest_command.judge(
        table, every=every, train=train, out=out, as_json=as_json, picture=picture,
        generator=generator, monotonic=monotonic,
        time=own_time(workshop, table.log, first_day(table.log, train)), defaults=record.defaults(),
        stdout=stdout, stderr=stderr,
    )  # fmt: skip


def _inside(place: Path, folder: Path) -> bool:
    return place.resolve().is_relative_to(folder.resolve())
