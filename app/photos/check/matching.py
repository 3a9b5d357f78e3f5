"""What is matched with what in one set: quick features first, better ones where it matters."""

from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from app.photos.check import graph, ring, views
from app.photos.check.answer import Progress, Report
from app.photos.check.facts import GraphShape, PictureFacts, Ring, ViewPair
from app.photos.check.thresholds import Thresholds
from app.photos.pictures.reading import Features, Read, Readers

Pair = tuple[int, int]


class Matching:
    """The links of a set, growing as more pairs are asked about.

    Pictures are known by their places; `own` are those to be matched (read, and no copies).
    """

    def __init__(
        self,
        reads: Sequence[Read],
        pictures: Sequence[PictureFacts],
        likeness: NDArray[np.float32],
        own: Sequence[int],
        copies: dict[int, int],
        t: Thresholds,
    ) -> None:
        self.reads, self.pictures, self.likeness, self.t = reads, pictures, likeness, t
        self.own, self.copies = list(own), copies
        self._place = {p: k for k, p in enumerate(self.own)}
        self.quick: dict[Pair, ViewPair] = {}
        self.better: dict[Pair, ViewPair] = {}
        self._sift: dict[int, Features] = {}

    def match_quickly(self, report: Report) -> None:
        """ORB over the pairs worth it, then a wider circle for what was left out."""
        features = {i: r.features for i, r in enumerate(self.reads) if r.features is not None}
        self._keep(self.quick, self._worth(3, 5), features, "matching", report)
        left = self.outside(self.own)
        if left and len(self.own) > 20:
            wider = [p for p in self._worth(6, 12) if p not in self.quick and left & set(p)]
            self._keep(self.quick, wider, features, "matching what was left alone", report)

    def _worth(self, steps: int, nearest: int) -> list[Pair]:
        among = self.likeness[np.ix_(self.own, self.own)]
        return [(self.own[i], self.own[j]) for i, j in views.worth_matching(among, steps, nearest)]

    def ask_better(self, pairs: Iterable[Pair], readers: Readers, report: Report) -> bool:
        """SIFT over pairs that it was not asked about yet: fur and bark hold by it.

        Gives whether there were any.
        """
        asked = sorted(set(pairs) - self.better.keys())
        places = sorted({i for pair in asked for i in pair} - self._sift.keys())
        for place, found in readers.each(
            readers.better_features, [self.reads[i].found for i in places]
        ):
            if found is not None:
                self._sift[places[place]] = found
            report(Progress("looking closer", len(self._sift), len(places)))
        self._keep(self.better, asked, self._sift, "matching again", report)
        return bool(asked)

    def _keep(
        self,
        links: dict[Pair, ViewPair],
        pairs: Sequence[Pair],
        features: dict[int, Features],
        stage: str,
        report: Report,
    ) -> None:
        usable = [(a, b) for a, b in pairs if a in features and b in features]
        for done, found in enumerate(self._links(usable, features), start=1):
            links[found.a, found.b] = found
            if done % 25 == 0 or done == len(usable):
                report(Progress(stage, done, len(usable)))

    def _links(self, pairs: Sequence[Pair], features: dict[int, Features]) -> Iterator[ViewPair]:
        """Two threads suffice: OpenCV lets go of the interpreter while it works."""

        def one(pair: Pair) -> ViewPair:
            a, b = pair
            focal = (focal_share(self.pictures[a]), focal_share(self.pictures[b]))
            return views.link(pair, (features[a], features[b]), focal)

        with ThreadPoolExecutor(2, "matcher") as threads:
            yield from threads.map(one, pairs)

    def links(self) -> list[ViewPair]:
        """One link a pair; the better features' where they agree on more than half as much."""
        best = {p: e for p, e in self.quick.items() if e.agreeing >= self.t.quick_agreeing}
        for pair, link in self.better.items():
            quick = best.get(pair)
            enough = link.agreeing >= self.t.better_agreeing
            if enough and (quick is None or 2 * link.agreeing > quick.agreeing):
                best[pair] = link
        return [best[pair] for pair in sorted(best)]

    def still_share(self) -> float:
        """Share of the links in which much of what agrees did not move at all.

        Links between neighbours in time are left out: a small step hardly moves what is near the
        axis of the turn, and many small steps are no fault.
        """
        counted = [e for e in self.quick.values() if e.agreeing >= self.t.quick_agreeing]
        farther = [e.still for e in counted if self._steps_apart(e) >= 3]
        return sum(farther) / len(farther) if farther else 0.0

    def _steps_apart(self, link: ViewPair) -> int:
        return abs(self._place[link.a] - self._place[link.b])

    def is_still(self) -> bool:
        """Whether the background stands still in most of the set."""
        return self.still_share() > self.t.still_share

    def shape(self, among: Sequence[int]) -> GraphShape:
        """The shape of the graph over some of the pictures."""
        still = self.is_still()
        weights = graph.weights_of(self.quick.values(), self.t.quick_agreeing, still)
        weights |= graph.weights_of(self.better.values(), self.t.better_agreeing, still)
        return graph.shape(among, weights)

    def ring(self, among: Sequence[int]) -> Ring | None:
        """The ring of some of the pictures; none where only a still background was matched."""
        if self.is_still():
            return None
        inside = set(among)
        return ring.read_ring([e for e in self.links() if e.a in inside and e.b in inside])

    def outside(self, among: Sequence[int]) -> set[int]:
        """Those of some pictures that are not in the group that holds."""
        return set(among) - set(self.shape(among).core)

    def likely_neighbours(self, left: Iterable[int], among: Sequence[int]) -> set[Pair]:
        """Pairs of the left with those near in time or like them, not linked well already."""
        place = {p: k for k, p in enumerate(among)}
        pairs: set[Pair] = set()
        for i in left:
            near = among[max(0, place[i] - 3) : place[i] + 4]
            alike = sorted(among, key=lambda j: -float(self.likeness[i, j]))[:7]
            # The first and the last picture of a ring are neighbours too.
            ends = (among[0], among[-1]) if place[i] in (0, len(among) - 1) else ()
            pairs |= {(min(i, j), max(i, j)) for j in (*near, *alike, *ends) if j != i}
        return pairs - self._sure()

    def across(self, found: Ring) -> set[Pair]:
        """Pairs near the ends of a gap that could close it, or show a picture to be misplaced."""
        place = self._place
        around = set(found.between)
        for end in found.between:
            around |= set(self.own[max(0, place[end] - 2) : place[end] + 3])
            linked = [e for e in self.links() if end in (e.a, e.b)]
            linked.sort(key=lambda e: -e.agreeing)
            around |= {p for e in linked[:3] for p in (e.a, e.b)}
        return set(combinations(sorted(around), 2)) - self._sure()

    def _sure(self) -> set[Pair]:
        return {p for p, e in self.quick.items() if e.agreeing >= graph.SURE}


def focal_share(picture: PictureFacts) -> float:
    """Focal length as a share of the long side: 36 mm of film, or 1.2 where nothing is said."""
    share = picture.focal_35 / 36.0
    return share if 0.4 < share < 12.0 else 1.2
