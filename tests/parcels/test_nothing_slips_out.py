"""No way out of the house for a piece with an open reason against it and no reason recorded.

Hypothesis packs, seals, changes orders and hands over, by each of the ways there are, in any order;
after every step the log is read beside the program: what left had nothing against it when it left,
or the entry carries a reason.
"""

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import update

from app.flow import amendments
from app.flow.steps import Step
from app.moving.parcels import around, rows_of, stops
from app.orders.order.asking import QuestionFields, ask
from app.parcels import actions, packing
from app.parcels.actions import ParcelFields
from app.parcels.packing import MeasureFields, SealFields, Sealing
from app.shared.errors import Refused
from app.shared.people import Person, Role
from app.shared.places import DataFolder
from app.tables import copies, orders
from tests.making import CAST, DAY, HOUR, NOW, MadeOrder, Wanted, make_order, rows
from tests.staff.browser import ClockedWorkshop
from tests.whole_site import free_to_leave

TWO = [Wanted(step=Step.READY, copies=2, copy_step=Step.PACKING)]
PEOPLE = st.sampled_from([CAST.owner, CAST.desk, CAST.painter])
REASONS = st.sampled_from(["", "", "  ", "the customer is at the door"])
PIECES, PARCELS = st.integers(0, 3), st.integers(1, 4)
ACTS = st.one_of(
    st.tuples(st.just("begin"), st.lists(PIECES, min_size=1, max_size=3), REASONS),
    st.tuples(st.just("put"), PARCELS, PIECES, REASONS),
    st.tuples(st.just("out"), PARCELS, PIECES),
    st.tuples(st.sampled_from(["seal", "open", "drop"]), PARCELS),
    st.tuples(st.just("send"), PARCELS, REASONS),
    st.tuples(st.just("at once"), st.lists(PIECES, min_size=1, max_size=3), REASONS),
    st.tuples(st.just("against"), PIECES, st.sampled_from(
        ["unpaid", "spelling", "address", "curing", "question", "free", "free", "moved house"])),
    st.tuples(st.sampled_from(["undo", "later"])),
)  # fmt: skip


@dataclass
class House:
    """Two orders of one customer at one address, and what was seen of what stood against each."""

    workshop: ClockedWorkshop
    made: tuple[MadeOrder, MadeOrder]
    ids: tuple[int, ...]

    def against(self) -> dict[int, list[frozenset[Role]]]:
        """What stands against each piece now, as who may pass over it."""
        with self.workshop.database.reading() as db:
            found = rows_of(db, self.ids)
            beside = around(db, {row["order_id"] for row in found})
            now = self.workshop.now()
            return {row["id"]: [s.override for s in stops(row, beside, now)] for row in found}

    def left(self) -> dict[int, tuple[str, int]]:
        """The entry by which each piece last left: its reason, and by whom."""
        query = (
            "SELECT t.copy_id, t.reason, t.account_id FROM transitions t JOIN copies c ON"
            " c.id = t.copy_id AND c.step = 'handed_over' WHERE t.move = 'handed_over' ORDER BY t.id"
        )
        return {int(str(i)): (str(why), int(str(by))) for i, why, by in
                rows(self.workshop.database, query)}  # fmt: skip


@pytest.fixture(scope="module")
def build(template: Path, tmp_path_factory: pytest.TempPathFactory) -> Callable[[], House]:
    """Makes a house anew each time, with four pieces that are free to leave."""

    def made_anew() -> House:
        folder = DataFolder(tmp_path_factory.mktemp("house"))
        folder.prepare()
        shutil.copyfile(template, folder.database_file)
        workshop = ClockedWorkshop(folder)
        made = (
            make_order(workshop.database, CAST.desk, NOW - DAY, TWO),
            make_order(workshop.database, CAST.desk, NOW - DAY, TWO),
        )
        for one in made:
            free_to_leave(workshop, one)
        with workshop.database.writing() as db:
            db.execute(update(orders).values(customer_id=made[0].customer_id, ship_part=1))
        return House(workshop, made, tuple(m.copy(c).id for m in made for c in ("A1", "A2")))

    return made_anew


