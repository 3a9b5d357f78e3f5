"""When the runs of the invented history were expected to end, as the studio could know then."""

from bisect import bisect_right

from app.demo.floor import Floor
from app.flow.steps import Step
from app.moving.build_times import DEFAULT, Run, runs_of, times
from app.shared.calendar import DAY

_EVERY = 14 * DAY
_YEAR = 366 * DAY


def write_runs(floor: Floor) -> None:
    """Fill in the rows of `builds`, and the expected end on the models that are on a machine.

    What is known of past runs is looked at every two weeks: to do it for each run changes little.
    """
    pieces = {model.ref.id: model for job in floor.jobs for model in job.models}
    rows = floor.ledger.rows.get("builds", [])
    own = {row["model_id"]: pieces[row["model_id"]] for row in rows}
    runs = [
        run for id_, piece in own.items() for run in runs_of(id_, piece.log, piece.row["pictures"])
    ]
    by_entry = {run.entry: run for run in runs}
    over = sorted((run for run in runs if run.ended is not None), key=_ended)
    ends = [_ended(run) for run in over]
    known, looked = DEFAULT, floor.start - _YEAR
    for row in rows:
        run = by_entry[row["transition_id"]]
        if run.started - looked >= _EVERY:
            looked = run.started
            known = times(over[bisect_right(ends, looked - _YEAR) : bisect_right(ends, looked)])
        takes = known.of(run.pictures)
        row["ends_from"], row["ends_by"] = run.started + takes.first, run.started + takes.last
        piece = pieces[row["model_id"]]
        on_it = piece.state.step is Step.BUILDING and run.ended is None
        piece.row["build_ends_at"] = row["ends_by"] if on_it else None


def _ended(run: Run) -> int:
    return run.ended or 0
