"""The invented studio's house: its people, settings, closures, machines."""

import json
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import takewhile
from math import ceil

from app.demo.floor import DemoFloor, Worker
from app.demo.hours import WorkingHours, lay_out
from app.demo.ledger import Ledger, Row
from app.demo.machines import Builder
from app.demo.words import DemoWords
from app.flow.steps import Step
from app.shared.calendar import DAY, Calendar, whole_days
from app.shared.people import Role
from app.shared.text import fold
from app.studio.rules import StudioSettings
from app.studio.store import public_holidays

_BENCH_SKILLS = (
    (Step.ASSESSING, Step.FINISHING, Step.SHAPING),
    (Step.SHAPING, Step.FINISHING, Step.PAINTING),
    (Step.PAINTING, Step.SHAPING),
)
# Somebody is taken on so long before the end, where the history began long before that.
_HIRED_BACK, _LONG_ENOUGH = 119 * DAY, 300 * DAY


@dataclass(frozen=True, slots=True)
class Size:
    """How large a studio is needed for so many orders a month."""

    bench: int
    desks: int
    builders: int
    blanks: int


def size_for(per_month: int) -> Size:
    """People and machines in proportion to the orders, with some room for the autumn."""
    return Size(
        bench=max(3, round(per_month / 14)),
        desks=max(1, round(per_month / 80)),
        builders=max(2, ceil(per_month / 17)),
        blanks=max(1, round(per_month / 50)),
    )


def settings_of(words: DemoWords, size: Size) -> StudioSettings:
    """What the studio has set."""
    says = words.studio
    return StudioSettings(
        name=says["name"], contact_mail=says["contact_mail"], contact_phone=says["contact_phone"],
        zone=says["zone"], country=says["country"], region=says["region"],
        first_number=1001, starts_when="part",
        return_address=says["return_address"],
        capacity={
            "building": size.builders, "blank": 8 * size.blanks, "finishing": 2,
            "shaping": size.bench, "painting": size.bench, "inspection": 2, "packing": 2,
        },
    )  # fmt: skip


def closures(words: DemoWords, first: date, today: date) -> list[Row]:
    """The turn of each year, and a few days ahead of today."""
    says = words.studio["closure_reasons"]
    found = [
        (date(year, 12, 24), date(year + 1, 1, 1), says["winter"])
        for year in range(first.year - 1, today.year + 1)
    ]
    ahead = today + timedelta(days=17 + (7 - today.weekday()) % 7)
    found.append((ahead, ahead + timedelta(days=1), says["ahead"]))
    return [
        {"first_day": a.isoformat(), "last_day": b.isoformat(), "reason": why}
        for a, b, why in found
    ]


def calendar_of(settings: StudioSettings, shut: list[Row], first: date, today: date) -> Calendar:
    """The studio's working calendar over the whole history and a year ahead."""
    years = range(first.year - 1, today.year + 3)
    closed = public_holidays(settings.country, settings.region, years)
    closed |= whole_days((row["first_day"], row["last_day"]) for row in shut)
    return Calendar(settings.zone_info(), settings.weekly(), closed)


def hire(ledger: Ledger, words: DemoWords, size: Size, at: int) -> list[Row]:
    """The accounts: an owner, desks, bench. None has a password that could be used."""
    roles = [Role.OWNER, *[Role.DESK] * size.desks, *[Role.BENCH] * size.bench]
    return [
        ledger.note("accounts", name=name, name_key=fold(name), role=str(role), made_at=at)
        for name, role in zip(words.people["staff"], roles, strict=False)
    ]


def hired_at(floor: DemoFloor) -> int | None:
    """When somebody is taken on who inspects; None in a history too short to show a change."""
    if floor.now - floor.start < _LONG_ENOUGH:
        return None
    return floor.open_hours.next_open(floor.now - _HIRED_BACK)


def take_on(floor: DemoFloor, size: Size, at: int, last: date) -> None:
    """Somebody new at the narrowest step: until then the owner alone inspects, by afternoon."""
    name = floor.words.people["staff"][1 + size.desks + size.bench]
    account = floor.ledger.note(
        "accounts", name=name, name_key=fold(name), role=str(Role.BENCH), made_at=at
    )
    hours = lay_out(floor.calendar, floor.calendar.day_of(at), last)
    new = Worker(account["id"], (Step.INSPECTION,), hours)
    floor.later(at, lambda: floor.joins(new))


