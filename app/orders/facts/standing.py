"""Where an order's pieces stand now: what is left of their way, and what is said of it. Pure."""

from collections.abc import Iterator
from datetime import date, timedelta

from app.flow.steps import ENDS, PLACE, STEPS, Step, TimeClass
from app.orders.facts.order import AnimalFacts, CopyFacts, OrderFacts, Standing, has_range
from app.orders.facts.ranges import Decision, HouseHold, Position, decide, default_range
from app.shared.calendar import DAY, Calendar

QUIET_DAYS = 14


def decision(facts: OrderFacts, calendar: Calendar, now: int) -> Decision:
    """What is said of the range now, and whether the desk should tell the customer."""
    return decision_on(facts, calendar, calendar.day_of(now))


def decision_on(facts: OrderFacts, calendar: Calendar, today: date) -> Decision:
    """The same as read on a day: a letter may be read on another day than it is written on."""
    if not has_range(facts):
        return Decision(None)
    return decide(
        facts.computed,
        facts.told,
        steps_now=facts.steps_seen,
        later_since=facts.later_since,
        today=today,
        calendar=calendar,
        caused_at=facts.caused_at,
        held=house_hold(facts),
    )


def house_hold(facts: OrderFacts) -> HouseHold | None:
    """What the house itself holds: since its newest hold, ready as the last piece of it."""
    held = [
        standing
        for standing in at_a_bench(facts)
        if standing.hold_whose not in ("", "customer") and standing.held_at is not None
    ]
    if not held:
        return None
    ends = [
        standing.hold_look_on + timedelta(days=int(_quickest(standing.step)))
        for standing in held
        if standing.hold_look_on is not None
    ]
    soonest = max(ends) if len(ends) == len(held) else None
    return HouseHold(max(standing.held_at or 0 for standing in held), soonest)


def _quickest(step: Step) -> float:
    """The days from entering a step until a piece is packed, as one in ten is in the trade."""
    return default_range([Position(step, 0.0)], blank_on=False).low


def positions(facts: OrderFacts, now: int) -> list[Position]:
    """Where the open pieces stand, for what is left of their way."""
    found: list[Position] = []
    for animal in facts.alive:
        for copy in animal.copies:
            if copy.step in ENDS or copy.step is Step.HANDED_OVER:
                continue
            if copy.step is not Step.NOT_BEGUN:
                found.append(Position(copy.step, _days(copy.standing.since, now)))
                continue
            behind = _behind(animal, copy)
            if behind is None:
                # A model is being finished again: it stands at the beginning of finishing.
                found.append(Position(Step.FINISHING, _days(copy.standing.since, now)))
            else:
                found.append(Position(behind.step, _days(behind.since, now)))
        if not animal.copies and not animal.shared and animal.model.step not in ENDS:
            found.append(Position(animal.model.step, _days(animal.model.since, now)))
    return found


def _behind(animal: AnimalFacts, copy: CopyFacts) -> Standing | None:
    """The model furthest behind of those that a copy waits for; None where all are finished."""
    own = [copy.model or animal.model, *(one.model for one in copy.beside)]
    if copy.model is not None and copy.model.step in ENDS:
        own.append(animal.model)
    going = (model for model in own if model.step not in ENDS)
    return min(going, key=lambda model: PLACE[model.step], default=None)


def _days(since: int, now: int) -> float:
    return max(0.0, (now - since) / DAY)


def is_quiet(facts: OrderFacts, now: int) -> bool:
    """Whether the customer has had no news for 14 days while the turn is the studio's."""
    last = max(facts.last_news_at, facts.last_change_at)
    ours = any(_our_turn(standing) for standing in at_a_bench(facts))
    return facts.open and ours and now - last >= QUIET_DAYS * DAY


def at_a_bench(facts: OrderFacts) -> Iterator[Standing]:
    """Where the pieces stand that are under way; a copy not begun waits with its model."""
    for animal in facts.alive:
        if animal.model.step not in ENDS:
            yield animal.model
        waiting = [copy.model for copy in animal.made if copy.step is Step.NOT_BEGUN]
        yield from dict.fromkeys(one for one in waiting if one and one.step not in ENDS)
        for copy in animal.copies:
            if copy.step not in ENDS and copy.step is not Step.NOT_BEGUN:
                yield copy.standing


def _our_turn(standing: Standing) -> bool:
    waits_for = STEPS[standing.step].waits_for
    return not standing.held and waits_for not in (TimeClass.CUSTOMER, TimeClass.CARRIER)
