"""A house in which every page of the staff site has something to show, and every form stands.

For tests that walk over all routes: bad input, queries, looking without touching.
"""

import html
import json
import re
from collections import Counter
from collections.abc import Iterator
from datetime import date

from sqlalchemy import insert, select, update

from app.bench.batches import actions as batches
from app.bench.batches.actions import BatchStartFields
from app.flow.actions import Wish, record
from app.flow.rules import Kind
from app.flow.steps import MAKING_STEPS, PHOTO_STEPS, Step
from app.history import actions as history
from app.history import columns, files, rules, table
from app.moving.machines import BLANKS
from app.moving.perform import Seen
from app.orders.entry.form import read
from app.orders.entry.listing import put_on_list
from app.orders.order import belongings, parts
from app.orders.order.asking import FROM_HERE, QuestionFields, ask
from app.owner.away import actions as away
from app.parcels import aftercare, packing
from app.parcels.actions import ParcelFields, hand_over
from app.parcels.packing import SealFields, Sealing
from app.parcels.said import turned_out
from app.photos.builds.actions import MachineFields, add_machine
from app.staff import actions as staff
from app.studio import actions as studio
from app.studio import carrier_list
from app.studio.as_form import TypedClosure
from app.tables import (
    aftercare_pictures,
    animals,
    approval_pictures,
    bench_pictures,
    colour_zones,
    copies,
    customer_mails,
    findings,
    marks,
    orders,
    questions,
    transitions,
    what_ifs,
)
from tests.making import CAST, DAY, NOW, Wanted, make_order, move
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import free_to_leave

SOME = 25


def fill(workshop: ClockedWorkshop) -> None:
    """Orders with a piece at every step, a question, a hold, a parcel, news, marks, closures."""
    database, start = workshop.database, NOW - 3 * DAY
    for step in (*PHOTO_STEPS, Step.FINISHING):
        early = make_order(database, CAST.desk, start, [Wanted("Juniper", step=step, copies=2)])
    making = [Wanted("Otis", step=Step.READY, copy_step=step) for step in MAKING_STEPS]
    late = make_order(database, CAST.desk, start, making, customer="Maren Oduya", gift=1)
    gone = make_order(
        database, CAST.desk, start, [Wanted("Admiral", step=Step.READY, copy_step=Step.PACKING)]
    )
    free_to_leave(workshop, gone)
    with database.writing() as db:
        db.execute(
            update(orders)
            .where(orders.c.id == late.id)
            .values(ship_lines="4 Ferry Lane, Saltmarsh")
        )
        named = update(copies).where(copies.c.id == late.copy("E1").id)
        db.execute(named.values(inscription="Otis <1998>"))
    typed = ParcelFields(carrier="Parcel Goose", number="RR473124829GB")
    hand_over(workshop, [gone.copy().id], typed, None, CAST.desk)
    in_boxes = make_order(
        database,
        CAST.desk,
        start,
        [Wanted("Rosa", step=Step.READY, copies=4, copy_step=Step.PACKING)],
    )
    free_to_leave(workshop, in_boxes)
    first, second, third = (in_boxes.copy(f"A{n}").id for n in (1, 2, 3))
    for copy_id in (first, second, third):
        packing.begin(workshop, [copy_id], "", CAST.desk)
    packing.seal(workshop, 3, Sealing(SealFields(), {}), CAST.desk)
    empty = packing.begin(workshop, [in_boxes.copy("A4").id], "", CAST.desk)
    packing.take_out(workshop, empty, in_boxes.copy("A4").id, CAST.desk)
    with database.writing() as db:
        db.execute(
            insert(marks).values(animal_id=late.animal_ids["A"], what="torn ear", side="left")
        )
        db.execute(
            insert(customer_mails).values(
                customer_id=late.customer_id, mail="maren@oduya.example",
                mail_key="maren@oduya.example", receives=1,
            )
        )  # fmt: skip
    pair = make_order(database, CAST.desk, start, [Wanted("Hettie"), Wanted("Rosa")])
    with database.writing() as db:
        both = animals.c.id.in_(list(pair.animal_ids.values()))
        db.execute(update(animals).where(both).values(height="16 hands"))
        db.execute(
            insert(colour_zones).values(
                animal_id=pair.animal_ids["A"], zone="Base coat", zone_key="base coat",
                paint="raw umber", at=NOW,
            )
        )  # fmt: skip
    waits = QuestionFields(topic="Pose", asked="Head up?", about=str(pair.model()), waits=FROM_HERE)
    ask(workshop, pair.id, waits, CAST.desk, "")
    question = QuestionFields(topic="Colour", asked="Which grey?", about=str(late.copy("B1")))
    ask(workshop, late.id, question, CAST.desk, "")
    plate = parts.PartFields(kind="plate", about=str(late.copy("A1")), due_on=date(2026, 3, 12))
    parts.add(workshop, late.id, plate, CAST.desk, "")
    _lend(workshop, late.id, gone.id)
    _wait(workshop)
    shown = make_order(database, CAST.desk, start, [Wanted(step=Step.FINISHING)], approves="both")
    with database.writing() as db:
        of_model = select(questions.c.id).where(questions.c.order_id == shown.id).limit(1)
        db.execute(
            insert(approval_pictures).values(
                question_id=of_model.scalar_subquery(), file="a.jpg", size=9, width=4, height=3
            )
        )
    with database.writing() as db:
        entry = select(transitions.c.id).where(transitions.c.copy_id == late.copy("C1").id).limit(1)
        found = {"copy_id": late.copy("C1").id, "transition_id": entry.scalar_subquery()}
        db.execute(insert(findings).values(**found, severity="light"))
        of_piece = {"copy_id": late.copy("C1").id, "file": "a.jpg", "width": 4, "height": 3}
        db.execute(insert(bench_pictures).values(**of_piece, taken_at=NOW))
    blanks = [Wanted("Clover", copies=2, step=Step.READY, copy_step=Step.BLANK)]
    batched = make_order(database, CAST.desk, start, blanks)
    in_it, typed_batch = [Seen(batched.copy("A1"))], BatchStartFields(material="wax", lot="7")
    batches.start(workshop, in_it, typed_batch, None, None, CAST.desk)
    held = early.copy("A2")
    record(database, [Wish(held, Kind.HOLD, reason="paused", whose="customer")], CAST.desk, start)
    move(database, late.copy("C1"), CAST.painter, NOW, "painted")
    staff.invite(database, CAST.owner, "Wren Tallow", "bench", NOW)
    staff.set_pin(database, CAST.owner, CAST.shaper.account_id, "2719", NOW)
    staff.switch_off(database, CAST.owner, CAST.finisher.account_id, NOW)
    studio.add_closure(
        database,
        TypedClosure(
            first_day=date(2026, 5, 4), last_day=date(2026, 5, 5), reason="The kiln is moved"
        ),
        CAST.owner,
        NOW,
    )
    goose = carrier_list.CarrierFields(name="Parcel Goose", home="1 to 3", number_form="s10")
    carrier_list.save(workshop.database, None, goose, CAST.owner, NOW)
    workshop.forget()
    _at_the_benches(workshop)
    _go_wrong(workshop)
    _plan(workshop)
    _bring_history(workshop)
    workshop.moment = NOW + 60