def write_down(
    ledger: Ledger, words: DemoWords, settings: StudioSettings, shut: list[Row], at: int
) -> None:
    """Settings, closures, carriers and the studio's own words for its steps."""
    for name, value in settings.model_dump(mode="json", exclude_unset=True).items():
        row = {"name": name, "value": json.dumps(value), "changed_at": at, "changed_by_id": 1}
        ledger.rows["settings"].append(row)
    for closure in shut:
        ledger.note("closures", **closure)
    for place, carrier in enumerate(words.studio["carriers"], 1):
        ledger.note("carriers", **carrier, place=place)
    for step, (done_when, watch_out) in words.studio["step_texts"].items():
        text = {"step": step, "done_when": done_when, "watch_out": watch_out}
        ledger.rows["step_texts"].append(text)


def put_to_work(floor: DemoFloor, accounts: list[Row], first: date, last: date) -> None:
    """Give the floor its workers: bench all day, the desks for packing, the owner by afternoon."""
    calendar = floor.calendar
    bench = [a["id"] for a in accounts if a["role"] == "bench"]
    desks = [a["id"] for a in accounts if a["role"] == "desk"]
    owner = accounts[0]["id"]
    workers = [
        Worker(
            account, _skills(place),
            lay_out(calendar, first, last, _away(floor, place, account, first, last)),
        )
        for place, account in enumerate(bench)
    ]  # fmt: skip
    workers += [Worker(account, (Step.PACKING,), floor.open_hours) for account in desks]
    afternoons: WorkingHours = lay_out(
        calendar, first, last, from_hour=lambda a, b: (a + (b - a) * 5 // 8, b)
    )
    workers.append(Worker(owner, (Step.INSPECTION, Step.ASSESSING, Step.PAINTING), afternoons))
    floor.workers, floor.owner, floor.desk = workers, owner, desks[0]


def _skills(place: int) -> tuple[Step, ...]:
    """What somebody at the bench does. In a large studio some inspect besides the owner."""
    own = _BENCH_SKILLS[place % len(_BENCH_SKILLS)]
    inspects = place >= len(_BENCH_SKILLS) and place % len(_BENCH_SKILLS) == 0
    return (Step.INSPECTION, *own) if inspects else own


def _away(floor: DemoFloor, place: int, account: int, first: date, last: date) -> frozenset[date]:
    """Two weeks in summer, a few odd days; the first painter was away for three weeks besides.

    Leave is noted four weeks ahead, the painter's weeks as they begin, odd days nowhere.
    """
    days: set[date] = set()
    for year in range(first.year, last.year + 1):
        leave = date(year, 7, 1) + timedelta(days=14 * (place % 4))
        days |= _noted(floor, account, leave, 12, ahead=28)
        for _ in range(4):
            days.add(date(year, 1, 1) + timedelta(days=floor.rng.randrange(365)))
    if place == 2:
        for back in range(130, (last - first).days + 1, 365):
            start = floor.calendar.day_of(floor.now) - timedelta(days=back)
            days |= _noted(floor, account, start, 19)
    return frozenset(days)


def _noted(
    floor: DemoFloor, account: int, start: date, length: int, ahead: int = 0
) -> set[date]:  # fmt: skip
    """The days of an absence, and its row where it is of this history and known by now; up to the
    first day that was noted already."""
    span = [start + timedelta(days=n) for n in range(length)]
    opens = floor.open_hours.next_open(floor.calendar.start_of(start - timedelta(days=ahead)))
    at = max(floor.start, opens)
    before = [
        row for row in floor.ledger.rows["absences"]
        if row["account_id"] == account and row["last_day"] >= start.isoformat()
    ]  # fmt: skip
    new = list(takewhile(lambda day: all(day.isoformat() < r["first_day"] for r in before), span))
    if new and at <= floor.now and floor.calendar.start_of(new[-1]) >= floor.start:
        floor.ledger.note(
            "absences", account_id=account, first_day=start.isoformat(),
            last_day=new[-1].isoformat(), made_at=at, made_by_id=1,
        )  # fmt: skip
    return set(span)


def builders_of(floor: DemoFloor, words: DemoWords, size: Size) -> list[Builder]:
    """The machines by name; the first one stood still for six days, once a year."""
    found = [Builder(name) for name in words.studio["builders"][: size.builders]]
    found[0].broken = breakdowns(floor, 165, 6)
    return found


def breakdowns(floor: DemoFloor, days_back: int, days: int) -> list[tuple[int, int]]:
    """When a machine stood still: so many days ago, and each year before that."""
    found = []
    at = floor.now - days_back * DAY
    while at > floor.start:
        found.append((at, at + days * DAY))
        at -= 365 * DAY
    return found
