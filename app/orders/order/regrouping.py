"""Who stands on the base of a copy: animals of its order put there, or taken off it again."""

from collections.abc import Collection, Mapping

from sqlalchemy import Connection, RowMapping, delete, func, select

from app.flow import groups, store
from app.flow.actions import AS_ORDERED, Act, append, begin, begin_act, enter, settle
from app.flow.approvals import requiring
from app.flow.changes import AskedBy, note
from app.flow.news import ON_ONE_BASE
from app.flow.questions import of_new_piece
from app.flow.rules import Entry, Kind, asks
from app.flow.steps import Of, Step
from app.flow.store import Ref
from app.orders.facts.changeable import may_regroup
from app.orders.order.store import OrderRows
from app.shared.errors import BadFields
from app.shared.people import Person
from app.shared.web import words
from app.tables import copies, copy_companions

# What a copy of its own has of the one whose base an animal leaves; the rest is said of both.
_ALIKE = tuple(c for c in AS_ORDERED if c not in ("inscription", "spelling_confirmed_at", "extras"))


def regroup(
    db: Connection,
    rows: OrderRows,
    wanted: Mapping[int, Collection[int]],
    asked: AskedBy,
    who: Person,
    now: int,
) -> None:
    """Let exactly these further animals (lines of the order, by copy) stand on copies' bases.

    Who is taken off and has no copy else gets one. Raises BadFields, by the copy's field, for a
    copy that is begun, or an animal that cannot be put there or taken off.
    """
    act: Act | None = None
    for copy_id, lines in wanted.items():
        before = groups.companions(db, copy_id)
        if set(lines) == set(before):
            continue
        act = act or begin_act(db, who, now)
        _Base(act, rows, copy_id, before).hold(lines, asked)
    if act is not None:
        requiring.in_line(act, rows.order["id"])
        settle(act)


class _Base:
    """The base of a copy in an order, with the further animals that stand on it."""

    def __init__(self, act: Act, rows: OrderRows, copy_id: int, before: Mapping[int, int]) -> None:
        self.act, self.rows, self.before = act, rows, before
        self.copy = store.load(act.db, Ref(Of.COPY, copy_id))
        self.lines = {row["line_id"]: row for row in rows.animals}

    def hold(self, lines: Collection[int], asked: AskedBy) -> None:
        """Put the animals of these lines on it, and take all others off."""
        known = [i for i, row in self.lines.items() if row["letter"] != self.copy.letter]
        if not set(lines) <= set(known):
            raise self._wrong("Choose another animal of this order.")
        if not may_regroup(self.copy.state.step):
            raise self._wrong("Its blank is begun, so who stands on its base can’t change.")
        for line in sorted(set(lines) - set(self.before)):
            self._put(self.lines[line])
        for line in sorted(set(self.before) - set(lines)):
            self._take_off(self.lines[line])
        self._note(lines, asked)
        self._begin_if_ready(self.copy.ref)

    def _wrong(self, why: str) -> BadFields:
        return BadFields({f"k{self.copy.ref.id}_with": why})

    def _put(self, animal: RowMapping) -> None:
        db, copy, model_id = self.act.db, self.copy, animal["model_id"]
        if store.load(db, Ref(Of.MODEL, model_id)).state.step is Step.CANCELLED:
            raise self._wrong(f"The model of {animal['name']} was cancelled.")
        groups.put(db, copy.ref.id, {animal["line_id"]: model_id})
        stopped = {gate.question for gate in copy.state.gates}
        for gate in of_new_piece(db, copy.order_id, model_id):
            if gate.question not in stopped:
                self._append(asks(gate, self._moment(), self.act.now, self.act.who.account_id))

    def _take_off(self, animal: RowMapping) -> None:
        db, model_id = self.act.db, self.before[animal["line_id"]]
        # What has to be approved of its model goes with the animal; an answer is needed here.
        asked = {
            question["id"]
            for question in self.rows.questions
            if question["model_id"] == model_id and question["round"] is None
        }
        if asked & {gate.question for gate in self.copy.state.gates}:
            raise self._wrong(
                f"A question about {animal['name']} stops this copy. Note the answer first."
            )
        c = copy_companions.c
        db.execute(
            delete(copy_companions).where(
                c.copy_id == self.copy.ref.id, c.order_animal_id == animal["line_id"]
            )
        )
        if self._has_no_copy(animal["line_id"]):
            self._own_copy(animal, model_id)

    def _has_no_copy(self, line: int) -> bool:
        own = select(copies.c.id).where(copies.c.order_animal_id == line)
        beside = select(copy_companions.c.id).where(copy_companions.c.order_animal_id == line)
        return all(self.act.db.execute(query).first() is None for query in (own, beside))

    def _own_copy(self, animal: RowMapping, model_id: int) -> None:
        db, order_id = self.act.db, self.copy.order_id
        like = db.execute(select(copies).where(copies.c.id == self.copy.ref.id)).mappings().one()
        here = (copies.c.order_id == order_id) & (copies.c.letter == animal["letter"])
        last = db.execute(
            select(func.coalesce(func.max(copies.c.number), 0)).where(here)
        ).scalar_one()
        values = {name: like[name] for name in _ALIKE} | {
            "order_id": order_id, "order_animal_id": animal["line_id"], "model_id": model_id,
            "letter": animal["letter"], "number": last + 1,
        }  # fmt: skip
        self._begin_if_ready(enter(self.act, Of.COPY, values, Step.NOT_BEGUN, self.act.now))

    def _begin_if_ready(self, ref: Ref) -> None:
        """What waits for no model any more begins in the act that took the other one away."""
        copy = store.load(self.act.db, ref)
        ready = groups.ready_at(self.act.db, ref.id)
        if ready is not None:
            moment = max(self.act.now, copy.state.last_at)
            by = self.act.who.account_id
            begin(self.act, copy, Entry(0, 0, Kind.MOVE, moment, moment, by=by), ready)

    def _moment(self) -> int:
        return max(self.act.now, self.copy.state.last_at)

    def _append(self, entry: Entry) -> None:
        append(self.act, self.copy, entry)
        self.copy = store.load(self.act.db, self.copy.ref)

    def _note(self, lines: Collection[int], asked: AskedBy) -> None:
        said = [
            words.listed([row["name"] for line, row in self.lines.items() if line in those])
            for those in (self.before, lines)
        ]
        note(
            self.act.db, self.act.who.account_id, self.act.now, "copies", ON_ONE_BASE, *said,
            of_id=self.copy.ref.id, order_id=self.copy.order_id, asked=asked,
        )  # fmt: skip