def _at_the_benches(workshop: ClockedWorkshop) -> None:
    """A machine for blanks, a piece that is painted, and a second parcel on its way."""
    add_machine(workshop, MachineFields(name="Blue press", places=6), BLANKS)
    wanted = [Wanted("Fern", step=Step.READY, copy_step=Step.PAINTING)]
    make_order(workshop.database, CAST.desk, NOW - DAY, wanted)
    wanted = [Wanted("Sultan", step=Step.READY, copy_step=Step.PACKING)]
    sent = make_order(workshop.database, CAST.desk, NOW - DAY, wanted)
    free_to_leave(workshop, sent)
    typed = ParcelFields(carrier="Parcel Goose", number="RR123456785GB")
    hand_over(workshop, [sent.copy().id], typed, None, CAST.desk)


def _plan(workshop: ClockedWorkshop) -> None:
    """Somebody who is away, and a change that was simulated and made."""
    whose = f"person:{CAST.painter.account_id}"
    days = {"first_day": date(2026, 3, 5), "last_day": date(2026, 3, 6)}
    away.add(workshop, away.AbsenceFields(whose=whose, **days), CAST.owner)
    found = {
        "pieces": 9, "runs": 40, "half": [300.0, 250.0], "slow": [500.0, 450.0], "days": 1.5,
        "error": 0.1, "waiting": [9.0, 7.0], "bottleneck": "Painting is the bottleneck.",
        "busiest": ["Painting, 90 %", "Painting, 70 %"],
    }  # fmt: skip
    for by, made_on in ((None, None), (CAST.owner.account_id, "2026-03-02")):
        with workshop.database.writing() as db:
            db.execute(
                insert(what_ifs).values(
                    name="One more painter", settings='["painting people=+1"]', state="done",
                    found=json.dumps(found), asked_at=NOW, done_at=NOW, account_id=by,
                    made_on=made_on,
                )
            )  # fmt: skip


