"""Pieces for tests of taking back and putting right."""

from sqlalchemy import insert, select, update

from app.flow import store
from app.flow.actions import Wish, record
from app.flow.rules import Kind, fold
from app.flow.steps import Step
from app.flow.store import Ref
from app.tables import copies, parcels
from tests.making import CAST, NOW, Wanted, make_order, piece

BROKEN = {"reason": "an ear broke off"}


def state_of(database, ref):
    return piece(database, ref).state


def order_at(database, copy_step: Step, copies_: int = 1, **more):
    wanted = Wanted(step=Step.READY, copies=copies_, copy_step=copy_step)
    return make_order(database, CAST.desk, NOW, [wanted], **more)


def everything_folds(database) -> None:
    with database.reading() as db:
        for of, table in store.TABLE.items():
            for number in db.execute(select(table.c.id)).scalars().all():
                ref = Ref(of, number)
                assert fold(of, store.log_of(db, ref)) == store.load(db, ref).state


def handed_over(database, order, *codes: str) -> int:
    """Put copies into one parcel as one act; gives the act's number."""
    with database.writing() as db:
        number = db.execute(
            insert(parcels).values(way="carrier", carrier="Post", sent_at=NOW)
        ).inserted_primary_key[0]
        for code in codes:
            db.execute(
                update(copies).where(copies.c.id == order.copy(code).id).values(parcel_id=number)
            )
    wishes = [Wish(order.copy(c), Kind.MOVE, "handed_over", amount=number) for c in codes]
    return record(database, wishes, CAST.desk, NOW).act
