"""Orders with something that their customer lent, and with something that went wrong on the way."""

from dataclasses import replace

from app.flow.steps import Step
from app.orders.facts.cases import CaseFacts
from app.orders.facts.lent import LentFacts
from app.orders.facts.order import CopyFacts, OrderFacts
from tests.making import DAY, NOW
from tests.status.rows import PARCEL, PASSED, RANGE, animal, copy, order

COLLAR = LentFacts("collar", animal="Juniper")


def made(*copies: CopyFacts, **more: object) -> OrderFacts:
    return order(animal(Step.READY, 8, copies=copies, **PASSED), **{"shown": RANGE, **more})


def _cases() -> dict[str, OrderFacts]:
    """A case of each kind, opened, decided, and back with us."""
    gone = copy(Step.HANDED_OVER, 9, parcel_id=1)
    there = copy(Step.RECEIVED, 4, parcel_id=1)
    mended = copy(Step.PAINTING, 1, remade_by=41, case="repair")
    again = copy(Step.BLANK, 1, remade_by=41, case="remake")
    resent = copy(Step.PACKING, 1)
    sent = {"carrier": "Post", "number": "JA473124829GB", "sent_at": NOW - 9 * DAY, "parcel_id": 1}

    def about(made_: CopyFacts, kind: str, by: str = "customer", **more: object) -> OrderFacts:
        case = CaseFacts(7, kind, by, ("A",), NOW - DAY, **{**sent, **more})  # type: ignore[arg-type]
        parcels = (replace(PARCEL, sent_at=NOW - 9 * DAY),) if made_.gone else ()
        return made(made_, cases=(case,), parcels=parcels, shown=RANGE if made_ is again else None)

    return {
        "lost, says the customer": about(gone, "lost"),
        "lost, says the carrier": about(gone, "lost", "carrier"),
        "lost, we think": about(gone, "lost", "us"),
        "lost with a collar": replace(
            about(gone, "lost"), lent=(replace(COLLAR, parcel_id=1, returned_at=NOW - 9 * DAY),)
        ),
        "lost, made again": about(again, "lost", decided="remake"),
        "lost, not made again": about(
            copy(Step.CANCELLED, 1), "lost", decided="nothing"
        ),
        "damaged": about(there, "damaged", came=True),
        "damaged, says the carrier": about(there, "damaged", "carrier", came=True),
        "damaged, to be repaired": about(there, "damaged", came=True, decided="repair"),
        "damaged, back with us": about(mended, "damaged", came=True, decided="repair", here=True),
        "damaged, made again": about(again, "damaged", came=True, decided="remake"),
        "not right": about(there, "fault", came=True),
        "not right, back with us": about(mended, "fault", came=True, decided="repair", here=True),
        "not right, agreed": about(there, "fault", came=True, decided="nothing"),
        "came back": about(resent, "returned", "carrier"),
        "sent back": about(there, "returned", came=True),
        "damaged, mended and gone again": about(
            replace(gone, case="repair"), "damaged", came=True, decided="repair", here=True
        ),
        "damaged, mended and there again": about(
            replace(there, case="repair"), "damaged", came=True, decided="repair", here=True
        ),
        "lost, made again and gone": about(
            replace(gone, case="remake"), "lost", decided="remake"
        ),
        "came back, and gone again": about(gone, "returned", "carrier"),
        "one of two damaged": replace(
            about(there, "damaged", came=True, codes=("A1",)),
            animals=(
                animal(
                    Step.READY, 8, copies=(there, replace(gone, number=2, size_mm=120)), **PASSED
                ),
            ),
        ),
        "sent back, to go again": about(there, "returned", came=True, decided="repair"),
    }  # fmt: skip


def after_rows() -> dict[str, OrderFacts]:
    gone = copy(Step.HANDED_OVER, 2, parcel_id=1)
    there = copy(Step.RECEIVED, 1, parcel_id=1)
    back = {"returned_at": NOW - 2 * DAY}
    other = LentFacts("other", "a blue blanket with her scent")
    return {
        **_cases(),
        "a collar here": made(copy(Step.PAINTING), lent=(COLLAR,)),
        "a collar and prints here": made(
            copy(Step.PAINTING), lent=(COLLAR, LentFacts("prints", animal="Juniper"))
        ),
        "hair of nobody in particular": made(copy(Step.PAINTING), lent=(LentFacts("hair"),)),
        "a collar that is collected": made(copy(Step.PACKING), lent=(replace(COLLAR, way="hand"),)),
        "something else": made(copy(Step.SHAPING), lent=(other,)),
        "ashes here": made(copy(Step.SHAPING), lent=(LentFacts("ashes", animal="Juniper"),)),
        "ashes from hand to hand": made(
            copy(Step.SHAPING), lent=(LentFacts("ashes", animal="Juniper", way="hand"),)
        ),
        "a collar in the parcel": made(
            gone, parcels=(PARCEL,), lent=(replace(COLLAR, parcel_id=1, **back),)
        ),
        "a collar left behind": made(gone, parcels=(PARCEL,), lent=(COLLAR,)),
        "a collar given back by hand": made(
            there, parcels=(replace(PARCEL, received_at=NOW - DAY),), shown=None,
            lent=(replace(COLLAR, way="hand", **back),),
        ),
        "a collar posted alone": made(
            there, parcels=(replace(PARCEL, received_at=NOW - DAY),), shown=None,
            lent=(replace(COLLAR, way="post", **back),),
        ),
        "cancelled with a collar here": replace(
            made(copy(Step.CANCELLED), lent=(COLLAR,)), shown=None
        ),
    }  # fmt: skip
