"""The order page's contents, put together from its rows. Pure."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from app.flow import parts
from app.flow.after import belongings
from app.flow.offers import Offer, offers
from app.flow.rules import Policy, State
from app.flow.steps import BENCHES, PLACE, STEPS, Of, Step
from app.flow.store import Ref, state_of_row
from app.orders.benches import words as benches
from app.orders.benches.words import Clock, day_of
from app.orders.facts import sizes
from app.orders.order import history
from app.orders.order.store import OrderRows
from app.shared.calendar import DAY
from app.shared.people import Person
from app.shared.web import words
from app.studio.rules import StudioSettings
from app.studio.workshop import USUAL, Pace


@dataclass(frozen=True, slots=True)
class PieceView:
    """A piece on the order page: what it is, where it stands, what can be done.

    `name` is whom it shows, `beside` who of these stands on the base beside the first.
    """

    ref: Ref
    code: str
    name: str
    state: State
    version: int
    step_name: str
    where: str
    days: float
    usual: float
    slow: float
    offers: tuple[Offer, ...]
    main: Offer | None
    facts: str
    size_missing: bool
    on_bench: bool
    beside: str = ""


@dataclass(frozen=True, slots=True)
class AnimalView:
    """An animal of the order with its marks, its model in each pose, and its copies.

    `pose` is its first copy's.
    """

    row: Any
    line_id: int
    marks: Sequence[Any]
    models: list[PieceView]
    copies: list[PieceView]
    shared: list[PieceView]
    follow_on: bool
    pose: str


@dataclass(frozen=True, slots=True)
class PartView:
    """A part that was not struck out: in words, when it is due and whether it is here."""

    row: Any
    named: str
    due_on: date | None
    to_come: bool


@dataclass(frozen=True, slots=True)
class BelongingView:
    """Something that the customer lent: in words."""

    row: Any
    named: str


@dataclass(frozen=True, slots=True)
class OrderView:
    """Everything that the order page shows."""

    rows: OrderRows
    animals: list[AnimalView]
    next: list[PieceView]
    earliest: str
    latest: str
    history: list[history.HistoryLine]
    open_questions: list[Any]
    answered_questions: list[Any]
    copies: int
    parts: list[PartView]
    belongings: list[BelongingView]
    held: bool
    remembered: list[str]
    may_add_copies: bool
    one_scale: bool


def view(
    rows: OrderRows, settings: StudioSettings, person: Person, now: int, today: date,
    pace: Pace = USUAL,
) -> OrderView:  # fmt: skip
    """Put the order page together."""
    zone = settings.zone_info()
    animals = {row["id"]: row for row in rows.animals}
    animal_of_model = {row["id"]: row["animal_id"] for row in rows.models}

    def piece(of: Of, row: Any) -> PieceView:
        model_id = row["id"] if of is Of.MODEL else row["model_id"]
        animal = animals[animal_of_model[model_id]]
        policy = Policy(settings.blank_on, animal["life"] == "remembered")
        return _piece(of, row, rows, animal, policy, person, now, zone, pace)

    models = {row["id"]: piece(Of.MODEL, row) for row in rows.models}
    copies = {row["id"]: piece(Of.COPY, row) for row in rows.copies}
    shown = [p for p in (*models.values(), *copies.values()) if p.on_bench]
    steps = sorted({p.state.step for p in shown}, key=PLACE.__getitem__)
    by_id = {**{p.ref: p for p in models.values()}, **{p.ref: p for p in copies.values()}}
    return OrderView(
        rows=rows,
        animals=[_animal(animal, rows, models, copies) for animal in rows.animals],
        next=sorted(shown, key=lambda p: (p.code, PLACE[p.state.step])),
        earliest=STEPS[steps[0]].name if steps else "",
        latest=STEPS[steps[-1]].name if steps else "",
        history=history.lines(rows.log, lambda ref: _named(by_id.get(ref)), rows.people, now),
        open_questions=sorted(
            (q for q in rows.questions if q["answered_at"] is None),
            # Newest first, and what was asked at one moment in the order of the work.
            key=lambda q: (-q["asked_at"], q["id"]),
        ),
        answered_questions=[q for q in rows.questions if q["answered_at"] is not None],
        copies=len({(row["letter"], row["number"]) for row in rows.copies}),
        parts=_parts(rows),
        belongings=[BelongingView(row, belongings.named(row)) for row in rows.belongings],
        one_scale=sum(bool(sizes.own(row["height"])) for row in rows.animals) > 1
        and any(row["step"] == Step.NOT_BEGUN for row in rows.copies),
        held=any(p.state.held for p in by_id.values() if p.state.open),
        remembered=[row["name"] for row in rows.animals if row["life"] == "remembered"],
        may_add_copies=_deadline_open(rows, today),
    )


def _parts(rows: OrderRows) -> list[PartView]:
    """The order's parts, what is still to come first."""
    codes = {row["id"]: f"{row['letter']}{row['number']}" for row in rows.copies}
    found = []
    for row in rows.parts:
        if row["gone_at"] is not None:
            continue
        whose = codes.get(row["copy_id"] or 0, "the whole order")
        due = date.fromisoformat(row["due_on"]) if row["due_on"] else None
        to_come = row["here_at"] is None
        said = parts.named(row["kind"], row["what"], whose)
        found.append(PartView(row, said, due, to_come))
    return sorted(found, key=lambda part: (not part.to_come, part.due_on or date.max))


