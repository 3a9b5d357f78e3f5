"""What is written once the course of the orders is known: tellings, words with customers, edits."""

from bisect import bisect_right, insort
from collections import defaultdict
from collections.abc import Callable
from datetime import date, timedelta
from itertools import pairwise
from random import Random

from app.demo.floor import DemoFloor
from app.demo.hours import HOUR
from app.demo.ledger import DemoPiece, Job, Row
from app.demo.letters import write_letters
from app.demo.packing import write_packing
from app.flow import store
from app.flow.rules import Entry, effective
from app.flow.steps import ENDS, MAKING_STEPS, MoveKey, Step
from app.moving.build_times import DEFAULT, BuildRun, runs_of, times
from app.orders.facts.ranges import ToldRange, beyond
from app.shared.calendar import DAY
from app.shared.text import fold

_EVERY = 14 * DAY
_YEAR = 366 * DAY


def write_runs(floor: DemoFloor) -> None:
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


def _ended(run: BuildRun) -> int:
    return run.ended or 0


_ENOUGH = 20
_LATELY = 300
_DEFAULT_DAYS = (24.0, 56.0)
_PAGES_FOR = 120 * DAY
_AHEAD = (Step.FINISHING, *MAKING_STEPS)
# The desk gets round to most who wait longer, within so many working days or hours.
_SAID, _WITHIN_DAYS, _WITHIN_HOURS = 0.9, 5, 6 * HOUR
# By step, of each piece the working days there, and from coming there until its order was gone.
Ways = dict[Step, list[tuple[int, int]]]


def write_all(floor: DemoFloor, progress: Callable[[float], None]) -> None:
    """Everything that is written after the history; `progress` is told the part done, 0 to 1."""
    parts = (
        write_runs, write_pieces, write_packing, write_tellings, write_longer, write_contacts,
        write_letters, write_colours,
    )  # fmt: skip
    for place, write in enumerate(parts):
        progress(place / len(parts))
        write(floor)


def write_pieces(floor: DemoFloor) -> None:
    """The rows of models and copies, and whether each order is open."""
    for job in floor.jobs:
        for piece in job.pieces():
            row = {**piece.row, **store.state_values(piece.state), "version": piece.version}
            floor.ledger.note("models" if piece.model is None else "copies", **row)
        job.row["open"] = int(any(p.state.step not in ENDS for p in job.pieces()))
        if job.row["open"] or _last(job) > floor.now - _PAGES_FOR:
            floor.ledger.rows["status_pages"].append({"order_id": job.id, "wanted": 1})


def _last(job: Job) -> int:
    return max(piece.state.last_at for piece in job.pieces())


def write_tellings(floor: DemoFloor) -> None:
    """What customers were told of the end, from what was known at the time.

    The 10 % and 85 % points of the days from photos passed to handing over among the orders
    handed over before, rounded outward; defaults until there were twenty.
    """
    gone = sorted((j for j in floor.jobs if j.handed_at and j.passed_at), key=_handed)
    lately: list[float] = []
    in_order: list[float] = []
    place = 0
    for job in sorted((j for j in floor.jobs if j.passed_at), key=_passed):
        while place < len(gone) and _handed(gone[place]) <= _passed(job):
            days = (_handed(gone[place]) - _passed(gone[place])) / DAY
            insort(lately, days)
            in_order.append(days)
            if len(in_order) > _LATELY:
                lately.remove(in_order.pop(0))
            place += 1
        if not job.row["imported"]:
            _tell(floor, job, lately)


def _handed(job: Job) -> int:
    return job.handed_at or 0


def _passed(job: Job) -> int:
    return job.passed_at or 0


