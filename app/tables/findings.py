"""What was found wrong with a copy, what an inspection went through, and pictures of both."""

from sqlmodel import SQLModel

from app.tables import columns as col


class FindingRow(SQLModel, table=True):
    """What an entry of the log found: the entry has the words, the cause and what was done.

    `area` and `kind` are the studio's own words, empty where nobody said; `mark_id` is the mark
    that does not match. It counts as long as its entry does: an undo takes both back.
    """

    __tablename__ = "findings"
    __table_args__ = (
        col.one_of("severity", "light", "mend", "again"),
        col.one_of("found_by", "here", "customer"),
        col.STRICT,
    )

    id: int | None = col.key()
    copy_id: int = col.to("copies.id", index=True)
    transition_id: int = col.to("transitions.id", index=True)
    area: str = col.text()
    kind: str = col.text()
    severity: str = col.text(None)
    found_by: str = col.text("here")
    mark_id: int | None = col.to_or_none("marks.id")


class CheckTick(SQLModel, table=True):
    """A line of the studio's list that was ticked when a copy passed its inspection."""

    __tablename__ = "check_ticks"
    __table_args__ = (col.STRICT,)

    id: int | None = col.key()
    copy_id: int = col.to("copies.id", index=True)
    transition_id: int = col.to("transitions.id")
    what: str = col.text(None)


class BenchPicture(SQLModel, table=True):
    """A picture taken at the bench: of a finding, or of a copy as it is inspected.

    Never shown to customers. `file` lies in pictures/bench/, made anew without metadata.
    """

    __tablename__ = "bench_pictures"
    __table_args__ = (col.STRICT,)

    id: int | None = col.key()
    copy_id: int = col.to("copies.id", index=True)
    finding_id: int | None = col.to_or_none("findings.id")
    file: str = col.text(None)
    width: int = col.whole(None)
    height: int = col.whole(None)
    taken_at: int = col.whole(None)
    account_id: int | None = col.to_or_none("accounts.id")
    gone_at: int | None = col.moment_or_none()
