"""The floor in simulation: when is what stands here today ready, where does it wait, and what if?

`simulate` runs a `Floor` many times, all replications in lockstep. `compare` sets two floors side
by side under the same chances; `parse_change` and `apply_changes` turn "painting people=3" into the
second one, and `floor_report` says what came out in plain text.

People may do several steps (`Crew`): who is free takes up what the fewest people do, and of that
the first in the order of work.

What it leaves out: a free place takes up the best of its queue even while the step is closed, so
that a more urgent piece that comes overnight does not overtake it in the morning; a batch starts
with whoever waits, it does not hold out for more; everybody of a crew is there in all of its hours.
"""

from app.leadtimes.floor.changes import ChangeError, FloorChange, apply_changes, parse_change
from app.leadtimes.floor.compare import Comparison, compare
from app.leadtimes.floor.draws import quantile_table
from app.leadtimes.floor.hours import OpenHours
from app.leadtimes.floor.model import Arrivals, Crew, Floor, FloorPiece, FloorStep, Rework
from app.leadtimes.floor.outcome import Estimate, Outcome, simulate
from app.leadtimes.floor.report import floor_report

__all__ = [
    "Arrivals", "ChangeError", "Comparison", "Crew", "Estimate", "Floor", "FloorChange",
    "FloorPiece", "FloorStep", "OpenHours", "Outcome", "Rework", "apply_changes", "compare",
    "floor_report", "parse_change", "quantile_table", "simulate",
]  # fmt: skip
