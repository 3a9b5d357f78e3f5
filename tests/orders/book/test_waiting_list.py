"""A limit of copies a week, and who waits for their turn: desk, page, letters, figures, audit."""

import re
from datetime import date, timedelta

import httpx
import pytest

from app.flow.steps import BENCHES, Step
from app.letters.forming import form_due
from app.main import staff_site
from app.orders.book import rules
from app.orders.facts.gather import facts_of
from app.studio.actions import save_settings
from app.studio.as_form import digest, flat
from app.upkeep.audit import audit
from tests.making import CAST, DAY, NOW, Wanted, make_order, rows, step_of
from tests.orders.entry.test_entry import TYPED, number_in
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import model_of, words

MONDAY = date(2026, 3, 2)


def weeks(*names: int) -> list[date]:
    return [MONDAY + timedelta(weeks=n) for n in names]


@pytest.mark.parametrize(
    ("sizes", "taken", "limit", "closed", "begins"),
    [
        ([], 0, 5, (), []),
        ([2, 3], 0, 5, (), [0, 0]),
        ([2, 3], 1, 5, (), [0, 1]),  # two fill it to three, three more would be six
        ([1], 5, 5, (), [1]),
        ([1], 7, 5, (), [1]),  # over the limit: the next week is whole all the same
        ([4, 4, 1], 0, 5, (), [0, 1, 1]),
        (
            [4, 2, 1],
            0,
            5,
            (),
            [0, 1, 1],
        ),  # one would still have room in the first: nobody overtakes
        ([9, 1], 0, 5, (), [0, 1]),  # larger than a week: a week of its own
        ([9], 1, 5, (), [1]),
        ([5, 5], 0, 5, (1, 2), [0, 3]),  # the house is shut for a fortnight
    ],
)
def test_in_which_week_orders_can_begin(
    sizes: list[int], taken: int, limit: int, closed: tuple[int, ...], begins: list[int]
) -> None:
    """By hand."""
    shut = set(weeks(*closed))
    found = rules.weeks(sizes, taken, limit, MONDAY, lambda week: week not in shut)
    assert found == weeks(*begins)


@pytest.fixture
def full(workshop: ClockedWorkshop) -> ClockedWorkshop:
    """Two copies a week, and both of this one are taken on. It is Wednesday 4 March."""
    steps = [str(step) for step in BENCHES]
    before = workshop.in_force().settings
    limited = before.model_copy(update={"intake_limit": 2})
    save_settings(workshop.database, limited, steps, digest(flat(before, steps)), CAST.owner, NOW)
    workshop.forget()
    make_order(workshop.database, CAST.desk, NOW - DAY, [Wanted("Otis", copies=2)])
    return workshop


@pytest.fixture
def owner(full: ClockedWorkshop) -> Browser:
    return Browser(staff_site(full)).as_(full, CAST.owner)


def ask(desk: Browser, **more: str) -> httpx.Response:
    return desk.post("/orders/new", TYPED | more)


def on_list(desk: Browser, **more: str) -> int:
    """Put an order on the list; gives its number."""
    answer = ask(desk, place="list", **more)
    assert answer.status_code == 303, words(answer)
    found = re.search(r"#order-(\d+)", answer.headers["location"])
    assert found is not None
    return int(found[1])


def letter_of(workshop: ClockedWorkshop, number: int, kind: str) -> str:
    """The subject and words of the newest letter of a kind, formed as soon as it may be."""
    workshop.moment += 3600
    form_due(workshop.database, workshop.in_force(), workshop.moment)
    found = rows(
        workshop.database,
        "SELECT l.subject, l.facts FROM letters l JOIN orders o ON o.id = l.order_id"
        " WHERE o.number = ? AND l.kind = ? ORDER BY l.id DESC LIMIT 1",
        number, kind,
    )  # fmt: skip
    assert found, f"no letter of the kind {kind}"
    return " ".join(map(str, found[0]))


def test_without_a_limit_nothing_is_said_of_one(desk: Browser) -> None:
    assert "This week is full" not in words(desk.get("/orders/new"))
    assert number_in(ask(desk)) == 1001
    assert "no limit" in words(desk.get("/book"))


def test_a_full_week_is_said_and_an_order_is_not_saved_by_itself(
    full: ClockedWorkshop, desk: Browser
) -> None:
    page = words(desk.get("/orders/new"))
    assert "This week is full. At most two copies are taken on in a week." in page
    assert "In the week of Mon 2 Mar it is 2 so far." in page
    assert "One copy can begin about the week of Mon 9 Mar." in page
    refused = ask(desk)
    assert refused.status_code == 422
    assert "Put on the waiting list" in words(refused)
    assert "Take it on over the limit" not in words(refused), "that is the owner's"
    assert rows(full.database, "SELECT count(*) FROM orders") == [(1,)]


