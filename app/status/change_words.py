"""What changed in an order since its customer last heard of it, in words. Pure.

The values are those of the order as it is now; what they were is what the first of the changes
noted. Where the parcel goes is never spelled out.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from app.flow.news import ADDED, ON_ONE_BASE
from app.orders.facts import sizes
from app.orders.facts.changed import ChangeFacts
from app.orders.facts.order import CopyFacts, OrderFacts
from app.shared.web import words
from app.status.document import Block
from app.status.order_words import called
from app.status.piece_words import described
from app.status.voice import Days

_SIZE = frozenset({"size_mm", "measured"})


def what_changed(facts: OrderFacts, since: int, days: Days) -> Iterator[Block]:
    """The changes with the words before and after them; nothing where none stands."""
    found = facts.changed(since)
    lines = (*_of_copies(facts, found), *_of_order(facts, found, days))
    if not lines:
        return
    asked = all(one.by_customer for one in found)
    lead = "As you asked, we’ve changed your order:" if asked else "We’ve changed your order:"
    yield Block("text", (lead,))
    yield Block("points", lines)
    yield Block("text", ("If anything here isn’t right, simply reply to this email.",))


def _of_copies(facts: OrderFacts, found: Sequence[ChangeFacts]) -> Iterator[str]:
    for animal in facts.alive:
        for copy in animal.made:
            own = {one.field: one.before for one in found if one.code == copy.code}
            if not own:
                continue
            # Where who stands there has changed, the line says so itself.
            shown = replace(copy, beside=()) if ON_ONE_BASE in own else copy
            yield f"{called(animal, shown)}: {_of_copy(copy, own)}"


def _of_copy(copy: CopyFacts, before: Mapping[str, str]) -> str:
    if ADDED in before:
        return f"one more copy. {described(copy)}"
    said = []
    if ON_ONE_BASE in before:
        said.append(_on_base(copy, before[ON_ONE_BASE]))
    if before.keys() & _SIZE:
        size = before.get("size_mm", str(copy.size_mm or ""))
        was = sizes.said(int(size), before.get("measured", copy.measured)) if size else ""
        now = sizes.said(copy.size_mm, copy.measured) if copy.size_mm else ""
        said.append(_now(f"size {now}" if now else "size still to be settled", was))
    for field in ("pose", "base", "finish", "extras"):
        if field in before:
            now = getattr(copy, field).strip()
            said.append(_now(f"{field} {now or 'none'}", before[field].strip()))
    if "inscription" in before:
        now = f"“{copy.inscription}”" if copy.inscription else "none"
        was = f"“{before['inscription']}”" if before["inscription"] else ""
        said.append(_now(f"inscription {now}", was))
    return f"{', '.join(said)}."


def _on_base(copy: CopyFacts, was: str) -> str:
    with_ = words.listed([animal.name for animal in copy.beside])
    return _now(f"on one base with {with_}", was) if with_ else f"no longer on one base with {was}"


def _now(said: str, was: str) -> str:
    return f"{said} instead of {was}" if was else said


def _of_order(facts: OrderFacts, found: Sequence[ChangeFacts], days: Days) -> Iterator[str]:
    fields = {one.field for one in found if not one.code}
    if "needed_by" in fields:
        by = facts.needed_by
        yield (
            f"Needed by {days.day(by)}." if by is not None else "No longer needed by a certain day."
        )
    if fields - {"needed_by"}:
        yield "Where the parcel goes has changed."
