"""How orders come to the invented studio: by season, from its first day to the last minute."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from math import exp

from app.demo.floor import DemoFloor
from app.demo.hours import HOUR, SEASON
from app.demo.intake import Intake
from app.demo.ledger import Wanted
from app.demo.trouble import Trouble
from app.flow.steps import PHOTO_STEPS, STEPS, MoveKey, Of, Step
from app.shared.calendar import DAY

_PLAIN = Wanted(gift=False, remembered=False, simple=True, wait=1.0, fated=(MoveKey.GOOD,))
_MORE, _NEW = (MoveKey.MORE_VIEWS, "silence"), (MoveKey.NEW_SET, "silence")
CAST: Sequence[tuple[float, Wanted]] = (
    *((days, _PLAIN) for days in (17.0, 22.0, 28.0)),
    *((days, replace(_PLAIN, gift=True)) for days in (16.0, 23.0, 29.0)),
    *((days, replace(_PLAIN, remembered=True)) for days in (18.0, 24.0, 30.0)),
    (19.0, replace(_PLAIN, pictures=26, fated=_MORE)),
    (17.3, replace(_PLAIN, pictures=19, fated=_NEW)),
    (3.0, replace(_PLAIN, wait=20.0, fated=())),
    (15.5, replace(_PLAIN, snag="hold")),
    (14.5, replace(_PLAIN, snag="ask")),
    (2.2, replace(_PLAIN, unpaid=True, wait=0.6)),
)
"""Orders that must be there at the end, as days before it: each kind of status page has one."""
_LAST = Wanted(late_entry=False)
_UNDER_WAY = (
    (Step.PHOTOS_WANTED, 6), (Step.PHOTOS_IN, 2), (Step.FINISHING, 3), (Step.BLANK, 3),
    (Step.SHAPING, 4), (Step.PAINTING, 4), (Step.PACKING, 1),
)  # fmt: skip


class History:
    """Schedules every order, and lets its pieces in when it comes."""

    def __init__(self, floor: DemoFloor, intake: Intake, trouble: Trouble) -> None:
        self._floor = floor
        self._intake = intake
        self._trouble = trouble

    def plan(self, per_month: int) -> None:
        """Lay out when orders come."""
        floor, rng, calendar = self._floor, self._floor.rng, self._floor.calendar
        # On its first morning the studio brings in what it has under way.
        opens = floor.open_hours.next_open(floor.start + DAY // 2)
        for place in range(max(4, round(per_month * 0.5))):
            floor.later(opens + place * 150, self._under_way)
        day, last = calendar.day_of(floor.start), calendar.day_of(floor.now)
        while day <= last:
            rate = per_month * SEASON[day.month - 1] / 30.4
            rate *= 1.15 if day.weekday() < 5 else 0.62
            for _ in range(_poisson(rng.random(), rate)):
                at = calendar.start_of(day) + int(rng.uniform(7.5, 22) * HOUR)
                if not floor.open_hours.at_work(at) and rng.random() < 0.8:
                    at = floor.office(at, 2 * HOUR)
                if at > floor.start + DAY:
                    floor.later(at, self._comes)
            day += timedelta(days=1)
        # Somebody is always typing: the last order comes minutes before the history ends.
        told = replace(_LAST, simple=True, wait=1e-9)
        for days, wanted in (*CAST, (9 / 1440, _LAST), (3 / 24, told)):
            at = floor.now - int(days * DAY)
            if at > floor.start:
                floor.later(at, lambda w=wanted: self._told(w))  # type: ignore[misc]

    def _comes(self) -> None:
        with self._floor.drawing(f"order {self._intake.next_number}"):
            if not (self._floor.chance(0.05) and self._follow_on()):
                self._typed(Wanted())

    def _told(self, wanted: Wanted) -> None:
        with self._floor.drawing(f"order {self._intake.next_number}"):
            self._typed(wanted)

    def _typed(self, wanted: Wanted) -> None:
        """An order is typed in, its models at photos wanted, its copies not begun."""
        intake, act = self._intake, None
        job = intake.order(wanted)
        taken = job.row["taken_at"]
        self._trouble.deposit(job)
        for letter, animal, copies in intake.animals_of(job):
            model = intake.model(job, letter, animal, Step.PHOTOS_WANTED, act, happened=taken)
            act = act or model.log[0].act
            row = intake.joins(job, letter, model)
            # Of orders of several animals every other one has the first two on one base.
            if letter == "B" and job.row["number"] % 2 == 0:
                intake.stands_on(job.copies[0], model, row)
                continue
            for number in range(1, copies + 1):
                intake.copy(model, number, Step.NOT_BEGUN, act, order_animal=row, happened=taken)
        for model in job.models:
            self._floor.begin(model)
        if self._floor.chance(0.06):
            self._floor.go_on(self._trouble.side_question(job))

    def _follow_on(self) -> bool:
        """One more copy of a model that is ready: it starts at its blanks."""
        rng, intake, act = self._floor.rng, self._intake, None
        old = [m for m in intake.ready[-300:] if self._floor.time - m.state.entered_at > 35 * DAY]
        if not old:
            return False
        model = rng.choice(old)
        customer = next(c for c in intake.customers if c["id"] == model.animal["customer_id"])
        job = intake.order(_LAST, customer=customer)
        self._trouble.deposit(job)
        row = intake.joins(job, "A", model)
        for number in range(1, rng.choice((2, 2, 2, 3))):
            copy = intake.copy(
                model, number, Step.BLANK, act, order_animal=row, job=job, letter="A"
            )
            act = act or copy.log[0].act
        for copy in job.copies:
            self._floor.begin(copy)
        return True

    def _under_way(self) -> None:
        """An order that is brought in at the step that it has reached."""
        floor, rng, intake = self._floor, self._floor.rng, self._intake
        steps, odds = zip(*_UNDER_WAY, strict=True)
        step: Step = rng.choices(steps, odds)[0]
        job = intake.order(replace(_LAST, simple=True), imported=True)
        behind = 1 + list(Step).index(step)
        job.row["taken_at"] = floor.time - int(rng.uniform(2, 4) * behind * DAY)
        since = floor.open_hours.next_open(floor.time - int(rng.uniform(1, 6) * DAY))
        since = min(floor.time, since + rng.randrange(6 * HOUR))
        passed = None if step in PHOTO_STEPS else since - int(rng.uniform(3, 12) * DAY)
        [(letter, animal, _)] = intake.animals_of(job)
        made = STEPS[step].of is Of.COPY
        model = intake.model(
            job, letter, animal, Step.READY if made else step, None, happened=since,
            accepted=passed, pictures=None if passed is None else 60,
        )  # fmt: skip
        copy = intake.copy(
            model, 1, step if made else Step.NOT_BEGUN, model.log[0].act, happened=since,
            order_animal=intake.joins(job, letter, model), accepted=passed if made else None,
        )  # fmt: skip
        job.passed_at = passed
        floor.begin(copy if made else model)


def _poisson(draw: float, rate: float) -> int:
    """How many, from one uniform draw: the inverse of the Poisson distribution."""
    count, term = 0, exp(-rate)
    reached = term
    while draw > reached and count < 100:
        count += 1
        term *= rate / count
        reached += term
    return count
