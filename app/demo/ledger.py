"""The demo's log and rows: every entry is checked by the rules and folded before it is kept."""

from collections import Counter, defaultdict
from collections.abc import Callable, Generator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from app.flow import store
from app.flow.news import news_of
from app.flow.rules import Entry, Kind, Policy, State, TimeIs, after, find_move, fold, refusal
from app.flow.steps import MoveKey, Step
from app.flow.store import Ref

if TYPE_CHECKING:
    from app.demo.floor import Worker

Row = dict[str, Any]
Course = Generator[int | None, None, None]
"""What is done with something, one after another: it yields the moment at which it goes on, or
None where somebody else lets it go on."""


class DemoError(Exception):
    """The invented history would break a rule of the flow: a fault of this room."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is settled of an order before it comes; None leaves it to chance.

    `wait` is the customer's days until pictures come, `pictures` how many of each animal, `fated`
    how they are judged, `snag` what then stops the order for long: "hold" or "ask". One that is
    `unpaid` waits for its deposit to the end.
    """

    gift: bool | None = None
    remembered: bool | None = None
    simple: bool = False
    wait: float | None = None
    pictures: int | None = None
    fated: tuple[str, ...] = ()
    snag: str = ""
    unpaid: bool = False
    late_entry: bool = True


@dataclass(slots=True, eq=False)
class DemoPiece:
    """A model or copy in the making, with what the floor has to know of it.

    `place` is its place in the line that it joined at `since`; `question` is open.
    """

    ref: Ref
    job: "Job"
    letter: str
    animal: Row
    row: Row
    state: State
    model: "DemoPiece | None" = None
    beside: list["DemoPiece"] = field(default_factory=list)
    remake: bool = False
    fated: list[str] = field(default_factory=list)
    version: int = 1
    log: list[Entry] = field(default_factory=list)
    course: Course | None = None
    place: tuple[tuple[int, int], int] = ((0, 0), 0)
    since: int = 0
    worker: "Worker | None" = None
    question: Row | None = None
    cleared: bool = False
    packed: bool = False
    troubled: int = 0

    @property
    def called(self) -> str:
        """What the piece is called, whatever ids it and others were given."""
        row = self.row
        of = f"{self.job.row['number']} {self.letter} {self.ref.of} {row['number']}"
        return f"{of} {row.get('making', 1)}"

    @property
    def may_begin(self) -> bool:
        """Whether a copy waits for no model any more."""
        models = [model for model in (self.model, *self.beside) if model is not None]
        ready = all(model.state.step is Step.READY for model in models)
        return ready and self.state.step is Step.NOT_BEGUN

    @property
    def policy(self) -> Policy:
        """What the rules need to know beside the piece."""
        return Policy(True, self.animal["life"] == "remembered")


@dataclass(slots=True, eq=False)
class Job:
    """An order under way. `passed_at` is when the last of its models passed.

    `wait` is seconds until its pictures come, `waiting` its pieces that wait for their sisters or
    for the deposit. `deposit` is the question that stands until that is paid.
    """

    row: Row
    rank_day: int
    wanted: Wanted
    wait: int
    patience: str
    models: list[DemoPiece] = field(default_factory=list)
    copies: list[DemoPiece] = field(default_factory=list)
    waiting: list[DemoPiece] = field(default_factory=list)
    needed_at: int | None = None
    passed_at: int | None = None
    handed_at: int | None = None
    ended_at: int | None = None
    leaving: bool = False
    deposit: Row | None = None

    @property
    def id(self) -> int:
        """The order's id."""
        found: int = self.row["id"]
        return found

    def pieces(self) -> list[DemoPiece]:
        """Models and copies alike."""
        return [*self.models, *self.copies]


class Ledger:
    """Rows of every table, by name, and the one way to add an entry to a piece's log.

    `time` is the moment at which whatever is added is recorded.
    """

    def __init__(self, flush: Callable[[str, list[Row]], None]) -> None:
        self.rows: defaultdict[str, list[Row]] = defaultdict(list)
        self._flush = flush
        self._ids: Counter[str] = Counter()
        self._news: set[tuple[int, str, str, int]] = set()
        self.entries = 0
        self.time = 0

    def take_id(self, table: str) -> int:
        """The next id of a table."""
        self._ids[table] += 1
        return self._ids[table]

    def note(self, table: str, /, **row: Any) -> Row:
        """Keep a row, with an id of its own where it has none."""
        if "id" not in row:
            row["id"] = self.take_id(table)
        self.rows[table].append(row)
        return row

    def entry(self, kind: Kind, act: int | None = None, **more: Any) -> Entry:
        """An entry with the next number; it begins an act of its own unless one is named."""
        self.entries += 1
        return Entry(
            id=self.entries, act=act or self.entries, kind=kind, recorded_at=self.time,
            seq=more.pop("seq", 1), happened_at=more.pop("happened", self.time), **more,
        )  # fmt: skip

    def add(self, piece: DemoPiece, kind: Kind, act: int | None = None, **more: Any) -> Entry:
        """Add an entry, after asking the rules.

        `happened` may lie before now; it is never put before the entry it follows. Raises
        DemoError where the rules refuse it.
        """
        happened = max(more.pop("happened", self.time), piece.state.last_at)
        if happened < self.time:
            more.setdefault("time_is", TimeIs.TYPED)
        entry = self.entry(kind, act, happened=happened, seq=piece.version + 1, **more)
        if (why := refusal(piece.state, entry, piece.policy)) is not None:
            raise DemoError(f"{piece.ref} at {piece.state.step}: {kind} {entry.move}: {why}")
        before = piece.state.step
        piece.state = after(piece.ref.of, piece.state, entry)
        self.write(piece, entry, before)
        self._tell(piece, entry)
        return entry

    def move(self, piece: DemoPiece, key: str, act: int | None = None, **more: Any) -> Entry:
        """Move a piece by a key, to where the flow says that it leads."""
        move = find_move(piece.ref.of, piece.state.step, key, piece.policy)
        return self.add(piece, Kind.MOVE, act, move=MoveKey(key), to_step=move and move.end, **more)

    def amend(self, piece: DemoPiece, about: Entry) -> None:
        """Add an undo or a correction, and fold the piece's log again."""
        about = replace(about, seq=piece.version + 1)
        piece.state = fold(piece.ref.of, [*piece.log, about])
        self.write(piece, about, None)

    def write(self, piece: DemoPiece, entry: Entry, before: Step | None) -> None:
        """Put an entry that is known to be right into the log."""
        piece.version = entry.seq
        piece.log.append(entry)
        kept = self.rows["transitions"]
        kept.append(store.row_of_entry(piece.ref, entry, before))
        if len(kept) >= 20_000:
            self._flush("transitions", kept)
            kept.clear()

    def _tell(self, piece: DemoPiece, entry: Entry) -> None:
        item = news_of(entry, piece.state)
        if item is None:
            return
        letters = [one.letter for one in (piece, *piece.beside)] if item.per_animal else [""]
        for letter in letters:
            key = (piece.job.id, letter, item.kind, item.round)
            if key not in self._news:
                self._news.add(key)
                self.note(
                    "news", order_id=piece.job.id, letter=letter, kind=item.kind,
                    round=item.round, at=entry.recorded_at, transition_id=entry.id,
                )  # fmt: skip

    def flush(self) -> None:
        """Hand over what is left of every table."""
        for table, rows in self.rows.items():
            self._flush(table, rows)
        self.rows.clear()