def _go_wrong(workshop: ClockedWorkshop) -> None:
    """A case that waits for a decision, one of which the piece is to come back, and a closed one;
    and what a customer said."""
    wanted = [Wanted("Cedar", step=Step.READY, copy_step=Step.HANDED_OVER, copies=3)]
    made = make_order(workshop.database, CAST.desk, NOW - 2 * DAY, wanted)
    for code, kind in (("A1", "lost"), ("A2", "damaged"), ("A3", "fault")):
        typed = aftercare.CaseFields(kind=kind, said_by="customer", words="so they say")
        aftercare.open_case(workshop, [made.copy(code).id], typed, CAST.desk, "")
    repair = aftercare.DecisionFields(decided="repair")
    aftercare.decide(workshop, 2, repair, CAST.desk, "")
    aftercare.decide(workshop, 3, aftercare.DecisionFields(decided="nothing"), CAST.desk, "")
    aftercare.close(workshop, 3, CAST.desk)
    with workshop.database.writing() as db:
        of_case = {"case_id": 1, "file": "a.jpg", "width": 4, "height": 3, "at": NOW}
        db.execute(insert(aftercare_pictures).values(**of_case))
    said = turned_out.WordsFields(words="It is her.")
    turned_out.keep(workshop, made.id, said, CAST.desk, "")


def _bring_history(workshop: ClockedWorkshop) -> None:
    """A sheet that was brought in, and another that somebody is looking at."""
    sheet = table.read(b"Customer,Animal,Ordered,Sent\nInga Vell,Puck,2026-01-05,2026-02-12\n")
    choices = columns.guess(sheet, "")
    reading = rules.read(sheet, choices, date(2026, 3, 4))
    history.bring_in(workshop, reading, choices, "before.csv", CAST.owner)
    following = (
        "Customer,Animal,Ordered,Photos passed,Sent,Size\nInga Vell,Puck,5/1/2026,,12/2/2026,80\n"
        "Inga Vell,Puck,6/1/2026,,,large\nInga Vell,Hob,6/1/2026,9/1/2026,,80\n"
        "Inga Vell,Puck,5/1/2026,,12/2/2026,80\n"
    )
    files.keep(workshop.folder, following.encode(), "next.csv", NOW)


def _wait(workshop: ClockedWorkshop) -> None:
    """An order on the waiting list."""
    typed = {"name": "Sela Brook", "a0_name": "Fern", "a0_kind": "goat", "a0c0_size": "80"}
    today = workshop.in_force().calendar.day_of(workshop.now())
    put_on_list(workshop, read(typed, today), typed, CAST.desk, "waits")


def _lend(workshop: ClockedWorkshop, late: int, gone: int) -> None:
    """A collar that lies here, and hair that was given back."""
    collar = belongings.BelongingFields(kind="collar", what="red", whose="E", shelf="Shelf 3")
    belongings.receive(workshop, late, collar, CAST.desk, "")
    hair = belongings.BelongingFields(kind="hair", whose="A", shelf="Shelf 4")
    belongings.receive(workshop, gone, hair, CAST.desk, "")
    belongings.returned(workshop, gone, 2, belongings.ReturnFields(), CAST.desk)


def pages(workshop: ClockedWorkshop, browser: Browser) -> Iterator[tuple[str, str]]:
    """Address and text of every page that links lead to, some of each kind; and corrections."""
    waiting = ["/", "/orders?closed=1", "/parcels/1", "/aftercare", "/break-room", "/me"]
    with workshop.database.reading() as db:
        entries = db.execute(select(transitions.c.id)).scalars()
        waiting += [f"/corrections/{entry}" for entry in entries]
        painted = select(copies.c.id, copies.c.version).where(copies.c.step == Step.PAINTING)
        waiting += [f"/last-coat?piece=copy:{id_}:{seen}" for id_, seen in db.execute(painted)]
    met: Counter[str] = Counter()
    for address in waiting:
        kind = re.sub(r"\d+", "1", address.partition("#")[0])
        met[kind] += 1
        if met[kind] > SOME:
            continue
        text = browser.get(address).text
        yield address, text
        for found in re.findall(r'href="(/[^"/][^"]*|/)"', text):
            link = html.unescape(found)
            if link not in waiting and not link.startswith("/static/"):
                waiting.append(link)
