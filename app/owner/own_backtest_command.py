"""The backtest of a studio's own log: in open time, from the studio's own defaults, as its ranges
are worked out.
"""

from dataclasses import replace
from pathlib import Path
from typing import Final

from app.leadtimes.backtest import first_day
from app.leadtimes.backtest_command import BAD_INPUT, Judging, judge
from app.orders.forecast import record
from app.owner.own_log import own_table, own_time
from app.studio.workshop import Workshop

PICTURE: Final = "own-log-calibration.svg"


def main(workshop: Workshop, how: Judging, here: Path) -> int:
    """Judge the forecast on the studio's own log; the exit code of `backtest_command.judge`.

    Without a place for it and `as_json` the calibration picture goes into the folder `here`, unless
    that is the data folder or lies in it: nothing is written there that was not asked for.
    """
    table = own_table(workshop)
    if not table.names:
        print("The log has no pieces yet, so there is nothing to judge.", file=how.stderr)
        return BAD_INPUT
    if how.picture is None and not how.as_json and not _inside(here, workshop.folder.path):
        how = replace(how, picture=here / PICTURE)
    time = own_time(workshop, table.log, first_day(table.log, how.train))
    return judge(table, how, time, record.defaults())


def _inside(place: Path, folder: Path) -> bool:
    return place.resolve().is_relative_to(folder.resolve())
