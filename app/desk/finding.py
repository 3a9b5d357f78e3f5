"""Finding an order from whatever one has: a name, a number, a piece of one, a pasted message. Pure.

Every order is one line of text (its number, codes, customer, mails, phone, animals, references,
tracking numbers). All lines stand in one long text, so that a search is one pass of the machine's
own substring search, which finds two letters and the middle of a number alike.
"""

import heapq
import re
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from app.flow.steps import piece_code
from app.shared.text import fold

MOST_FOUND = 30
MOST_LOOKED_AT = 400
MESSAGE_FROM = 60
NEARLY_FROM = 4
# What nearly fits weighs less than anything that fits.
NEARLY = -1.0
_MAIL = re.compile(r"[^\s@<>()\[\],;:\"']+@[^\s@<>()\[\],;:\"']+\.[^\s@<>()\[\],;:\"'.!?]{2,}")
_CODE = re.compile(r"\b(\d{1,9})-([A-La-l])(\d{0,2})\b")
_TOKEN = re.compile(r"[^\W_](?:[\w./-]*[^\W_])?", re.UNICODE)
_NAME = re.compile(r"\b[^\W\d_][^\W\d_’'-]+\b", re.UNICODE)


@dataclass(frozen=True, slots=True)
class IndexedOrder:
    """What is known of one order, for finding it.

    `text` holds everything, folded; `exact` the keys that name it alone or nearly so (mails,
    number, codes, references, tracking numbers, phone digits); `names` the folded words of
    people's and animals' names.
    """

    order_id: int
    number: int
    open: bool
    text: str
    exact: frozenset[str]
    customer: frozenset[str]
    animals: frozenset[str]


@dataclass(frozen=True, slots=True)
class Hit:
    """An order that may be meant, and how surely (more is surer)."""

    entry: IndexedOrder
    weight: float


@dataclass
class Index:
    """All orders, ready to be searched. `put` replaces an order's line."""

    entries: dict[int, IndexedOrder] = field(default_factory=dict)
    _text: str = ""
    _starts: list[int] = field(default_factory=list)
    _order: list[int] = field(default_factory=list)
    _by_key: dict[str, set[int]] = field(default_factory=dict)
    _by_name: dict[str, set[int]] = field(default_factory=dict)
    _shortened: dict[str, set[str]] = field(default_factory=dict)
    _stale: bool = True

    def put(self, entries: Iterable[IndexedOrder]) -> None:
        """Take in orders that are new or have changed."""
        for entry in entries:
            if (old := self.entries.get(entry.order_id)) is not None:
                self._forget(old)
            self.entries[entry.order_id] = entry
            for key in entry.exact:
                self._by_key.setdefault(key, set()).add(entry.order_id)
            for name in entry.customer | entry.animals:
                if name not in self._by_name:
                    self._by_name[name] = set()
                    for short in _shortened(name):
                        self._shortened.setdefault(short, set()).add(name)
                self._by_name[name].add(entry.order_id)
            self._stale = True

    def _forget(self, entry: IndexedOrder) -> None:
        for key in entry.exact:
            self._by_key.get(key, set()).discard(entry.order_id)
        for name in entry.customer | entry.animals:
            self._by_name.get(name, set()).discard(entry.order_id)

    def find(self, typed: str) -> list[Hit]:
        """Orders that may be meant, surest first: open before closed, newer before older."""
        typed = typed.strip()
        if not typed:
            return []
        if "\n" in typed or len(typed) > MESSAGE_FROM:
            return self._in_message(typed)
        return self._typed(typed)

    def _typed(self, typed: str) -> list[Hit]:
        """A few words: orders whose line holds all of them; a key that fits whole comes first."""
        wanted = fold(typed).split()
        if not wanted:
            return []
        exact = self._named(keys_of(typed))
        longest = max(wanted, key=len)
        found = [
            self.entries[i]
            for i in self._holding(longest)
            if all(word in self.entries[i].text for word in wanted)
        ]
        hits = {e.order_id: Hit(e, NEARLY + e.open / 4) for e in self._nearly(wanted)}
        hits |= {e.order_id: Hit(e, _weight(e, wanted)) for e in found}
        for order_id in exact:
            hits[order_id] = Hit(self.entries[order_id], 10 + self.entries[order_id].open)
        return _sorted(hits.values())

    def _nearly(self, wanted: Sequence[str]) -> list[IndexedOrder]:
        """Orders that fit where one letter of a name may be wrong, as many as one looks at.

        A name and a word with one letter wrong, missing, too many or two swapped become the same
        when at most one letter is left out of each.
        """
        near = {
            word: {
                name for short in _shortened(word) for name in self._shortened.get(short, ())
                if one_letter_apart(name, word)
            }
            for word in wanted
        }  # fmt: skip
        ids = {i for names in near.values() for name in names for i in self._by_name[name]}
        found = (self.entries[i] for i in heapq.nlargest(MOST_LOOKED_AT, ids))
        return [
            entry for entry in found
            if all(
                word in entry.text or not near[word].isdisjoint(entry.customer | entry.animals)
                for word in wanted
            )
        ]  # fmt: skip

    def _holding(self, part: str) -> list[int]:
        """The orders whose line holds a piece of text, as many as anybody would look through."""
        self._settle()
        found: list[int] = []
        at = self._text.find(part)
        while at >= 0 and len(found) < MOST_LOOKED_AT:
            place = bisect_right(self._starts, at) - 1
            found.append(self._order[place])
            after = self._starts[place + 1] if place + 1 < len(self._starts) else len(self._text)
            at = self._text.find(part, after)
        return found

    def _settle(self) -> None:
        if not self._stale:
            return
        self._starts, self._order, lines, at = [], [], [], 0
        # Open orders first, then the newest: a search that finds very many may stop early.
        ordered = sorted(self.entries.values(), key=lambda e: (not e.open, -e.number))
        for entry in ordered:
            order_id = entry.order_id
            self._starts.append(at)
            self._order.append(order_id)
            lines.append(entry.text)
            at += len(entry.text) + 1
        self._text = "\n".join(lines)
        self._stale = False

    def _named(self, keys: Iterable[str]) -> dict[int, int]:
        """How many of some exact keys each order has."""
        counts: dict[int, int] = {}
        for key in set(keys):
            for order_id in self._by_key.get(key, ()):
                counts[order_id] = counts.get(order_id, 0) + 1
        return counts

    def _in_message(self, text: str) -> list[Hit]:
        """A pasted message: what in it names an order, and how strongly.

        A mail or number weighs 10, a customer's name 3 a word (6 for two), an animal's 2, an open
        order half a point. What names dozens of orders says nothing and is left out.
        """
        weights: dict[int, float] = {}
        for order_id, count in self._named(keys_of(text)).items():
            weights[order_id] = 10.0 * count
        for word in {fold(name) for name in _NAME.findall(text)}:
            known = self._by_name.get(word, set())
            if not known or len(known) > 40:
                continue
            for order_id in known:
                points = 3.0 if word in self.entries[order_id].customer else 2.0
                weights[order_id] = weights.get(order_id, 0.0) + points
        hits = (
            Hit(self.entries[i], weight + 0.5 * self.entries[i].open)
            for i, weight in weights.items()
        )
        return _sorted(hits)


