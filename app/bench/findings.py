"""What was found on a copy, the pictures taken of it at the bench, and taking one."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, insert, select
from sqlalchemy.engine import RowMapping

from app.flow import store as flow
from app.flow.rules import Entry, cause_of, effective
from app.flow.steps import CAUSES, Of
from app.flow.store import Ref
from app.photos.release.actions import kept_anew
from app.shared.errors import NotFound, Refused
from app.shared.people import Person, first_name
from app.studio.rules import StudioSettings, read_kinds
from app.studio.workshop import Workshop
from app.tables import bench_pictures, findings

FOLDER = "bench"
AT_MOST = 400_000
MOST_PICTURES = 12
SEVERITIES = {"light": "light", "mend": "must be repaired", "again": "has to be started again"}


@dataclass(frozen=True, slots=True)
class ShownFinding:
    """A finding as its piece's page tells it; `at` is a moment (UTC seconds), `by` a first name."""

    id: int
    what: str
    said: str
    severity: str
    cause: str
    by_customer: bool
    by: str
    at: int
    pictures: Sequence[RowMapping]


@dataclass(frozen=True, slots=True)
class AtBench:
    """What was found on a copy, newest first, and the pictures of it that show no finding."""

    found: Sequence[ShownFinding]
    pictures: Sequence[RowMapping]


def read(db: Connection, ref: Ref, log: Sequence[Entry], people: Mapping[int, str]) -> AtBench:
    """What the page of a piece shows of its findings; what was undone is not shown."""
    if ref.of is not Of.COPY:
        return AtBench((), ())
    f, p = findings.c, bench_pictures.c
    rows = db.execute(select(findings).where(f.copy_id == ref.id)).mappings().all()
    own = select(bench_pictures).where(p.copy_id == ref.id, p.gone_at.is_(None)).order_by(p.id)
    taken = db.execute(own).mappings().all()
    line = {entry.id: entry for entry in effective(log)}
    found = [
        _shown(row, line[row["transition_id"]], people, taken)
        for row in reversed(rows)
        if row["transition_id"] in line
    ]
    return AtBench(found, [one for one in taken if one["finding_id"] is None])


def _shown(
    row: RowMapping, entry: Entry, people: Mapping[int, str], taken: Sequence[RowMapping]
) -> ShownFinding:
    return ShownFinding(
        id=row["id"],
        what=f"{row['area']}: {row['kind']}" if row["kind"] else row["area"],
        said=entry.reason,
        severity=SEVERITIES[row["severity"]],
        cause=CAUSES.get(cause_of(entry), ""),
        by_customer=row["found_by"] == "customer",
        by=first_name(people.get(entry.by or 0, "")),
        at=entry.happened_at,
        pictures=[one for one in taken if one["finding_id"] == row["id"]],
    )


def choices(settings: StudioSettings) -> list[tuple[str, list[tuple[str, str]]]]:
    """The studio's list for a form: areas, each with its kinds as (value, words)."""
    return [
        (area, [(f"{area}: {kind}", kind) for kind in kinds])
        for area, kinds in read_kinds(settings.finding_kinds).items()
    ]


def picture(
    workshop: Workshop, copy_id: int, finding: int | None, source: Path, who: Person
) -> None:
    """Keep a picture of a copy, or of a finding on it, made anew from its pixels.

    Raises BadFields where the file is no picture, Refused where there are many already, NotFound.
    """
    made = kept_anew(workshop.folder.pictures, source, FOLDER, AT_MOST)
    p, f = bench_pictures.c, findings.c
    with workshop.database.writing() as db:
        flow.load(db, Ref(Of.COPY, copy_id))
        if finding is not None:
            its = db.execute(select(f.copy_id).where(f.id == finding)).scalar()
            if its != copy_id:
                raise NotFound("That finding is not of this piece.")
        own = select(p.id).where(p.copy_id == copy_id, p.gone_at.is_(None))
        if len(db.execute(own).all()) >= MOST_PICTURES:
            raise Refused(f"There are {MOST_PICTURES} photos of this piece. Remove one first.")
        db.execute(
            insert(bench_pictures).values(
                copy_id=copy_id, finding_id=finding, file=made.file, width=made.width,
                height=made.height, taken_at=workshop.now(), account_id=who.account_id,
            )
        )  # fmt: skip
