"""The demo's log: every entry is checked by the rules, folded, and kept as a row to be written."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from app.flow import store
from app.flow.news import news_of
from app.flow.rules import Entry, Kind, Policy, State, TimeIs, after, fold, refusal
from app.flow.steps import Of, Step
from app.flow.store import Ref

Row = dict[str, Any]


class DemoError(Exception):
    """The invented history would break a rule of the flow: a fault of this room."""


@dataclass(slots=True, eq=False)
class DemoPiece:
    """A model or copy in the making, with what the floor has to know of it.

    `ticket` is raised whenever the piece is taken out of a queue, so that a late event can see
    that it comes too late; `work` holds what is left to do in the step, as (seconds, why set
    aside afterwards, until how much later).
    """

    ref: Ref
    job: "Job"
    letter: str
    number: int
    making: int
    animal: Row
    row: Row
    state: State
    model: "DemoPiece | None" = None
    version: int = 1
    log: list[Entry] = field(default_factory=list)
    ticket: int = 0
    queued: bool = False
    work: list[tuple[int, str, int]] = field(default_factory=list)
    painter: int | None = None
    packed: bool = False
    remake: bool = False
    fated: list[str] = field(default_factory=list)
    troubled: int = 0


@dataclass(slots=True, eq=False)
class Job:
    """An order under way. `passed_at` is when the last of its models passed.

    `snag` names what is sure to stop it in the making and lasts: "hold" or "ask"; `pictures` is
    how many come of each animal, where that is settled.
    """

    row: Row
    rank_day: int
    models: list[DemoPiece] = field(default_factory=list)
    copies: list[DemoPiece] = field(default_factory=list)
    needed_at: int | None = None
    passed_at: int | None = None
    handed_at: int | None = None
    ended_at: int | None = None
    leaving: bool = False
    patience: str = ""
    snag: str = ""
    wait: int | None = None
    pictures: int | None = None

    @property
    def id(self) -> int:
        """The order's id."""
        found: int = self.row["id"]
        return found

    def pieces(self) -> list[DemoPiece]:
        """Models and copies alike."""
        return [*self.models, *self.copies]


class Ledger:
    """Rows of every table, by name, and the one way to add an entry to a piece's log."""

    def __init__(self, flush: Callable[[str, list[Row]], None]) -> None:
        self.rows: dict[str, list[Row]] = {}
        self._flush = flush
        self._ids: dict[str, int] = {}
        self._news: set[tuple[int, str, str, int]] = set()
        self.entries = 0

    def take_id(self, table: str) -> int:
        """The next id of a table."""
        found = self._ids.get(table, 0) + 1
        self._ids[table] = found
        return found

    def note(self, table: str, row: Row) -> Row:
        """Keep a row, with an id of its own where it has none."""
        if "id" not in row:
            row["id"] = self.take_id(table)
        self.rows.setdefault(table, []).append(row)
        return row

    def enter(self, piece: DemoPiece, entry: Entry) -> None:
        """Write the entry that let a piece in."""
        self._write(piece, entry, None)

    def new_entry(self, kind: Kind, at: int, act: int | None = None, **more: Any) -> Entry:
        """An entry with the next number; it begins an act of its own unless one is named."""
        self.entries += 1
        return Entry(
            id=self.entries, act=act or self.entries, kind=kind, recorded_at=at,
            seq=more.pop("seq", 1), happened_at=more.pop("happened", at), **more,
        )  # fmt: skip

    def add(
        self, piece: DemoPiece, kind: Kind, at: int, act: int | None = None, **more: Any
    ) -> Entry:
        """Add an entry that is recorded at a moment, after asking the rules.

        `happened` may lie before `at`; it is never put before the entry it follows.
        """
        happened = max(more.pop("happened", at), piece.state.last_at)
        if happened < at:
            more.setdefault("time_is", TimeIs.TYPED)
        entry = self.new_entry(kind, at, act, happened=happened, seq=piece.version + 1, **more)
        policy = Policy(True, piece.animal["life"] == "remembered")
        if (why := refusal(piece.state, entry, policy)) is not None:
            raise DemoError(f"{piece.ref} at {piece.state.step}: {kind} {entry.move}: {why}")
        before = piece.state.step
        piece.state = after(piece.ref.of, piece.state, entry)
        self._write(piece, entry, before)
        self._tell(piece, entry)
        return entry

    def speak_of(self, piece: DemoPiece, about: Entry) -> None:
        """Add an undo or a correction, and fold the piece's log again."""
        about = replace(about, seq=piece.version + 1)
        piece.state = fold(piece.ref.of, [*piece.log, about])
        self._write(piece, about, None)

    def _write(self, piece: DemoPiece, entry: Entry, before: Step | None) -> None:
        piece.version = entry.seq
        piece.log.append(entry)
        kept = self.rows.setdefault("transitions", [])
        kept.append(store.row_of_entry(piece.ref, entry, before))
        if len(kept) >= 20_000:
            self._flush("transitions", kept)
            kept.clear()

    def _tell(self, piece: DemoPiece, entry: Entry) -> None:
        item = news_of(entry, piece.state)
        if item is None:
            return
        letter = piece.letter if item.per_animal else ""
        key = (piece.job.id, letter, item.kind, item.round)
        if key in self._news:
            return
        self._news.add(key)
        self.note(
            "news",
            {
                "order_id": piece.job.id, "letter": letter, "kind": item.kind,
                "round": item.round, "at": entry.recorded_at, "transition_id": entry.id,
                "taken_back_at": None,
            },
        )  # fmt: skip

    def flush(self) -> None:
        """Hand over what is left of every table."""
        for table, rows in self.rows.items():
            self._flush(table, rows)
        self.rows.clear()


def first_state(of: Of, entry: Entry) -> State:
    """The state that the entering of a piece gives."""
    return after(of, None, entry)
