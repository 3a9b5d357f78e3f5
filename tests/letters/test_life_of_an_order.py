"""All letters of one order from its first day to its last."""

import json
import random

import pytest
from sqlalchemy import insert, update

from app.letters.rules import ASKS, MOST_LETTERS
from app.tables import copies, parcels
from tests.letters.studio import (
    LetterShop,
    change_order,
    files,
    kinds,
    letters,
    ordered,
    read,
    text_of,
)
from tests.making import CAST, DAY, HOUR, MadeOrder, Wanted, move, rows

ANIMALS = [Wanted("Juniper", 3), Wanted("Otis", 3, sex="male"), Wanted("Fern", 3, kind="goat")]
PHOTOS = (("photos_counted", 80), ("build_started", None), ("build_finished", None), ("good", None))
MAKING = ("blank_done", "shaped", "painted", "passed")


def lived(shop: LetterShop, order: MadeOrder, apart: list[int], *, together: bool = True) -> None:
    """Walk an order's animals to the end, each some days behind; letters go meanwhile."""
    todo: list[tuple[int, str, str, int | None]] = []
    start = shop.moment
    for letter, days in zip("ABC", apart, strict=False):
        if letter not in order.pieces:
            continue
        at = start + days * DAY + 2 * HOUR
        for key, amount in PHOTOS:
            todo.append((at, letter, key, amount))
            at += 26 * HOUR
        todo.append((at + 4 * DAY, letter, "model_finished", None))
        begun = at + 4 * DAY
        for number in (1, 2, 3):
            if f"{letter}{number}" in order.pieces:
                for n, key in enumerate(MAKING, start=1):
                    todo.append((begun + (n * 4 + number) * DAY, letter + str(number), key, None))
    for at, code, key, amount in sorted(todo):
        shop.day_by_day(at)
        piece = order.pieces[code]
        move(shop.house, piece, CAST.painter, shop.moment, key, amount=amount, reason="as usual")
        if key == "good":
            day = shop.studio().calendar.add_working_days(
                shop.studio().calendar.day_of(shop.moment), 5
            )
            change_order(shop, order, copy_deadline=day.isoformat())
    leave(shop, order, together=together)


def leave(shop: LetterShop, order: MadeOrder, *, together: bool) -> None:
    """Hand everything over in one parcel, or in one for each animal; then it arrives."""
    codes = [code for code in order.pieces if len(code) > 1]
    loads = [codes] if together else [[c for c in codes if c[0] == letter] for letter in "ABC"]
    for number, load in enumerate(filter(None, loads), start=1):
        parcel = hand_over(shop, order, load, number)
        shop.day_by_day(shop.moment + 4 * DAY)
        for code in load:
            move(shop.house, order.pieces[code], CAST.desk, shop.moment, "received", amount=parcel)
        shop.day_by_day(shop.moment + 5 * DAY)


def hand_over(shop: LetterShop, order: MadeOrder, load: list[str], number: int) -> int:
    with shop.house.writing() as db:
        made = db.execute(
            insert(parcels).values(
                carrier="Post", number=f"RR{number}", number_key=f"RR{number}", sent_at=shop.moment
            )
        ).inserted_primary_key
        assert made is not None
        ids = [order.pieces[code].id for code in load]
        db.execute(update(copies).where(copies.c.id.in_(ids)).values(parcel_id=int(made[0])))
    for code in load:
        move(
            shop.house,
            order.pieces[code],
            CAST.desk,
            shop.moment,
            "handed_over",
            amount=int(made[0]),
        )
    return int(made[0])


def told(shop: LetterShop) -> list[str]:
    """The letters besides reminders and questions: those that went because of something else."""
    found = rows(shop.house, "SELECT parts FROM letters WHERE state <> 'dropped' ORDER BY id")
    whole = [json.loads(str(raw)) for (raw,) in found]
    return [
        " ".join(part["kind"] for part in parts)
        for parts in whole
        if any(part["cause"] and part["kind"] not in ASKS for part in parts)
    ]


def test_nine_pieces_of_three_animals_on_different_days_make_at_most_eight_letters(
    shop: LetterShop,
) -> None:
    order = ordered(shop, ANIMALS)
    lived(shop, order, [2, 6, 13])
    assert len(told(shop)) <= MOST_LETTERS, told(shop)
    everything = " ".join(kinds(shop)).split()
    for kind in (
        "order_in",
        "photos_counted",
        "photos_passed",
        "last_call",
        "making_begun",
        "handed_over",
        "received",
    ):
        assert kind in everything, (kind, kinds(shop))
    assert all(row[1] == "sent" for row in letters(shop))
    words = [text_of(read(file)) for file in files(shop)]
    passed = " ".join(word for word in words if "have passed" in word)
    assert all(
        f"{name}’s photographs have passed" in passed for name in ("Juniper", "Otis", "Fern")
    )
    assert sum("number RR1" in word for word in words) == 1
    assert sum("soft dry brush" in word for word in words) == 1


@pytest.mark.parametrize("seed", range(6))
def test_however_far_apart_the_animals_are_it_stays_at_eight(shop: LetterShop, seed: int) -> None:
    draw = random.Random(seed)
    order = ordered(shop, [Wanted("Juniper", 1), Wanted("Otis", 2), Wanted("Fern", 1)])
    lived(shop, order, [draw.randrange(1, 40) for _ in range(3)])
    assert len(told(shop)) <= MOST_LETTERS, told(shop)


def test_three_parcels_are_each_told_by_their_number(shop: LetterShop) -> None:
    order = ordered(shop, [Wanted("Juniper", 1), Wanted("Otis", 1), Wanted("Fern", 1)], ship_part=1)
    lived(shop, order, [1, 4, 8], together=False)
    words = [text_of(read(file)) for file in files(shop)]
    assert [sum(f"number RR{n}." in word for word in words) for n in (1, 2, 3)] == [1, 1, 1]
    assert sum("soft dry brush" in word for word in words) == 1


def test_a_single_animal_has_six_to_eight(shop: LetterShop) -> None:
    order = ordered(shop, [Wanted("Juniper", 1)])
    lived(shop, order, [2])
    assert kinds(shop) == [
        "order_in", "photos_counted", "photos_passed", "last_call", "making_begun", "handed_over",
        "received",
    ]  # fmt: skip


@pytest.mark.parametrize(("tone", "fields"), [("gift", {"gift": 1}), ("remembered", {})])
def test_gifts_and_remembered_animals_are_written_to_in_their_own_way(
    shop: LetterShop, tone: str, fields: dict[str, int]
) -> None:
    life = "remembered" if tone == "remembered" else "living"
    order = ordered(shop, [Wanted("Juniper", 2, life=life)], **fields)
    lived(shop, order, [2])
    mails = [read(file) for file in files(shop)]
    assert len(mails) == 7
    for mail in mails:
        said = text_of(mail)
        assert "!" not in said + mail["Subject"]
        assert "how it turned out" not in said
        if tone == "gift":
            assert "Juniper" not in mail["Subject"]
            assert mail["From"] == "Order desk <desk@fernlight.example>"


def test_letters_lie_within_the_window_and_none_on_a_free_day(shop: LetterShop) -> None:
    order = ordered(shop, ANIMALS[:2])
    lived(shop, order, [1, 5])
    calendar = shop.studio().calendar
    for (formed,) in rows(shop.house, "SELECT formed_at FROM letters"):
        there = calendar.local(int(str(formed)))
        assert calendar.is_working_day(there.date())
        assert 10 <= there.hour < 17