def _shortened(word: str) -> set[str]:
    """A name and what is left of it without one letter; nothing for numbers and the short."""
    if len(word) < NEARLY_FROM or any(sign.isdigit() for sign in word):
        return set()
    return {word, *(word[:i] + word[i + 1 :] for i in range(len(word)))}


def one_letter_apart(one: str, other: str) -> bool:
    """Whether two words differ by one letter wrong, missing or too many, or by two swapped."""
    short, long = sorted((one, other), key=len)
    if short == long or len(long) - len(short) > 1:
        return False
    i = next((i for i, (a, b) in enumerate(zip(short, long, strict=False)) if a != b), len(short))
    if len(short) < len(long):
        return short[i:] == long[i + 1 :]
    swapped = short[i + 1 : i + 2] + short[i : i + 1] == long[i : i + 2]
    return short[i + 1 :] == long[i + 1 :] or (swapped and short[i + 2 :] == long[i + 2 :])


def keys_of(text: str) -> list[str]:
    """Everything in a text that may be a key: mails, codes, numbers, references, phone digits."""
    found = [mail.casefold().rstrip(".") for mail in _MAIL.findall(text)]
    for number, letter, copy in _CODE.findall(text):
        found += [f"#{number}", piece_code(number, letter.lower(), copy)]
    for token in _TOKEN.findall(text):
        if any(sign.isdigit() for sign in token):
            found.append(key_of(token))
            if token.isdecimal():
                found.append(f"#{int(token)}")
    # Numbers written with gaps: a phone or a tracking number.
    for run in re.findall(
        r"(?:[A-Za-z]{0,3}[ -]?)?\d(?:[ ./()-]?\d){5,}(?:[ -]?[A-Za-z]{2}\b)?", text
    ):
        found.append(key_of(run))
        digits = "".join(sign for sign in run if sign.isdigit())
        if len(digits) > 6:
            found.append(f"tel{digits[-7:]}")
    return found


def key_of(token: str) -> str:
    """A reference or number as it is compared: letters and digits only, no case."""
    return "".join(sign for sign in token.casefold() if sign.isalnum())


def _weight(entry: IndexedOrder, wanted: Sequence[str]) -> float:
    """Words that begin a name weigh more than ones in the middle of something."""
    words = f" {entry.text}"
    return sum(1.0 for word in wanted if f" {word}" in words) + 0.5 * entry.open


def _sorted(hits: Iterable[Hit]) -> list[Hit]:
    ordered = sorted(hits, key=lambda h: (-h.weight, not h.entry.open, -h.entry.number))
    return ordered[:MOST_FOUND]


def sure(hits: Sequence[Hit]) -> Hit | None:
    """The one that is surely meant: alone, or half as sure again as the next."""
    if not hits:
        return None
    hits = [hit for hit in hits if hit.weight >= 0] or hits
    if len(hits) == 1 or hits[0].weight >= 1.5 * abs(hits[1].weight):
        return hits[0]
    # Several orders of one thing, of which only one is open: that one.
    best = [h for h in hits if h.weight >= hits[0].weight - 0.5]
    living = [h for h in best if h.entry.open]
    return living[0] if len(living) == 1 else None
