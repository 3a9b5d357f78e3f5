"""When letters go, by hours worked out by hand."""

from datetime import date, datetime, time
from zoneinfo import ZoneInfo

import pytest

from app.flow.steps import Step
from app.letters import rules
from app.letters.letter import Part
from app.letters.rules import GRACE, Gone, Pending, Posting
from app.orders.facts.cases import CaseFacts
from app.orders.facts.order import AnimalFacts, OrderFacts, ParcelFacts
from app.shared.calendar import Calendar
from tests.status import rows

ZONE = ZoneInfo("Europe/London")
LOST = CaseFacts(7, "lost", "carrier", ("A",), rows.NOW, parcel_id=1)
GOOD_FRIDAY, EASTER_MONDAY = date(2026, 4, 3), date(2026, 4, 6)
CALENDAR = Calendar(ZONE, closed=frozenset({GOOD_FRIDAY, EASTER_MONDAY}))
POSTING = Posting(CALENDAR, 10, 17)


def at(day: date, hour: int, minute: int = 0) -> int:
    return int(datetime.combine(day, time(hour, minute), ZONE).timestamp())


def day(number: int, month: int = 3) -> date:
    return date(2026, month, number)


@pytest.mark.parametrize(
    ("asked", "goes"),
    [
        (at(day(4), 9), at(day(4), 10)),
        (at(day(4), 12, 30), at(day(4), 12, 30)),
        (at(day(4), 16, 59), at(day(4), 16, 59)),
        (at(day(4), 17), at(day(5), 10)),
        (at(day(6), 18), at(day(9), 10)),  # Friday evening, Monday
        (at(date(2026, 4, 2), 17, 1), at(date(2026, 4, 7), 10)),  # over Easter
        (at(day(28), 12), at(day(30), 10)),  # over the clock change
    ],
)
def test_a_letter_goes_in_the_next_window(asked: int, goes: int) -> None:
    assert POSTING.next(asked) == goes
    assert POSTING.is_open(goes)


def test_a_window_to_midnight_and_a_house_without_hours_still_post() -> None:
    late = Posting(CALENDAR, 20, 24)
    assert late.next(at(day(4), 23, 59)) == at(day(4), 23, 59)
    assert late.next(at(day(5), 0)) == at(day(5), 20)
    never = Posting(Calendar(ZONE, {}), 10, 17)
    assert never.next(at(day(7), 12)) == at(day(7), 12)


def animal(
    letter: str,
    *,
    wanted: bool = False,
    counted: bool = False,
    passed: bool = False,
    begun: bool = False,
    left: bool = False,
    attempts: int = 0,
) -> AnimalFacts:
    """An animal whose photos are on their way, unless something else is said."""
    at = Step.PHOTOS_IN if counted else Step.PHOTOS_WANTED
    step = Step.READY if passed or begun or left else at
    copies = (rows.copy(Step.HANDED_OVER if left else Step.SHAPING, letter=letter),)
    return rows.animal(
        step,
        letter=letter,
        name=f"Animal {letter}",
        told_at=None if wanted else rows.NOW,
        attempts=attempts,
        copies=copies if begun or left else (),
    )


# A copy that was made again, and has left since.
MADE_AGAIN = rows.animal(
    Step.READY, copies=(rows.copy(Step.HANDED_OVER, remade_by=9, parcel_id=1),)
)


def facts(*animals: AnimalFacts, **more: object) -> OrderFacts:
    return rows.order(*animals, **more)


def pending(kind: str, letter: str, when: int, number: int = 1, round_: int = 0) -> Pending:
    return Pending(number, kind, letter, round_, when)


def known(*news: Pending) -> frozenset[tuple[str, str]]:
    return frozenset((one.kind, one.letter) for one in news)


def goes(news: list[Pending], about: OrderFacts, gone: Gone, now: int) -> bool:
    return bool(rules.plan(news, about, gone, POSTING, now).parts)


def test_nothing_goes_in_the_first_quarter_of_an_hour() -> None:
    news = [pending("order_in", "", at(day(4), 11))]
    about = facts(animal("A", wanted=True))
    assert not goes(news, about, Gone(), at(day(4), 11) + GRACE - 1)
    assert goes(news, about, Gone(), at(day(4), 11) + GRACE)


