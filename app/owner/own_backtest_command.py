"""The backtest of a studio's own log: in open time, from the studio's own defaults, as its ranges
are worked out.
"""

from app.leadtimes.backtest import first_day
from app.leadtimes.backtest_command import BAD_INPUT, Judging, judge
from app.orders.forecast import record
from app.owner.own_log import own_table, own_time
from app.studio.workshop import Workshop


def main(workshop: Workshop, how: Judging) -> int:
    """Judge the forecast on the studio's own log; the exit code of `backtest_command.judge`."""
    table = own_table(workshop)
    if not table.names:
        print("The log has no pieces yet, so there is nothing to judge.", file=how.stderr)
        return BAD_INPUT
    time = own_time(workshop, table.log, first_day(table.log, how.train))
    return judge(table, how, time, record.defaults(workshop.in_force().settings.usual_weeks()))
