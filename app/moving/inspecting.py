"""What an inspection goes through, and what is found of a copy at any step."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, func, insert, select

from app.flow.actions import Act
from app.flow.approvals.rules import CHANGES
from app.flow.rules import Kind
from app.flow.steps import PLACE, MoveKey, Step
from app.flow.store import Piece, models_of
from app.moving import rules
from app.shared.errors import BadFields
from app.shared.web import words
from app.studio.rules import StudioSettings
from app.tables import (
    bench_pictures,
    check_ticks,
    copies,
    findings,
    mark_ticks,
    marks,
    models,
    questions,
)


@dataclass(frozen=True, slots=True)
class WhatIsWrong:
    """What was found, in the words of the studio's list; empty where nobody said.

    `severity` is light, mend or again, and follows from what is done where it is not said;
    `found_by` is here or customer, and follows from where the piece is. `mark` does not match.
    """

    area: str = ""
    kind: str = ""
    severity: str = ""
    found_by: str = ""
    mark: int | None = None

    @property
    def words(self) -> str:
        """The finding where nobody said it in words of their own."""
        return f"{self.area}: {self.kind}".lower() if self.kind else ""


NOT_SAID = WhatIsWrong()


def keep_finding(
    act: Act, pieces: Sequence[Piece], what: MoveKey | Kind, found: WhatIsWrong
) -> None:
    """What was found stands beside the entry that says so: what takes that back takes both."""
    usual = {Kind.FINDING: "light", MoveKey.REMAKE: "again"}.get(what, "mend")
    rows = [
        {
            "copy_id": piece.ref.id, "transition_id": act.done.entries[piece.ref],
            "area": found.area, "kind": found.kind, "severity": found.severity or usual,
            "found_by": found.found_by or ("customer" if _has_left(piece) else "here"),
            "mark_id": _own_mark(act.db, piece, found.mark),
        }
        for piece in pieces
    ]  # fmt: skip
    if rows:
        act.db.execute(insert(findings), rows)


def _own_mark(db: Connection, piece: Piece, mark: int | None) -> int | None:
    return mark if mark is not None and mark in marks_of(db, piece) else None


def _has_left(piece: Piece) -> bool:
    return PLACE[piece.state.step] >= PLACE[Step.HANDED_OVER]


def marks_of(db: Connection, piece: Piece) -> dict[int, int]:
    """The marks of a piece's animals that are not taken off, and whether each must match."""
    found = db.execute(
        select(marks.c.id, marks.c.must)
        .join(models, models.c.animal_id == marks.c.animal_id)
        .where(models.c.id.in_(models_of(db, piece)), marks.c.gone_at.is_(None))
    )
    return {row.id: row.must for row in found}


def check(
    db: Connection, piece: Piece, settings: StudioSettings, marked: Collection[int],
    checked: Collection[str],
) -> None:  # fmt: skip
    """Whether everything was looked at before a piece passes. Raises BadFields."""
    must = [mark for mark, needed in marks_of(db, piece).items() if needed]
    rules.check_marks(must, marked)
    rules.check_list(_to_tick(db, piece, settings), checked)
    if settings.photos_at_pass:
        _check_photos(db, piece)


def _to_tick(db: Connection, piece: Piece, settings: StudioSettings) -> list[str]:
    looks = select(copies.c.inscription, copies.c.base).where(copies.c.id == piece.ref.id)
    inscription, base = db.execute(looks).one()
    c = questions.c
    own = select(c.answer).where(c.copy_id == piece.ref.id, c.verdict == CHANGES, c.dropped == 0)
    changes = db.execute(own.order_by(c.answered_at)).scalars()
    return rules.to_tick(settings.choices("inspection_list"), inscription, base, changes)


def _check_photos(db: Connection, piece: Piece) -> None:
    """The studio wants two pictures of a piece as it passes. Raises BadFields."""
    c = bench_pictures.c
    taken = select(func.count()).where(
        c.copy_id == piece.ref.id, c.finding_id.is_(None), c.gone_at.is_(None),
        c.taken_at >= piece.state.entered_at,
    )  # fmt: skip
    missing = rules.PHOTOS_AT_PASS - db.execute(taken).scalar_one()
    if missing > 0:
        said = words.count(missing, "more photo", "more photos")
        raise BadFields({"photos": f"Take {said} of the finished piece first, then pass it."})


def keep_ticks(
    act: Act, pieces: Sequence[Piece], settings: StudioSettings, marked: Collection[int]
) -> None:
    """Keep the marks that were ticked, and the lines of the list, each of which was."""
    entries = act.done.entries
    ticks = [
        {"copy_id": piece.ref.id, "mark_id": mark, "transition_id": entries[piece.ref]}
        for piece in pieces
        for mark in marks_of(act.db, piece)
        if mark in marked
    ]
    lines = [
        {"copy_id": piece.ref.id, "transition_id": entries[piece.ref], "what": line}
        for piece in pieces
        for line in _to_tick(act.db, piece, settings)
    ]
    for table, rows in ((mark_ticks, ticks), (check_ticks, lines)):
        if rows:
            act.db.execute(insert(table), rows)