@pytest.mark.parametrize("kind", sorted(rules.PER_ANIMAL))
def test_every_kind_that_is_told_of_each_animal_has_a_rule_for_when_it_is_overtaken(
    kind: str,
) -> None:
    about = facts(animal("A", passed=True, begun=True, counted=True, left=True))
    rules.plan([pending(kind, "A", at(day(4), 11))], about, Gone(), POSTING, at(day(5), 12))


def test_a_kind_without_such_a_rule_is_not_dropped_in_silence(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(rules, "KINDS", (*rules.KINDS, "varnished"))
    monkeypatch.setattr(rules, "PER_ANIMAL", rules.PER_ANIMAL | {"varnished"})
    news = [pending("varnished", "A", at(day(4), 11))]
    with pytest.raises(ValueError, match="varnished"):
        rules.plan(news, facts(animal("A")), Gone(), POSTING, at(day(5), 12))


def test_of_one_animal_nothing_waits() -> None:
    news = [pending("photos_passed", "A", at(day(4), 11))]
    assert goes(news, facts(animal("A", passed=True)), Gone(known=known(*news)), at(day(4), 11, 15))


def test_of_two_the_first_waits_three_working_days_for_the_other() -> None:
    noted = at(date(2026, 4, 2), 11)  # Thursday before Easter
    news = [pending("photos_passed", "A", noted)]
    about = facts(animal("A", passed=True), animal("B"))
    gone = Gone(known=known(*news))
    assert not goes(news, about, gone, at(date(2026, 4, 8), 16, 59))
    assert goes(news, about, gone, at(date(2026, 4, 9), 10))


def test_with_the_other_it_goes_at_once() -> None:
    first, second = at(day(4), 11), at(day(5), 15)
    news = [pending("photos_passed", "A", first), pending("photos_passed", "B", second, 2)]
    about = facts(animal("A", passed=True), animal("B", passed=True))
    gone = Gone(known=known(*news))
    assert not goes(news, about, gone, second + GRACE - 1)
    plan = rules.plan(news, about, gone, POSTING, second + GRACE)
    assert plan.parts == (Part("photos_passed", ("A", "B")),)
    assert plan.news == (1, 2)


def test_what_asks_takes_the_rest_along() -> None:
    now = at(day(4), 12)
    news = [
        pending("photos_passed", "A", now - GRACE),
        pending("more_views", "B", now - GRACE, 2, round_=1),
    ]
    about = facts(animal("A", passed=True), animal("B", wanted=True, attempts=1), animal("C"))
    plan = rules.plan(news, about, Gone(known=known(*news)), POSTING, now)
    assert [(part.kind, part.cause) for part in plan.parts] == [
        ("more_views", True), ("photos_passed", False),
    ]  # fmt: skip


def test_no_kind_goes_a_third_time_by_itself() -> None:
    news = [pending("photos_passed", "C", at(day(4), 11))]
    about = facts(animal("A", passed=True), animal("B", passed=True), animal("C", passed=True))
    gone = Gone({"photos_passed": 2}, 4, known(*news))
    assert not goes(news, about, gone, at(day(30), 12))
    with_call = [*news, pending("making_begun", "A", at(day(30), 11), 2)]
    begun = facts(animal("A", passed=True, begun=True), *about.animals[1:])
    later = Gone(
        {"photos_passed": 2}, 4, known(*with_call) | {("making_begun", "B"), ("making_begun", "C")}
    )
    plan = rules.plan(with_call, begun, later, POSTING, at(day(30), 12))
    assert {part.kind for part in plan.parts} == {"photos_passed", "making_begun"}


@pytest.mark.parametrize(
    ("kind", "round_", "about"),
    [
        ("photos_counted", 0, facts(animal("A", passed=True))),
        ("more_views", 1, facts(animal("A", counted=True, attempts=1))),
        ("more_views", 1, facts(animal("A", wanted=True, attempts=2))),
        ("photo_reminder", 1, facts(animal("A", counted=True))),
        ("photo_reminder", 11, facts(animal("A", wanted=True, attempts=2))),
        ("making_begun", 0, facts(animal("A", begun=True, left=True))),
        ("photos_passed", 0, facts(animal("A", wanted=True, attempts=1))),
        ("photos_passed", 0, facts(animal("B", passed=True))),
        ("last_call", 0, facts(animal("A", passed=True))),
        ("handed_over", 3, facts(animal("A", left=True))),
        ("handed_over", 1, facts(animal("A", left=True), parcels=(rows.PARCEL,), cases=(LOST,))),
        ("running_later", 1, facts(animal("A", left=True), shown=rows.RANGE)),
        ("question", 7, facts(animal("A"))),
        ("approval_reminder", 71, facts(animal("A"))),
        ("order_in", 0, facts()),
        ("order_changed", 7, facts(animal("A"))),
        ("cancelled", 9, facts(animal("A", begun=True))),
        ("on_hold", 9, facts(rows.animal(Step.PHOTOS_IN, hold_whose="studio", act=8))),
        ("made_again", 9, facts(MADE_AGAIN, parcels=(rows.PARCEL,))),
        ("received", 3, facts(animal("A", left=True), parcels=(ParcelFacts(3, "carrier", "Post", "", rows.NOW),))),
    ],
)  # fmt: skip
def test_what_is_overtaken_is_settled_without_a_letter(
    kind: str, round_: int, about: OrderFacts
) -> None:
    letter = "A" if kind in rules.PER_ANIMAL else ""
    news = [pending(kind, letter, at(day(4), 11), round_=round_)]
    plan = rules.plan(news, about, Gone(), POSTING, at(day(4), 12))
    assert plan.moot == (1,)
    assert not plan.parts


@pytest.mark.parametrize(
    ("kind", "about"),
    [
        ("cancelled", facts(rows.animal(Step.CANCELLED, act=9))),
        ("cancelled", facts(animal("A", begun=True), rows.animal(Step.CANCELLED, letter="B", act=9))),
        ("on_hold", facts(rows.animal(Step.PHOTOS_IN, hold_whose="studio", act=9))),
        ("made_again", facts(rows.animal(Step.READY, copies=(rows.copy(Step.PACKING, remade_by=9),)))),
    ],
)  # fmt: skip
def test_what_a_person_tells_of_an_act_goes_while_the_act_stands(
    kind: str, about: OrderFacts
) -> None:
    news = [Pending(1, kind, "", 9, at(day(4), 11), line="The glaze has cracked.")]
    plan = rules.plan(news, about, Gone(), POSTING, at(day(4), 12))
    assert plan.parts == (Part(kind, round=9, line="The glaze has cracked."),)


def test_reminders_come_after_3_7_and_14_days_on_working_days() -> None:
    thursday = day(5)
    assert rules.reminder_days(thursday, CALENDAR) == [day(9), day(12), day(19)]
    # Asked a week before Easter: the third day is a Sunday, the seventh Good Friday.
    assert rules.reminder_days(date(2026, 3, 27), CALENDAR) == [
        day(30), date(2026, 4, 7), date(2026, 4, 10),
    ]  # fmt: skip


def test_a_reminder_is_noted_a_working_day_ahead_and_never_made_up_for() -> None:
    asked = day(5)
    noted = {n: rules.reminder_to_note(asked, day(n), CALENDAR) for n in range(5, 31)}
    assert {n: found[0] for n, found in noted.items() if found} == {
        6: 1, 7: 1, 8: 1, 9: 1, 11: 2, 12: 2, 18: 3, 19: 3,
    }  # fmt: skip


def test_tries_reach_over_four_to_five_days_and_never_come_at_once() -> None:
    total = sum(rules.wait_after(n, 0.5) for n in range(1, rules.MOST_TRIES))
    assert 4 * 86_400 < total < 5 * 86_400
    assert min(rules.wait_after(n, 0.0) for n in range(1, 40)) >= 240
    assert max(rules.wait_after(n, 1.0) for n in range(1, 40)) <= 7.2 * 3600
