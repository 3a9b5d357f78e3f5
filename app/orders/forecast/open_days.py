"""The studio's closures and holidays as spans of time, for statistics that look past them. Pure."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np

from app.flow.steps import Step
from app.leadtimes.log import StayLog
from app.leadtimes.open_time import OpenTime, share_when_closed
from app.shared.calendar import Calendar


def closed_spans(calendar: Calendar) -> OpenTime:
    """Runs of closed days, from the first moment of the first to the last of the last.

    A run in which nobody would have worked anyway (a holiday on a Sunday) closes nothing.
    """
    one = timedelta(days=1)
    runs: list[list[date]] = []
    for day in sorted(calendar.closed):
        if runs and day - runs[-1][-1] == one:
            runs[-1].append(day)
        else:
            runs.append([day])
    kept = [run for run in runs if any(calendar.hours.get(day.weekday()) for day in run)]
    starts = [float(calendar.start_of(run[0])) for run in kept]
    ends = [float(calendar.start_of(run[-1] + one)) for run in kept]
    return OpenTime(np.array(starts), np.array(ends))


def open_time(calendar: Calendar, log: StayLog, now: int) -> OpenTime:
    """The map between moments and open time, with the pace in closures that the log shows.

    The pace is that of the steps whose ranges are told: those after the photos have passed.
    """
    spans = closed_spans(calendar)
    making = log.step >= log.steps.index(Step.FINISHING)
    if log.blurred is not None:
        making &= ~log.blurred
    share = share_when_closed(log.entered[making], log.left[making], spans, now)
    return replace(spans, share=share)
