"""What came after pieces had left the invented studio: one lost, one damaged, things that customers
lent, and what they said. Done by the acts that people here do, at the end of the history."""

from collections.abc import Sequence
from random import Random
from typing import Any

from sqlalchemy import bindparam, select, text, update

from app.orders.order import belongings as lent
from app.parcels import aftercare
from app.parcels.said import turned_out
from app.shared.calendar import DAY
from app.shared.people import Person, Role
from app.shared.places import DataFolder
from app.shared.web.forms import check
from app.studio.workshop import Workshop
from app.tables import belongings

_DESK = text("SELECT id, name FROM accounts WHERE role = 'desk' ORDER BY id LIMIT 1")
# Parcels with a carrier of which nothing else is known, the longest on their way first.
_UNDER_WAY = text(
    "SELECT c.id FROM copies c JOIN parcels p ON p.id = c.parcel_id JOIN orders o"
    " ON o.id = c.order_id JOIN models m ON m.id = c.model_id JOIN animals a ON a.id = m.animal_id"
    " WHERE c.step = 'handed_over' AND c.hold_whose = '' AND p.way = 'carrier' AND o.gift = 0"
    " AND a.life <> 'remembered' AND NOT EXISTS (SELECT 1 FROM copies s WHERE s.parcel_id = p.id"
    " AND s.id <> c.id) ORDER BY p.sent_at, c.id LIMIT 1"
)
_ARRIVED = text(
    "SELECT c.id, c.order_id FROM copies c JOIN orders o ON o.id = c.order_id JOIN models m"
    " ON m.id = c.model_id JOIN animals a ON a.id = m.animal_id WHERE c.step = 'received'"
    " AND c.parcel_id IS NOT NULL AND o.open = 0 AND o.gift = 0 AND a.life <> 'remembered'"
    " ORDER BY c.last_at DESC, c.id LIMIT 12"
)
_AT_WORK = text(
    "SELECT oa.order_id, oa.letter, a.life FROM order_animals oa JOIN orders o"
    " ON o.id = oa.order_id JOIN animals a ON a.id = oa.animal_id JOIN models m"
    " ON m.id = oa.model_id WHERE o.open = 1 AND m.step IN ('finishing', 'ready')"
    " ORDER BY a.life = 'remembered' DESC, o.id LIMIT 9"
)
_HERE_SINCE = (
    update(belongings)
    .where(belongings.c.order_id == bindparam("of"))
    .values(received_at=bindparam("since"))
)


def happen(folder: DataFolder, seed: int) -> None:
    """Let it happen in a studio that has just been made up."""
    workshop = Workshop(folder)
    # Not for secrets: the same seed shall give the same studio, and all else stays as it is.
    rng = Random(f"after {seed}")  # noqa: S311
    try:
        with workshop.database.reading() as db:
            found = db.execute(_DESK).first()
            under_way = db.execute(_UNDER_WAY).first()
            arrived = db.execute(_ARRIVED).all()
            at_work = db.execute(_AT_WORK).all()
        if found is None:
            return
        desk = Person(found.id, Role.DESK, found.name)
        _lend(workshop, rng, at_work, desk)
        if under_way is not None:
            _lose(workshop, under_way.id, desk)
        if arrived:
            _damage(workshop, arrived[0].id, desk)
        _say(workshop, [row.order_id for row in arrived[1:]], desk)
    finally:
        workshop.close()


_THINGS = (
    ("collar", "red leather, brass tag"), ("hair", "from the mane, in paper"), ("prints", "six"),
    ("collar", "blue, with a bell"), ("other", "a blue blanket"), ("prints", "an album"),
)  # fmt: skip


def _lend(workshop: Workshop, rng: Random, at_work: Sequence[Any], desk: Person) -> None:
    """Some things on the shelf, of remembered animals first; one is given back."""
    seen: set[int] = set()
    for row in at_work:
        if row.order_id in seen:
            continue
        seen.add(row.order_id)
        first = row.life == "remembered" and len(seen) == 1
        kind, what = ("ashes", "") if first else rng.choice(_THINGS)
        typed = check(lent.BelongingFields, {
            "kind": kind, "what": what, "whose": row.letter, "way": "hand" if first else "parcel",
            "shelf": "The locked cupboard" if first else f"Shelf {rng.randrange(1, 5)}",
        })  # fmt: skip
        lent.receive(workshop, row.order_id, typed, desk, "")
        with workshop.database.writing() as db:
            since = workshop.now() - rng.randrange(4, 40) * DAY
            db.execute(_HERE_SINCE, {"of": row.order_id, "since": since})
    if len(seen) > 1:
        with workshop.database.reading() as db:
            last = db.execute(
                select(belongings.c.id, belongings.c.order_id).order_by(belongings.c.id.desc())
            ).first()
        if last is not None:
            lent.returned(workshop, last.order_id, last.id, check(lent.ReturnFields, {}), desk)


def _lose(workshop: Workshop, copy_id: int, desk: Person) -> None:
    """A parcel that never came: the carrier gives up, and it is made again."""
    typed = check(
        aftercare.CaseFields, {"kind": "lost", "said_by": "customer", "words": "Nothing has come."}
    )
    [case] = aftercare.open_case(workshop, [copy_id], typed, desk, "")
    decided = check(
        aftercare.DecisionFields, {"decided": "remake", "decision": "The carrier’s search is over."}
    )
    aftercare.decide(workshop, case, decided, desk, "")


def _damage(workshop: Workshop, copy_id: int, desk: Person) -> None:
    """One that arrived with a broken ear is back, and is being repaired."""
    typed = check(
        aftercare.CaseFields, {"kind": "damaged", "said_by": "customer", "words": "One ear is off."}
    )
    [case] = aftercare.open_case(workshop, [copy_id], typed, desk, "")
    decided = check(
        aftercare.DecisionFields, {"decided": "repair", "decision": "The ear is in the box."}
    )
    aftercare.decide(workshop, case, decided, desk, "")
    aftercare.mend(workshop, case, check(aftercare.MendFields, {"step": "shaping"}), desk, "")


_SAID = (
    ("It stands on the kitchen sill now. My father said nothing for a while, then: that’s the "
     "look.", "yes", "your own page"),
    ("You got the torn ear. Nobody ever gets the torn ear.", "yes", "the shop’s window"),
    ("Smaller than I had thought, and just right.", "asked", ""),
    ("The children argue over who may dust it.", "not_asked", ""),
    ("Thank you. Please don’t show it anywhere, it is for us.", "no", ""),
)  # fmt: skip


def _say(workshop: Workshop, orders: list[int], desk: Person) -> None:
    """What some customers said, each of another order."""
    for order_id, (words, may_show, what) in zip(dict.fromkeys(orders), _SAID, strict=False):
        typed = check(
            turned_out.WordsFields, {"words": words, "may_show": may_show, "show_what": what}
        )
        turned_out.keep(workshop, order_id, typed, desk, "")
