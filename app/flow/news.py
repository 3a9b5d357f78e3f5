"""Which moves are news for the customer. Pure.

News is written once per order, animal, kind and round, so rework never tells anything twice.
"""

from dataclasses import dataclass

from app.flow.rules import Entry, Kind, State, TimeIs
from app.flow.steps import ASKED_AGAIN, PASSED, MoveKey

# News of what was changed of an order, and the fields of two notes: that a copy was added, and who
# else stands on its base.
CHANGED, ADDED, ON_ONE_BASE = "order_changed", "added", "on one base with"
# An order was put on the waiting list (or told another week), or struck off it.
ON_THE_LIST, OFF_THE_LIST = "on_the_list", "off_the_list"
# The moves that can be news at all.
TOLD_OF = PASSED | ASKED_AGAIN | {
    MoveKey.PHOTOS_COUNTED, MoveKey.BEGUN, MoveKey.HANDED_OVER, MoveKey.RECEIVED,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class NewsItem:
    """Something to tell. `per_animal` is False where it concerns the order as a whole."""

    kind: str
    round: int
    per_animal: bool = True


def news_of(entry: Entry, state: State) -> NewsItem | None:
    """The news in an entry, given the state after it; None where there is none.

    Only what somebody has done today is news: imported history tells the customer nothing new.
    """
    if entry.kind is not Kind.MOVE or entry.time_is is TimeIs.IMPORTED:
        return None
    if entry.move == MoveKey.PHOTOS_COUNTED:
        return NewsItem("photos_counted", state.attempts)
    if entry.move in ASKED_AGAIN:
        return NewsItem(MoveKey.MORE_VIEWS, state.attempts)
    if entry.move in PASSED:
        return NewsItem("photos_passed", 0)
    if entry.move == MoveKey.BEGUN:
        return NewsItem("making_begun", 0)
    if entry.move == MoveKey.HANDED_OVER:
        return NewsItem("handed_over", entry.amount or 0, per_animal=False)
    if entry.move == MoveKey.RECEIVED:
        return NewsItem("received", entry.amount or 0, per_animal=False)
    return None
