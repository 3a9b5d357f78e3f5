"""What still differs from what an order's customer was told last. Pure."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass

from app.flow.news import ADDED


@dataclass(frozen=True, slots=True)
class ChangeFacts:
    """A change that the customer is to be told of: of the copy with a `code`, or of the order.

    `before` and `after` are the words of the note, "" for nothing. No page and no letter has
    those of an address.
    """

    id: int
    code: str
    field: str
    before: str
    after: str
    by_customer: bool


def changed(
    changes: Iterable[ChangeFacts], since: int, copies: Collection[str]
) -> list[ChangeFacts]:
    """The changes from one on that still stand, each field once, as the first of them noted it.

    What was changed and changed back is none; of a copy that was added, that is all there is.
    `copies` are the codes of those that are made still.
    """
    first: dict[tuple[str, str], ChangeFacts] = {}
    last: dict[tuple[str, str], str] = {}
    for one in changes:
        if one.id >= since:
            first.setdefault((one.code, one.field), one)
            last[one.code, one.field] = one.after
    new = {code for code, field in first if field == ADDED}
    return [
        one
        for key, one in first.items()
        if (not one.code or one.code in copies)
        and one.before != last[key]
        and (one.field == ADDED or one.code not in new)
    ]
