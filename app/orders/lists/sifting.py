"""How the list of orders is sorted and sifted by its address, and how an order is said. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any
from urllib.parse import urlencode

from app.flow.steps import BENCHES, PLACE, STEPS, Step
from app.orders.forecast.chances import how_likely

SORTS: Mapping[str, str] = {
    "number": "number", "needed": "needed by", "ready": "ready by, as told", "name": "customer",
}  # fmt: skip
SHOWS: Mapping[str, str] = {
    "all": "all", "late": "late", "past": "past the last date given", "needed": "needed by a date",
    "risk": "may miss the date they are needed by", "unpaid": "not paid in full", "held": "on hold",
    "gift": "gifts",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Sifting:
    """What the address asks for: it survives a reload and can be bookmarked."""

    sort: str = "number"
    show: str = "all"
    closed: bool = False
    page: int = 0

    def address(self, **other: Any) -> str:
        """The address of the same list, but for what is given."""
        asked = {"sort": self.sort, "show": self.show, "closed": int(self.closed)} | other
        usual = {"sort": "number", "show": "all", "closed": 0, "page": 0}
        said = {name: value for name, value in asked.items() if value != usual[name]}
        return f"/orders?{urlencode(said)}" if said else "/orders"


def sifting(sort: str, show: str, closed: bool, page: int) -> Sifting:
    """As the address says; what it says that is not known is as if it were not said."""
    return Sifting(
        sort if sort in SORTS else "number", show if show in SHOWS else "all", closed, page
    )


@dataclass(frozen=True, slots=True)
class Listed:
    """An order in the list: its row, the steps of its earliest and latest piece (equal where there
    is one, empty where nothing is at a bench), and in words its chance of being there when it is
    needed.
    """

    row: Mapping[Any, Any]
    earliest: str
    latest: str
    chance: str


def listed(row: Mapping[Any, Any], chances: Mapping[int, float], today: date) -> Listed:
    """An order as its line says it."""
    steps = [Step(step) for step in (row["steps"] or "").split(",") if step]
    here = sorted((step for step in steps if step in BENCHES), key=PLACE.__getitem__)
    making = any(step is not Step.HANDED_OVER for step in here)
    said = how_likely(row["needed_by"], chances.get(row["id"]), today) if making else ""
    if not here:
        return Listed(row, "", "", said)
    return Listed(row, STEPS[here[0]].name, STEPS[here[-1]].name, said)
