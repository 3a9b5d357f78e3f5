"""All letters of one order from its first day to its last."""

import json
import random
from email.message import EmailMessage

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


def lived(
    workshop: LetterShop, order: MadeOrder, apart: list[int], *, together: bool = True
) -> None:
    """Walk an order's animals to the end, each some days behind; letters go meanwhile."""
    todo: list[tuple[int, str, str, int | None]] = []
    start = workshop.moment
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
        workshop.day_by_day(at)
        piece = order.pieces[code]
        move(
            workshop.database,
            piece,
            CAST.painter,
            workshop.moment,
            key,
            amount=amount,
            reason="as usual",
        )
        if key == "good":
            day = workshop.in_force().calendar.add_working_days(
                workshop.in_force().calendar.day_of(workshop.moment), 5
            )
            change_order(workshop, order, copy_deadline=day.isoformat())
    leave(workshop, order, together=together)


def leave(workshop: LetterShop, order: MadeOrder, *, together: bool) -> None:
    """Hand everything over in one parcel, or in one for each animal; then it arrives."""
    codes = [code for code in order.pieces if len(code) > 1]
    loads = [codes] if together else [[c for c in codes if c[0] == letter] for letter in "ABC"]
    for number, load in enumerate(filter(None, loads), start=1):
        parcel = hand_over(workshop, order, load, number)
        workshop.day_by_day(workshop.moment + 4 * DAY)
        for code in load:
            move(
                workshop.database,
                order.pieces[code],
                CAST.desk,
                workshop.moment,
                "received",
                amount=parcel,
            )
        workshop.day_by_day(workshop.moment + 5 * DAY)


def hand_over(workshop: LetterShop, order: MadeOrder, load: list[str], number: int) -> int:
    with workshop.database.writing() as db:
        made = db.execute(
            insert(parcels).values(
                carrier="Post",
                number=f"RR{number}",
                number_key=f"RR{number}",
                sent_at=workshop.moment,
            )
        ).inserted_primary_key
        assert made is not None
        ids = [order.pieces[code].id for code in load]
        db.execute(update(copies).where(copies.c.id.in_(ids)).values(parcel_id=int(made[0])))
    for code in load:
        move(
            workshop.database,
            order.pieces[code],
            CAST.desk,
            workshop.moment,
            "handed_over",
            amount=int(made[0]),
        )
    return int(made[0])


def told(workshop: LetterShop) -> list[str]:
    """The letters besides reminders and questions: those that went because of something else."""
    found = rows(
        workshop.database, "SELECT parts FROM letters WHERE state <> 'dropped' ORDER BY id"
    )
    whole = [json.loads(str(raw)) for (raw,) in found]
    return [
        " ".join(part["kind"] for part in parts)
        for parts in whole
        if any(part["cause"] and part["kind"] not in ASKS for part in parts)
    ]


def test_nine_pieces_of_three_animals_on_different_days_make_at_most_eight_letters(
    workshop: LetterShop,
) -> None:
    order = ordered(workshop, ANIMALS)
    lived(workshop, order, [2, 6, 13])
    assert len(told(workshop)) <= MOST_LETTERS, told(workshop)
    everything = " ".join(kinds(workshop)).split()
    for kind in (
        "order_in",
        "photos_counted",
        "photos_passed",
        "last_call",
        "making_begun",
        "handed_over",
        "received",
    ):
        assert kind in everything, (kind, kinds(workshop))
    assert all(row[1] == "sent" for row in letters(workshop))
    words = [text_of(read(file)) for file in files(workshop)]
    for name in ("Juniper’s", "Otis’s", "Fern’s"):
        good = f"we found that {name} 80 photos are good to work from."
        assert sum(good in word for word in words) == 1, name
    number = "We handed the parcel to Post on Monday 13 April, and its number is RR1."
    assert sum(number in word for word in words) == 1
    assert sum("soft dry brush" in word for word in words) == 1


@pytest.mark.parametrize("seed", range(3))
def test_however_far_apart_the_animals_are_it_stays_at_eight(
    workshop: LetterShop, seed: int
) -> None:
    draw = random.Random(seed)
    order = ordered(workshop, [Wanted("Juniper", 1), Wanted("Otis", 2), Wanted("Fern", 1)])
    lived(workshop, order, [draw.randrange(1, 40) for _ in range(3)])
    assert len(told(workshop)) <= MOST_LETTERS, told(workshop)


def test_three_parcels_are_each_told_by_their_number(workshop: LetterShop) -> None:
    order = ordered(
        workshop, [Wanted("Juniper", 1), Wanted("Otis", 1), Wanted("Fern", 1)], ship_part=1
    )
    lived(workshop, order, [1, 4, 8], together=False)
    words = [text_of(read(file)) for file in files(workshop)]
    assert [sum(f"RR{n}" in word for word in words) for n in (1, 2, 3)] == [1, 1, 1]
    assert sum("soft dry brush" in word for word in words) == 1


def test_all_letters_of_an_order_are_one_conversation_and_those_of_another_are_not(
    workshop: LetterShop,
) -> None:
    order, other = ordered(workshop, ANIMALS[:2]), ordered(workshop)
    lived(workshop, order, [1, 5])
    of_order: dict[str, list[EmailMessage]] = {str(order.number): [], str(other.number): []}
    for file in files(workshop):
        of_order[file.stem.partition("-")[2]].append(read(file))
    roots = set()
    for first, *later in of_order.values():
        assert len(later) >= 2
        assert (first["In-Reply-To"], first["References"]) == (None, None)
        roots.add(first["Message-ID"])
        for mail in later:
            assert mail["In-Reply-To"] == mail["References"] == first["Message-ID"]
    assert len(roots) == 2


def test_a_single_animal_has_six_to_eight(workshop: LetterShop) -> None:
    order = ordered(workshop, [Wanted("Juniper", 1)])
    lived(workshop, order, [2])
    assert kinds(workshop) == [
        "order_in", "photos_counted", "photos_passed", "last_call", "making_begun", "handed_over",
        "received",
    ]  # fmt: skip


@pytest.mark.parametrize(("tone", "fields"), [("gift", {"gift": 1}), ("remembered", {})])
def test_gifts_and_remembered_animals_are_written_to_in_their_own_way(
    workshop: LetterShop, tone: str, fields: dict[str, int]
) -> None:
    life = "remembered" if tone == "remembered" else "living"
    order = ordered(workshop, [Wanted("Juniper", 2, life=life)], **fields)
    lived(workshop, order, [2])
    mails = [read(file) for file in files(workshop)]
    assert len(mails) == 7
    for mail in mails:
        said = text_of(mail)
        assert "!" not in said + mail["Subject"]
        assert "how it turned out" not in said
        if tone == "gift":
            assert "Juniper" not in mail["Subject"]
            assert mail["From"] == "Order desk <desk@fernlight.example>"


def test_letters_lie_within_the_window_and_none_on_a_free_day(workshop: LetterShop) -> None:
    order = ordered(workshop, ANIMALS[:2])
    lived(workshop, order, [1, 5])
    calendar = workshop.in_force().calendar
    for (formed,) in rows(workshop.database, "SELECT formed_at FROM letters"):
        there = calendar.local(int(str(formed)))
        assert calendar.is_working_day(there.date())
        assert 10 <= there.hour < 17
