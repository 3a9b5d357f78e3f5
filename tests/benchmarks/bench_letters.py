"""What forming letters costs, beside putting them into words.

    PYTHONPATH=. python tests/benchmarks/bench_letters.py [--orders 2000] [--rounds 5]

Each of the orders has one letter due. Forming (news read, facts gathered, decided, written to disk
in transactions) is measured in CPU seconds in a folder in memory; the floor is the words alone:
subject, text and HTML of the same letters from the same facts. Rounds are interleaved, medians
printed; the ratio is the figure. Sending into a folder is measured once besides, by the wall.
"""

import argparse
import shutil
import statistics
import tempfile
import time
from pathlib import Path

from sqlalchemy import insert, text

from app.flow import news_rows as news
from app.flow.actions import entering
from app.flow.steps import Of, Step
from app.letters import forming, previews
from app.letters import worker as letters_worker
from app.letters.letter import parts_from_json
from app.orders.facts.gather import facts_of_many
from app.orders.order import links
from app.shared.database import Database
from app.shared.places import DataFolder
from app.tables import accounts, animals, customer_mails, customers, order_animals, orders
from app.tables.migrating import migrate
from tests.letters.studio import LetterShop
from tests.making import CAST, NOW, walk

AT = NOW + 3 * 3_600
PHOTOS = ("photos_counted", "build_started", "build_finished", "good")


def a_studio(folder: Path, count: int) -> None:
    """Orders of one or two animals and one to three copies; half of them have passed their photos."""
    folder.mkdir()
    migrate(folder / "studio.db", NOW)
    data = DataFolder(folder)
    data.prepare()
    database = Database(data.database_file)
    with database.writing() as db:
        for person in CAST.everybody:
            db.execute(
                insert(accounts).values(
                    id=person.account_id, name=person.name, name_key=person.name.casefold(),
                    role=person.role, made_at=NOW,
                )
            )  # fmt: skip
    with database.writing() as db:
        passed = [model for n in range(count) for model in _order(db, data, n) if n % 2]
    for ref in passed:
        walk(database, ref, CAST.painter, NOW, *PHOTOS, each=600)
    with database.writing() as db:
        # One letter an order: what came before counts as told.
        db.execute(text("UPDATE news SET told_at = at WHERE kind = 'photos_counted'"))
        db.execute(
            text(
                "UPDATE news SET told_at = at WHERE kind = 'order_in' AND order_id IN"
                " (SELECT order_id FROM news WHERE kind = 'photos_passed')"
            )
        )
    database.close()


def _order(db, data: DataFolder, n: int):  # type: ignore[no-untyped-def]
    customer = _add(db, customers, name=f"Imre Castellan {n}", name_key=f"imre {n}", made_at=NOW)
    mail = f"c{n}@castellan.example"
    _add(db, customer_mails, customer_id=customer, mail=mail, mail_key=mail, receives=1)
    order = _add(db, orders, number=1001 + n, customer_id=customer, taken_at=NOW, recorded_at=NOW)
    act = entering(db, CAST.desk, NOW)
    found = []
    for letter in "AB"[: 1 + n % 2]:
        animal = _add(
            db, animals, customer_id=customer, name=f"Juniper {letter}", name_key="juniper",
            kind="horse", sex="female", life="remembered" if n % 9 == 0 else "living",
        )  # fmt: skip
        model = act.piece(
            Of.MODEL, {"animal_id": animal, "order_id": order, "letter": letter},
            Step.PHOTOS_WANTED, NOW,
        )  # fmt: skip
        line = _add(
            db, order_animals, order_id=order, letter=letter, animal_id=animal, model_id=model.id
        )
        for number in range(1, 2 + n % 3):
            act.piece(
                Of.COPY,
                {"order_id": order, "order_animal_id": line, "model_id": model.id,
                 "letter": letter, "number": number, "size_mm": 80, "base": "oak"},
                Step.NOT_BEGUN, NOW,
            )  # fmt: skip
        found.append(model)
    act.close()
    links.make(db, data.key, order, None, NOW)
    news.write(db, order, "order_in", NOW)
    return found


def _add(db, table, **values: object) -> int:  # type: ignore[no-untyped-def]
    made = db.execute(insert(table).values(values)).inserted_primary_key
    return int(made[0])


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--orders", type=int, default=2_000)
    parser.add_argument("--rounds", type=int, default=5)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as top:
        template = Path(top) / "template"
        a_studio(template, given.orders)
        form, render = [], []
        for n in range(given.rounds):
            folder = Path(top) / f"round{n}"
            shutil.copytree(template, folder)
            workshop = LetterShop(DataFolder(folder))
            workshop.moment = AT
            workshop.introduce()
            workshop.in_force()
            form.append(_forming(workshop, given.orders))
            render.append(_rendering(workshop))
            if n == given.rounds - 1:
                begun = time.perf_counter()
                sent = 0
                while more := letters_worker.send_round(workshop).sent:
                    sent += more
                sending = time.perf_counter() - begun
            workshop.close()
    ratio = statistics.median(a / b for a, b in zip(form, render, strict=True))
    each = 1_000 / given.orders
    print(f"{given.orders} orders, {given.rounds} rounds, CPU, median")
    print(
        f"forming   {statistics.median(form):7.3f} s  {statistics.median(form) * each:6.3f} ms each"
    )
    print(
        f"words     {statistics.median(render):7.3f} s  {statistics.median(render) * each:6.3f} ms each"
    )
    print(f"ratio     {ratio:7.2f}    goal 3.0")
    print(f"sending {sent} into a folder in memory {sending:.2f} s by the wall")


def _forming(workshop: LetterShop, count: int) -> float:
    in_force = workshop.in_force()
    begun = time.process_time()
    formed = forming.form_due(workshop.database, in_force, workshop.moment)
    took = time.process_time() - begun
    assert formed == count, formed
    return took


def _rendering(workshop: LetterShop) -> float:
    with workshop.database.reading() as db:
        rows = db.execute(text("SELECT parts, order_id FROM letters ORDER BY id")).all()
        link = letters_worker.linked_of(workshop)(db, 1)
        in_force, now = workshop.in_force(), workshop.moment
        facts = facts_of_many(db, [row.order_id for row in rows], in_force, now)
    whole = [(parts_from_json(row.parts), facts[row.order_id]) for row in rows]
    begun = time.process_time()
    for parts, of in whole:
        previews.words_of(parts, of, in_force, now, link)
    return time.process_time() - begun


if __name__ == "__main__":
    main()
