"""How orders come to the invented studio: by season, from its first day to the last minute."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from math import exp

from app.demo.floor import DemoFloor
from app.demo.hands import Hands
from app.demo.hours import HOUR, SEASON
from app.demo.intake import Intake, Wanted
from app.demo.ledger import DemoPiece, Job
from app.demo.machines import Blanks, Builders
from app.demo.screen import Screen
from app.demo.trouble import Trouble
from app.flow.steps import PHOTO_STEPS, STEPS, MoveKey, Of, Step
from app.shared.calendar import DAY

_PLAIN = Wanted(gift=False, remembered=False, simple=True, wait=1.0, fated=(MoveKey.GOOD,))
CAST: Sequence[tuple[float, Wanted]] = (
    (17.0, _PLAIN),
    (22.0, _PLAIN),
    (28.0, _PLAIN),
    *(
        (days, Wanted(gift=True, remembered=False, simple=True, wait=1.0, fated=(MoveKey.GOOD,)))
        for days in (16.0, 23.0, 29.0)
    ),
    *(
        (days, Wanted(gift=False, remembered=True, simple=True, wait=1.0, fated=(MoveKey.GOOD,)))
        for days in (18.0, 24.0, 30.0)
    ),
    (15.0, Wanted(gift=False, remembered=False, simple=True, wait=1.0, pictures=26,
                  fated=(MoveKey.MORE_VIEWS, "silence"))),
    (13.0, Wanted(gift=False, remembered=False, simple=True, wait=1.0, pictures=19,
                  fated=(MoveKey.NEW_SET, "silence"))),
    (3.0, Wanted(gift=False, remembered=False, simple=True, wait=20.0)),
    (15.5, replace(_PLAIN, snag="hold")),
    (14.5, replace(_PLAIN, snag="ask")),
)  # fmt: skip
"""Orders that must be there at the end, as days before it: each kind of status page has one."""
_UNDER_WAY = (
    (Step.PHOTOS_WANTED, 6), (Step.PHOTOS_IN, 2), (Step.FINISHING, 3), (Step.BLANK, 3),
    (Step.SHAPING, 4), (Step.PAINTING, 4), (Step.PACKING, 1),
)  # fmt: skip


class History:
    """Schedules every order, and lets its pieces in when it comes."""

    def __init__(
        self, floor: DemoFloor, intake: Intake, screen: Screen, hands: Hands, trouble: Trouble,
        builders: Builders, blanks: Blanks,
    ) -> None:  # fmt: skip
        self._floor = floor
        self._intake = intake
        self._screen = screen
        self._hands = hands
        self._trouble = trouble
        self._builders = builders
        self._blanks = blanks
        screen.begin = hands.arrive

    def plan(self, per_month: int) -> None:
        """Lay out when orders come."""
        floor, rng, calendar = self._floor, self._floor.rng, self._floor.calendar
        self._imports(max(4, round(per_month * 0.5)))
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
        for days, wanted in CAST:
            at = floor.now - int(days * DAY)
            if at > floor.start:
                floor.later(at, lambda t, w=wanted: self._typed(t, w))  # type: ignore[misc]
        # Somebody is always typing: the last order comes minutes before the history ends.
        floor.later(floor.now - 9 * 60, lambda t: self._typed(t, Wanted(late_entry=False)))
        told = Wanted(late_entry=False, simple=True, wait=1e-9)
        floor.later(floor.now - 3 * HOUR, lambda t: self._typed(t, told))

    def _comes(self, moment: int) -> None:
        draw = self._floor.rng.random()
        if draw < 0.05 and self._follow_on(moment):
            return
        self._typed(moment, Wanted())

    def _typed(self, moment: int, wanted: Wanted) -> None:
        """An order is typed in, its models at photos wanted, its copies not begun."""
        intake = self._intake
        job = intake.order(moment, wanted)
        if wanted.wait is not None:
            job.wait = int(wanted.wait * DAY)
        job.snag, job.pictures = wanted.snag, wanted.pictures
        act: int | None = None
        found = intake.animals_wanted(job, wanted)
        for letter, (animal, copies) in zip("ABCD", found, strict=False):
            model = intake.model(
                job, letter, animal, Step.PHOTOS_WANTED, moment, act,
                happened=job.row["taken_at"],
            )  # fmt: skip
            model.fated = list(wanted.fated)
            act = act or model.log[0].act
            row = intake.joins(job, letter, animal, model)
            for number in range(1, copies + 1):
                intake.copy(
                    job, model, number, Step.NOT_BEGUN, moment, act, letter=letter,
                    order_animal=row, looks=intake.looks(animal, moment),
                    happened=job.row["taken_at"],
                )  # fmt: skip
        for model in job.models:
            self._screen.wanted(model, moment)
        if self._floor.chance(0.06):
            self._trouble.side_question(job, moment)

    def _follow_on(self, moment: int) -> bool:
        """One more copy of a model that is ready: it starts at its blanks."""
        rng, intake = self._floor.rng, self._intake
        old = [m for m in intake.ready[-300:] if moment - m.state.entered_at > 35 * DAY]
        if not old:
            return False
        model = rng.choice(old)
        customer = next(c for c in intake.customers if c["id"] == model.animal["customer_id"])
        job = intake.order(moment, Wanted(late_entry=False), customer=customer)
        row = intake.joins(job, "A", model.animal, model)
        act: int | None = None
        for number in range(1, rng.choice((2, 2, 2, 3))):
            copy = intake.copy(
                job, model, number, Step.BLANK, moment, act, letter="A", order_animal=row,
                looks=intake.looks(model.animal, moment),
            )  # fmt: skip
            act = act or copy.log[0].act
        for copy in job.copies:
            self._hands.arrive(copy, moment)
        return True

    # ------------------------------------------------------------ brought in under way

    def _imports(self, count: int) -> None:
        """On its first morning the studio brings in what it has under way."""
        opens = self._floor.open_hours.next_open(self._floor.start + DAY // 2)
        for place in range(count):
            self._floor.later(opens + place * 150, self._under_way)

    def _under_way(self, moment: int) -> None:
        rng, intake = self._floor.rng, self._intake
        steps, odds = zip(*_UNDER_WAY, strict=True)
        step: Step = rng.choices(steps, odds)[0]
        job = intake.order(moment, Wanted(simple=True, late_entry=False), imported=True)
        behind = 1 + list(Step).index(step)
        job.row["taken_at"] = moment - int(rng.uniform(2, 4) * behind * DAY)
        since = self._floor.open_hours.next_open(moment - int(rng.uniform(1, 6) * DAY))
        since = min(moment, since + rng.randrange(6 * HOUR))
        passed = None if step in PHOTO_STEPS else since - int(rng.uniform(3, 12) * DAY)
        animal, _ = intake.animals_wanted(job, Wanted(simple=True))[0]
        copies_on = STEPS[step].of is Of.COPY
        model = intake.model(
            job, "A", animal, Step.READY if copies_on else step, moment, None, imported=True,
            happened=since, accepted=passed, pictures=None if passed is None else 60,
        )  # fmt: skip
        copy = intake.copy(
            job, model, 1, step if copies_on else Step.NOT_BEGUN, moment, model.log[0].act,
            letter="A", order_animal=intake.joins(job, "A", animal, model),
            looks=intake.looks(animal, moment), imported=True, happened=since,
            accepted=passed if copies_on else None,
        )  # fmt: skip
        job.passed_at = passed
        self._go_on(job, model, copy, moment)

    def _go_on(self, job: Job, model: DemoPiece, copy: DemoPiece, moment: int) -> None:
        step = model.state.step
        if step is Step.READY:
            self._hands.arrive(copy, moment)
        elif step is Step.PHOTOS_WANTED:
            self._screen.wanted(model, moment)
        elif step is Step.PHOTOS_IN:
            self._builders.enqueue(model, moment)
        else:
            self._floor.enqueue(model, moment)


def _poisson(draw: float, rate: float) -> int:
    """How many, from one uniform draw: the inverse of the Poisson distribution."""
    count, term = 0, exp(-rate)
    reached = term
    while draw > reached and count < 100:
        count += 1
        term *= rate / count
        reached += term
    return count