def test_only_the_owner_goes_over_the_limit_and_says_why(
    full: ClockedWorkshop, desk: Browser, owner: Browser
) -> None:
    assert ask(desk, place="over", why="she asked nicely").status_code == 422
    without = ask(owner, place="over")
    assert without.status_code == 422
    assert "Say why" in words(without)
    number = number_in(ask(owner, place="over", why="for the shop window"))
    assert "for the shop window" in words(owner.get(f"/orders/{number}"))
    assert rows(full.database, "SELECT count(*) FROM waiting_list") == [(0,)]


def test_an_order_on_the_list_is_in_no_log_and_at_no_bench(
    full: ClockedWorkshop, desk: Browser
) -> None:
    before = rows(full.database, "SELECT count(*), max(id) FROM transitions")
    number = on_list(desk, a0c1_size="60")
    for table in ("transitions", "models", "copies", "animals", "forecasts"):
        [(many,)] = rows(full.database, f"SELECT count(*) FROM {table} WHERE 1=1")
        assert many == {"transitions": before[0][0], "models": 1, "copies": 2, "animals": 1}.get(
            table, many
        ), table
    assert "Juniper" not in words(desk.get("/"))
    assert str(number) not in words(desk.get("/orders"))
    assert str(number) not in words(desk.get("/orders?closed=1"))
    moved = desk.get(f"/orders/{number}")
    assert (moved.status_code, moved.headers["location"]) == (303, f"/book#order-{number}")
    listed = words(desk.get("/book"))
    assert f"{number} Maren Oduya, Juniper" in listed
    assert "Told about the week of Mon 9 Mar." in listed
    assert not audit(full.folder, full.moment).differences


def test_its_customer_reads_the_same_on_page_and_letter(
    full: ClockedWorkshop, desk: Browser
) -> None:
    number = on_list(desk, needed_by="2026-04-01")
    answers = words(desk.get(f"/orders/{number}/answers"))
    letter = letter_of(full, number, "on_the_list")
    for said in (
        "Your order is on our waiting list.",
        "the week of Monday 9 March",
        "You don’t need to send any photos yet.",
        "You asked for 1 April, and that may be too soon.",
        "There’s nothing you need to do right now.",
    ):
        assert said in answers, said
        assert said in letter, said
    assert "How to photograph" not in answers
    assert "Juniper: 120 mm" in letter, "what was ordered"
    assert "photos of Juniper" not in letter
    [(link,)] = rows(full.database, "SELECT count(*) FROM status_links")
    assert link == 1


def test_a_week_that_is_over_is_no_promise_any_more(full: ClockedWorkshop, desk: Browser) -> None:
    number = on_list(desk)
    full.moment = NOW + 12 * DAY  # Monday 16 March: the week of the 9th is over
    desk.as_(full, CAST.desk)
    assert "▲ Told the week of Mon 9 Mar, which is over." in words(desk.get("/book"))
    said = words(desk.get(f"/orders/{number}/answers"))
    assert "We said we’d begin about the week of Monday 9 March. It’s taking longer" in said
    assert "We expect to begin" not in said
    form = {"begins_on": "2026-03-25", "told": "2026-03-09"}
    assert desk.post(f"/book/{number}/week", form).status_code == 303
    assert "We expect to begin about the week of Monday 23 March" in words(
        desk.get(f"/orders/{number}/answers")
    )
    letter = letter_of(full, number, "on_the_list")
    assert "The week in which we expect to begin on your order has changed." in letter
    assert "the week of Monday 23 March" in letter
    assert desk.post(f"/book/{number}/week", form).status_code == 409, "told meanwhile"
    past = {"begins_on": "2026-03-03", "told": "2026-03-23"}
    refused = desk.post(f"/book/{number}/week", past)
    assert refused.status_code == 422
    assert 'value="2026-03-03"' in refused.text, "as typed"