def _tell(floor: DemoFloor, job: Job, lately: list[float]) -> None:
    low, high = _DEFAULT_DAYS
    if len(lately) >= _ENOUGH:
        low, high = lately[len(lately) // 10], lately[int(len(lately) * 0.85)]
    at = _passed(job) + floor.rng.randrange(5, 60)
    _telling(floor, job, at, low, high, "page")
    end = at + (int(high) + 1) * DAY
    left = job.handed_at or (floor.now if job.row["open"] else 0)
    while left > end:
        # The range no longer held: another one was told before it was over.
        at = floor.office(end - 3 * DAY)
        if at > floor.now:
            return
        _telling(floor, job, at, 5, 20, "letter" if floor.chance(0.7) else "phone")
        end = at + 21 * DAY


def _telling(floor: DemoFloor, job: Job, at: int, low: float, high: float, channel: str) -> None:
    day = floor.calendar.day_of(at)
    floor.ledger.note(
        "tellings", order_id=job.id, at=at, channel=channel,
        account_id=None if channel == "page" else floor.desk,
        from_day=(day + timedelta(days=int(low))).isoformat(),
        to_day=(day + timedelta(days=int(high) + 1)).isoformat(),
    )  # fmt: skip


def write_longer(floor: DemoFloor) -> None:
    """Tell new days where an open order ends later than its customer was told, by what was left
    for pieces that had been at the same step for as long."""
    # Its own stream: whatever else is invented stays as it is.
    rng = Random(floor.now)  # noqa: S311
    told: dict[int, ToldRange] = {}
    for row in sorted(floor.ledger.rows["tellings"], key=lambda row: int(row["at"])):
        end = date.fromisoformat(row["to_day"])
        told[row["order_id"]] = ToldRange(row["at"], None, end, None, "", 0)
    ways, calendar = _ways_of(floor), floor.calendar
    lately = calendar.start_of(calendar.add_working_days(calendar.day_of(floor.now), -_WITHIN_DAYS))
    for job in floor.jobs:
        here = [p for p in job.pieces() if p.state.step in ways and not p.state.held]
        if job.id not in told or not here or not job.row["open"]:
            continue
        since = max(told[job.id].at, *(piece.state.entered_at for piece in here))
        at = floor.open_hours.after(max(since, lately), rng.randrange(HOUR, _WITHIN_HOURS))
        last, first = max(_days_of(floor, piece, ways, at) for piece in here)
        if beyond(told[job.id], last, calendar) and at <= floor.now and rng.random() < _SAID:
            floor.ledger.note(
                "tellings", order_id=job.id, at=at, channel=rng.choice(("letter", "phone")),
                account_id=floor.desk, from_day=first.isoformat(), to_day=last.isoformat(),
            )  # fmt: skip


def _ways_of(floor: DemoFloor) -> Ways:
    """The ways of the pieces of orders that were handed over lately."""
    found: Ways = defaultdict(list)
    for job in sorted((job for job in floor.jobs if job.handed_at), key=_handed)[-_LATELY:]:
        handed = _handed(job)
        for piece in job.pieces():
            moved = [entry for entry in effective(piece.log) if entry.to_step is not None]
            for came, left in pairwise(moved):
                if came.to_step in _AHEAD and left.happened_at <= handed:
                    there = _working_days(floor, came.happened_at, left.happened_at)
                    found[came.to_step].append(
                        (there, _working_days(floor, came.happened_at, handed))
                    )
    return dict(found)


def _working_days(floor: DemoFloor, first: int, last: int) -> int:
    day_of = floor.calendar.day_of
    return floor.calendar.working_days_between(day_of(first), day_of(last))


def _days_of(floor: DemoFloor, piece: DemoPiece, ways: Ways, at: int) -> tuple[date, date]:
    """The 85 % and the 10 % point of the days until a piece is ready, as days, seen at a moment;
    where too few were there for as long, the first of all days."""
    spent = _working_days(floor, piece.state.entered_at, at)
    left = sorted(days - spent for there, days in ways[piece.state.step] if there >= spent)
    if len(left) < _ENOUGH:
        return date.min, date.min
    today, add = floor.calendar.day_of(at), floor.calendar.add_working_days
    return add(today, left[int(len(left) * 0.85)] + 1), add(today, left[len(left) // 10])


def write_contacts(floor: DemoFloor) -> None:
    """Words with customers while their orders ran."""
    rng = floor.rng
    for job in floor.jobs:
        first = job.row["recorded_at"]
        last = min(floor.now, job.ended_at or job.handed_at or floor.now)
        for _ in range(rng.choices((0, 1, 2, 3), (42, 34, 17, 7))[0]):
            at = floor.open_hours.next_open(int(rng.uniform(first, max(first + 1, last))))
            at += rng.randrange(60, 1800)
            if at > floor.now:
                continue
            asked, told = rng.choice(floor.words.studio["contacts"])
            floor.ledger.note(
                "contacts", customer_id=job.row["customer_id"], order_id=job.id, at=at,
                account_id=floor.desk, asked=asked, told=told,
                channel=rng.choice(("phone", "mail", "mail", "shop")),
            )  # fmt: skip
        if rng.random() < 0.05:
            _edit(floor, job, first)


def write_colours(floor: DemoFloor) -> None:
    """How animals were painted, as most painters write it down after the first copy."""
    first: dict[int, tuple[DemoPiece, Entry]] = {}
    for job in floor.jobs:
        for piece in job.copies:
            done = next((e for e in effective(piece.log) if e.move == MoveKey.PAINTED), None)
            known = first.get(piece.animal["id"])
            if done is not None and (known is None or done.happened_at < known[1].happened_at):
                first[piece.animal["id"]] = piece, done
    for piece, done in first.values():
        if floor.chance(0.7):
            _colours(floor, piece.animal, done)


def _colours(floor: DemoFloor, animal: Row, done: Entry) -> None:
    rng, paints = floor.rng, floor.words.animals["paints"]
    coat = next(one for one in paints["coats"] if one[0] in animal["colours"])
    others = rng.sample(paints["zones"], rng.randrange(2, 5))
    for zone, paint, mix in [("Base coat", *coat[1:]), *others]:
        floor.ledger.note(
            "colour_zones", animal_id=animal["id"], zone=zone, zone_key=fold(zone), paint=paint,
            mix=mix, thinner=rng.choice(paints["thinners"]), layers=rng.choice(paints["layers"]),
            at=done.happened_at, account_id=done.by,
        )  # fmt: skip


def _edit(floor: DemoFloor, job: Job, first: int) -> None:
    """A field that was changed some days after the order came."""
    at = floor.office(first + floor.rng.randrange(DAY, 9 * DAY))
    if at <= floor.now and job.row["parcel_note"]:
        floor.ledger.note(
            "changes", at=at, account_id=floor.desk, of="orders", of_id=job.id, order_id=job.id,
            field="parcel_note", before="", after=job.row["parcel_note"],
        )  # fmt: skip