def _animal(
    animal: Any, rows: OrderRows, models: dict[int, PieceView], copies: dict[int, PieceView]
) -> AnimalView:
    own = [model for model in rows.models if model["id"] == animal["model_id"]]
    return AnimalView(
        row=animal,
        line_id=animal["line_id"],
        marks=[mark for mark in rows.marks if mark["animal_id"] == animal["id"]],
        models=list(_newest(models, animal, rows)),
        copies=[copies[c["id"]] for c in rows.copies if c["letter"] == animal["letter"]],
        pose=next((c["pose"] for c in rows.copies if c["letter"] == animal["letter"]), ""),
        shared=[copies[id_] for id_, beside in rows.beside.items() if animal in beside],
        follow_on=all(model["order_id"] != rows.order["id"] for model in own),
    )


def _named(piece: PieceView | None) -> str:
    return f"{piece.name} {piece.code.partition('-')[2]}" if piece is not None else ""


def _newest(models: Mapping[int, PieceView], animal: Any, rows: OrderRows) -> Iterator[PieceView]:
    """The animal's model in each pose: the version after a finding counts, not the one before."""
    used = {c["model_id"] for c in rows.copies if c["letter"] == animal["letter"]}
    newest = {
        m["pose"]: m["id"]
        for m in rows.models
        if m["id"] in {*used, animal["model_id"]}
        or (m["order_id"] == rows.order["id"] and m["letter"] == animal["letter"])
    }
    here = [models[id_] for id_ in newest.values()]
    alive = [model for model in here if model.state.step is not Step.CANCELLED]
    yield from alive or here


def _deadline_open(rows: OrderRows, today: date) -> bool:
    """Copies join until a model is finished; the deadline is a day, and warns only."""
    own = {animal["model_id"] for animal in rows.animals}
    going = any(m["open"] for m in rows.models if m["id"] in own or m["follows_id"] in own)
    return bool(rows.order["open"]) and going


def _piece(
    of: Of, row: Any, rows: OrderRows, animal: Any, policy: Policy, person: Person, now: int,
    zone: ZoneInfo, pace: Pace,
) -> PieceView:  # fmt: skip
    state = state_of_row(of, row)
    copy = of is Of.COPY
    usual, slow, _ = pace.get(state.step, (0.0, 0.0, False))
    given = offers(state, person.role, policy)
    beside = [row_["name"] for row_ in rows.beside.get(row["id"], ())] if copy else []
    return PieceView(
        ref=Ref(of, row["id"]),
        code=history.code(
            rows.order["number"], of, row["letter"],
            row["number"] if copy else 0, row["making"] if copy else 1,
            mends=copy and bool(row["mends"]),
        ),
        name=words.listed([animal["name"], *beside]),
        beside=words.listed(beside),
        state=state,
        version=row["version"],
        step_name=STEPS[state.step].name,
        where=where(state, rows.people, rows.questions, now, zone, models=1 + len(beside)),
        days=max(0.0, (now - state.entered_at) / DAY),
        usual=usual,
        slow=slow,
        offers=given,
        main=next((offer for offer in given if offer.main), None),
        facts=copy_facts(row, animal["height"]) if copy else model_facts(row),
        size_missing=copy and state.open and row["size_mm"] is None,
        on_bench=state.step in BENCHES,
    )  # fmt: skip


def where(
    state: State,
    people: Mapping[int, str],
    asked: Iterable[Any],
    now: int,
    zone: ZoneInfo,
    *,
    models: int = 1,
) -> str:
    """Where a piece stands, in the words of the benches; there nobody has to be told what is free.

    Whoever has it is named, also to themselves. `asked` are the questions about it.
    """
    if state.stopped and not state.held:
        if state.lacking:
            return benches.LACKING
        until_paid = {row["id"]: row["until_paid"] for row in asked}
        gate = next(gate for gate in state.gates if gate.stops_at(state.step))
        return benches.stopped(until_paid.get(gate.question), asked=state.asked)
    clock = Clock(now, zone, day_of(zone, now))
    if said := benches.where(state, people.get(state.hand_id or 0, ""), None, clock):
        return said
    if state.step is Step.NOT_BEGUN:
        return "waiting for its model" if models == 1 else "waiting for the last of its models"
    return "waiting its turn" if STEPS[state.step].take else ""


def copy_facts(row: Any, height: str = "") -> str:
    """A copy in words: 120 mm at the shoulder, standing, on oak, “Juniper 2009”.

    `height` are the words for how big the animal is, from which the scale follows.
    """
    size = row["size_mm"]
    parts = [
        sizes.said(size, row["measured"]) if size else "size missing",
        sizes.scale_said(sizes.scale(size, row["measured"], height)),
        row["pose"],
        f"on {row['base']}" if row["base"] and row["base"] != "none" else "",
        row["finish"],
        f"“{row['inscription']}”" if row["inscription"] else "",
        row["extras"],
    ]
    return ", ".join(part for part in parts if part)


def model_facts(row: Any) -> str:
    """A model in words: 40 photos, standing, version 2."""
    parts = [
        f"{row['pictures']} photos" if row["pictures"] else "",
        f"by eye: {words.one_line(row['limits'])}" if row["limits"] else "",
        row["pose"] or "",
        f"version {row['number']}" if row["number"] > 1 else "",
    ]
    return ", ".join(part for part in parts if part)