def test_who_waits_is_taken_on_in_turn_and_the_wait_is_said_apart(
    full: ClockedWorkshop, desk: Browser
) -> None:
    first = on_list(desk, once="first", a0c1_size="60")
    second = on_list(desk, once="second", customer_id="2", a0_name="Fern")
    begins = "SELECT begins_on FROM waiting_list ORDER BY put_at, order_id"
    assert rows(full.database, begins) == [("2026-03-09",), ("2026-03-16",)]
    # Friday: the week is still full, whoever asks.
    form = TYPED | {"customer_id": "2", "once": "now"}
    assert desk.post("/orders/new", form | {"listed": str(first)}).status_code == 422
    full.moment = NOW + 6 * DAY  # Tuesday 10 March
    desk.as_(full, CAST.desk)
    early = form | {"listed": str(second), "a0_name": "Fern", "once": "early"}
    assert desk.post("/orders/new", early).status_code == 422, "the first of the list fills it"
    page = desk.get(f"/orders/new?listed={first}")
    assert 'value="Juniper"' in page.text
    assert "There is room this week" in words(page)
    taken = desk.post("/orders/new", form | {"listed": str(first), "a0c1_size": "60"})
    assert number_in(taken) == first, "under its number"
    assert step_of(full.database, model_of(first, "A", full)) is Step.PHOTOS_WANTED
    [(taken_at, open_)] = rows(
        full.database, "SELECT taken_at, open FROM orders WHERE number = ?", first
    )
    assert (taken_at, open_) == (full.moment, 1), "its lead time begins now"
    assert rows(full.database, "SELECT typed FROM waiting_list WHERE began_at IS NOT NULL") == [
        ("",)
    ]
    said = words(desk.get(f"/orders/{first}"))
    assert "On the waiting list before that, since 4 Mar, 10:00" in said
    assert "One order of the last 90 days had waited here first" in words(desk.get("/book"))
    letter = letter_of(full, first, "order_in")
    assert f"It’s your turn: we’ve taken on your order {first}, and can begin." in letter
    assert rows(full.database, "SELECT count(*) FROM status_links") == [(2,)], "with its own link"
    assert not audit(full.folder, full.moment).differences
    assert desk.get(f"/orders/new?listed={first}").status_code == 404


def test_what_waits_can_be_changed_on_the_list(full: ClockedWorkshop, desk: Browser) -> None:
    number = on_list(desk)
    changed = {"listed": str(number), "once": "b", "customer_id": "2", "a0_name": "Rosa"}
    assert on_list(desk, **changed) == number
    assert "Rosa" in words(desk.get("/book"))
    assert rows(full.database, "SELECT count(*) FROM waiting_list") == [(1,)]
    again = ask(desk, place="list", **changed)
    assert again.status_code == 303, "a second tap does nothing twice"


def test_struck_off_the_list_it_says_so_and_opens_no_more(
    full: ClockedWorkshop, desk: Browser
) -> None:
    number = on_list(desk)
    without = desk.post(f"/book/{number}/off", {"why": " "})
    assert without.status_code == 422
    assert desk.post(f"/book/{number}/off", {"why": "too late for her"}).status_code == 303
    assert "too late for her" in words(desk.get("/book"))
    said = words(desk.get(f"/orders/{number}/answers"))
    assert "no longer on our waiting list, and we won’t be making it" in said
    assert "too late for her" not in letter_of(full, number, "off_the_list")
    assert not rows(full.database, "SELECT 1 FROM letters WHERE kind = 'on_the_list'"), (
        "what it said first is overtaken"
    )
    assert desk.post(f"/book/{number}/off", {"why": "again"}).status_code == 404
    assert not audit(full.folder, full.moment).differences


def test_an_order_under_way_and_one_of_the_bench_do_not_wait(
    full: ClockedWorkshop, desk: Browser
) -> None:
    under_way = {"under_way": "1", "a0_step": "building", "a0_since": "2026-02-20"}
    refused = ask(desk, place="list", **under_way)
    assert refused.status_code == 422
    assert number_in(ask(desk, once="c", **under_way)) > 0, "it counts for no week"
    painter = Browser(staff_site(full)).as_(full, CAST.painter)
    assert painter.get("/book").status_code == 403


def test_nothing_of_a_waiting_order_is_asked_and_no_days_are_named(
    full: ClockedWorkshop, desk: Browser
) -> None:
    number = on_list(desk, a0c0_inscription="Juniper")
    [(order_id,)] = rows(full.database, "SELECT id FROM orders WHERE number = ?", number)
    with full.database.reading() as db:
        facts = facts_of(db, order_id, full.in_force(), full.now())
    assert facts.waits is not None
    assert (facts.open, facts.shown, facts.computed) == (False, None, None)
    assert [animal.name for animal in facts.animals] == ["Juniper"]


def test_the_owner_reads_of_the_book_on_today(
    full: ClockedWorkshop, desk: Browser, owner: Browser
) -> None:
    assert "Two copies taken on this week, and 2 at most." in words(owner.get("/owner"))
    on_list(desk)
    assert "One order waits to be taken on." in words(owner.get("/owner"))
    full.moment = NOW + 12 * DAY  # the week that was told is over, and there is room
    owner.as_(full, CAST.owner)
    said = words(owner.get("/owner"))
    assert "1 of them can begin this week" in said
    assert "▲ 1 past the week they were told" in said