def do(house: House, act: tuple, who: Person) -> None:
    """One act. Raises Refused where the house says no."""
    shop, ids = house.workshop, house.ids
    match act:
        case ("begin", pieces, why):
            packing.begin(shop, [ids[n] for n in dict.fromkeys(pieces)], why, who)
        case ("put", parcel, n, why):
            code = f"{house.made[n // 2].number}-A{n % 2 + 1}"
            packing.put_in(shop, parcel, code, why, who)
        case ("out", parcel, n):
            packing.take_out(shop, parcel, ids[n], who)
        case ("seal", parcel):
            pieces = {id_: MeasureFields(mounted=True) for id_ in ids}
            packing.seal(shop, parcel, Sealing(SealFields(), pieces), who)
        case ("open", parcel):
            packing.open_again(shop, parcel)
        case ("drop", parcel):
            packing.not_needed(shop, parcel)
        case ("send", parcel, why):
            typed = ParcelFields(carrier="Parcel Goose", reason=why)
            actions.hand_over_sealed(shop, parcel, typed, None, who)
        case ("at once", pieces, why):
            typed = ParcelFields(way="collected", reason=why)
            actions.hand_over(shop, [ids[n] for n in dict.fromkeys(pieces)], typed, None, who)
        case ("against", n, what):
            stand_against(house, n, what)
        case ("undo",):
            last = rows(shop.database, "SELECT max(act) FROM transitions")
            amendments.undo(shop.database, int(str(last[0][0])), who, shop.now())
        case ("later",):
            shop.moment += HOUR


def stand_against(house: House, n: int, what: str) -> None:
    """Something comes to stand against a piece, or nothing does any more."""
    order, copy = house.made[n // 2], house.ids[n]
    if what == "question":
        typed = QuestionFields(asked=f"Which {house.workshop.now()}?", about="order")
        ask(house.workshop, order.id, typed, CAST.desk, "")
        return
    of_order = {
        "unpaid": {"paid": "part"}, "address": {"address_confirmed_at": None},
        "moved house": {"ship_lines": "9 Mill Yard"},
        "free": {"paid": "all", "address_confirmed_at": NOW},
    }.get(what, {})  # fmt: skip
    of_copy = {
        "spelling": {"inscription": "Otis", "spelling_confirmed_at": None},
        "curing": {"rests_until": house.workshop.now() + 2 * HOUR},
        "free": {"inscription": "", "rests_until": None},
    }.get(what, {})
    with house.workshop.database.writing() as db:
        if of_order:
            db.execute(update(orders).where(orders.c.id == order.id).values(**of_order))
        if of_copy:
            db.execute(update(copies).where(copies.c.id == copy).values(**of_copy))


@settings(max_examples=20, deadline=None, derandomize=True)
@given(acts=st.lists(st.tuples(ACTS, PEOPLE), min_size=5, max_size=15))
def test_no_piece_leaves_with_an_open_reason_and_no_reason_given(
    build: Callable[[], House], acts: list
) -> None:
    house = build()
    for act, who in acts:
        one_act(house, act, who)
    house.workshop.close()


def one_act(house: House, act: tuple, who: Person) -> None:
    """An act, and what holds after it, whatever it was."""
    house.workshop.moment += 30
    against, before = house.against(), house.left()
    try:
        do(house, act, who)
    except Refused:
        assert house.left() == before, "a refusal moves nothing"
    left = house.left()
    for id_ in set(left) - set(before):
        why, by = left[id_]
        assert not against[id_] or why.strip(), (act, id_)
        assert all(who.role in override for override in against[id_])
        assert by == who.account_id
    lies = rows(
        house.workshop.database,
        "SELECT p.copy_id FROM packed_pieces p JOIN parcels x ON x.id = p.parcel_id JOIN copies"
        " c ON c.id = p.copy_id WHERE p.out_at IS NULL AND x.sent_at IS NULL AND"
        " x.taken_back_at IS NULL AND c.step = 'packing'",
    )
    assert len(lies) == len(set(lies)), "no piece lies in two parcels"
    gone = "SELECT count(*) FROM copies WHERE (step = 'handed_over') <> (parcel_id IS NOT NULL)"
    assert rows(house.workshop.database, gone) == [(0,)]


def test_the_acts_of_this_test_do_send_pieces_both_ways(build: Callable[[], House]) -> None:
    """What is tried at random is possible at all: with and without a reason."""
    house = build()
    do(house, ("begin", [0, 2], ""), CAST.painter)
    do(house, ("seal", 1), CAST.painter)
    do(house, ("send", 1, ""), CAST.painter)
    do(house, ("against", 1, "unpaid"), CAST.desk)
    with pytest.raises(Refused):
        do(house, ("at once", [1], ""), CAST.desk)
    do(house, ("at once", [1], "paid by hand"), CAST.desk)
    assert {why for why, _ in house.left().values()} == {"", "paid by hand"}
    house.workshop.close()
