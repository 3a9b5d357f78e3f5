"""The judgement of a set of pictures: findings and verdict.

Four things are judged apart: do the pictures hold together, is the animal seen from all sides, is
each picture sharp and lit, is there enough detail. Pure: facts in, findings out.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from itertools import chain, pairwise

import numpy as np

from app.photos.check.facts import GraphShape, Ring, SetFacts
from app.photos.check.flaws import BLURS, change_at, flaws, other_zoom
from app.photos.check.thresholds import Thresholds


class Verdict(StrEnum):
    """The answer for a whole set, or for one of the four things judged apart."""

    WILL_DO = "will do"
    DOUBTFUL = "doubtful"
    WILL_NOT_DO = "will not do"
    NOTHING_READABLE = "nothing readable"
    CANNOT_TELL = "cannot tell"


class Weight(IntEnum):
    """What a finding does to the verdict: nothing, makes it doubtful, or stops the set."""

    NOTE = 0
    DOUBT = 1
    STOP = 2


class Aspect(StrEnum):
    """The things judged apart."""

    HOLDS = "holds together"
    ROUND = "seen from all sides"
    CLEAR = "sharp and lit"
    DETAIL = "enough detail"


@dataclass(frozen=True)
class Finding:
    """One thing found: a code of `wording`, the pictures it is about and the numbers in it."""

    code: str
    weight: Weight
    pictures: tuple[str, ...] = ()
    values: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class Judgement:
    """Verdict, findings with the heaviest first, the four verdicts, and what cannot be told."""

    verdict: Verdict
    findings: tuple[Finding, ...]
    aspects: Mapping[Aspect, Verdict]
    cannot_tell: tuple[str, ...]


def distinct(facts: SetFacts) -> list[int]:
    """Places of the pictures that could be read and repeat no other."""
    return [i for i, p in enumerate(facts.pictures) if not p.problem and i not in facts.copies]


def judge(facts: SetFacts, t: Thresholds) -> Judgement:
    """The whole judgement. With nothing to read the verdict says that and nothing else."""
    unread = [p.name for p in facts.pictures if p.problem]
    if len(unread) == len(facts.pictures):
        finding = Finding("nothing_readable", Weight.STOP, tuple(unread))
        return Judgement(Verdict.NOTHING_READABLE, (finding,), {}, ())
    apart = {
        Aspect.HOLDS: _holds(facts, t),
        Aspect.ROUND: _round(facts, t),
        Aspect.CLEAR: _clear(facts, t),
        Aspect.DETAIL: _detail(facts, t),
    }
    aspects = {aspect: _verdict(findings) for aspect, findings in apart.items()}
    if facts.ring is None:
        aspects[Aspect.ROUND] = Verdict.CANNOT_TELL
    found = list(chain.from_iterable(apart.values()))
    if unread:
        found.append(Finding("unreadable", Weight.NOTE, tuple(unread)))
    found.sort(key=lambda f: (-f.weight, ORDER.index(f.code)))
    return Judgement(_verdict(found), tuple(found), aspects, _cannot_tell(facts))


ORDER = (
    "too_few", "two_groups", "falls_apart", "still_background", "too_blurred", "one_side",
    "gap", "open_ring", "missing_links", "thin", "joined_late", "held_by_few", "wide_steps",
    "turns_conflict", "mostly_flawed", "rest_falls_apart", "mostly_dark", "mostly_noisy",
    "mostly_small", "few",
    "left_alone", "hanging", "flawed", "light_changed", "uneven_light", "clipped", "noisy",
    "small", "copied", "other_zoom", "repeated", "one_height", "unreadable",
)  # fmt: skip
"""Codes of findings from the weightiest down; among findings of one weight this is the order."""


def _verdict(found: Sequence[Finding]) -> Verdict:
    worst = max((f.weight for f in found), default=Weight.NOTE)
    return (Verdict.WILL_DO, Verdict.DOUBTFUL, Verdict.WILL_NOT_DO)[worst]


def _names(facts: SetFacts, places: Collection[int]) -> tuple[str, ...]:
    return tuple(facts.pictures[i].name for i in sorted(places))


def _noted(
    code: str, facts: SetFacts, places: Collection[int], values: Mapping[str, object] | None = None
) -> list[Finding]:
    """A note about some pictures, where there are any."""
    return [Finding(code, Weight.NOTE, _names(facts, places), values or {})] if places else []


def _holds(facts: SetFacts, t: Thresholds) -> list[Finding]:
    """Does the set hang together, and is it one animal."""
    own, shape = distinct(facts), facts.shape
    found: list[Finding] = []
    if len(own) < t.least_pictures:
        values = {"count": len(own), "least": t.least_pictures, "more": t.full_ring}
        speaks_against = facts.quick_share >= t.holds_well or _firm(facts, t)
        conflict = len(own) >= t.never_held and speaks_against
        weight = Weight.DOUBT if conflict else Weight.STOP
        found.append(Finding("too_few", weight, _names(facts, own), values))
    elif len(own) < t.few_pictures:
        found.append(Finding("few", Weight.NOTE, (), {"count": len(own)}))
    if facts.still_share > t.still_share and len(own) > 2:
        weight = Weight.STOP if shape.share < t.holds_too_little else Weight.DOUBT
        found.append(Finding("still_background", weight))
    elif shape.share < t.holds_too_little:
        found.append(_apart(facts, t))
    elif shape.share < t.holds_well:
        outside = [i for i in own if i not in shape.core]
        names = _names(facts, outside)
        found.append(Finding("missing_links", Weight.DOUBT, names, _joint(facts, t)))
    else:
        found += _noted("left_alone", facts, shape.alone)
        found += _noted("hanging", facts, shape.hanging)
        found += _thin(shape, facts, t)
        parts = _large_parts(facts.quick_groups, shape.asked)
        if parts:
            # What joins them may be the ground that two animals stood on.
            values = {"core": len(parts[0]), "second_count": len(parts[1])}
            names = _names(facts, parts[1])
            found.append(Finding("joined_late", Weight.DOUBT, names, values))
        elif facts.quick_share < t.quick_too_little and not _firm(facts, t):
            found.append(Finding("held_by_few", Weight.DOUBT, (), {"more": t.full_ring}))
    if facts.ring is not None and facts.ring.doubted > t.doubted_turns:
        found.append(Finding("turns_conflict", Weight.DOUBT, (), {"more": t.full_ring}))
    values = {"copies": len(facts.copies), "count": len(own)}
    return [*found, *_noted("repeated", facts, facts.copies, values)]


def _firm(facts: SetFacts, t: Thresholds) -> bool:
    """Whether the better features alone are enough: bark and fur are lost to the quick ones."""
    return facts.shape.share >= t.holds_well and facts.shape.strength >= t.firm_strength


Groups = Sequence[tuple[int, ...]]


def _large_parts(groups: Groups, asked: int) -> Groups:
    """The groups that may each be an animal of its own; none where there are not two."""
    large = [g for g in groups if len(g) >= max(6, 0.2 * asked)]
    return large if len(large) >= 2 and sum(map(len, large)) >= 0.8 * asked else []


def _apart(facts: SetFacts, t: Thresholds) -> Finding:
    """A set in pieces: two large groups are likely two animals, else views are missing."""
    shape = facts.shape
    large = _large_parts(shape.groups, shape.asked)
    if large:
        return Finding("two_groups", Weight.STOP, _names(facts, large[1]), _joint(facts, t))
    outside = [i for i in distinct(facts) if i not in shape.core]
    return Finding("falls_apart", Weight.STOP, _names(facts, outside), _joint(facts, t))


def _joint(facts: SetFacts, t: Thresholds) -> dict[str, object]:
    """How many hold, between which neighbours in time views are missing, and how many to ask for.

    Three for each place where one picture and the next are in different groups; the first such
    place is named.
    """
    own = distinct(facts)
    values: dict[str, object] = {"core": len(facts.shape.core), "count": facts.shape.asked}
    part = {p: k for k, group in enumerate(facts.shape.groups) for p in group}
    broken = [(a, b) for a, b in pairwise(own) if part.get(a, -1 - a) != part.get(b, -1 - b)]
    if not broken:
        return {**values, "more": 6}
    a, b = (facts.pictures[i].name for i in broken[0])
    return {**values, "first": a, "second": b, "more": min(t.full_ring, 3 * len(broken))}


def is_thin(shape: GraphShape, t: Thresholds) -> bool:
    """Whether few spots are seen three times."""
    thin = len(shape.thin) / max(shape.asked, 1)
    return shape.strength < t.weak_strength or thin > t.thin_share


def _thin(shape: GraphShape, facts: SetFacts, t: Thresholds) -> list[Finding]:
    if not is_thin(shape, t):
        return []
    more = max(6, min(t.full_ring, shape.asked))
    values = {"thin": len(shape.thin), "count": shape.asked, "more": more}
    return [Finding("thin", Weight.DOUBT, _names(facts, shape.thin), values)]


def _round(facts: SetFacts, t: Thresholds) -> list[Finding]:
    """Is the ring closed, are its steps small enough, at how many heights was it walked."""
    ring = facts.ring
    if ring is None:
        return []
    found = []
    a, b = (facts.pictures[i].name for i in ring.between)
    if ring.gap > 360.0 - t.one_side:
        # One direction is no gap between two pictures: what is asked is the whole way round.
        arc = max(10, 10 * round((360.0 - ring.gap) / 10))
        values: dict[str, object] = {"arc": arc, "more": t.full_ring - arc // 10}
        found.append(Finding("one_side", Weight.DOUBT, (), values))
    elif ring.gap > t.gap:
        values = {"gap": 10 * round(ring.gap / 10), "first": a, "second": b}
        values["more"] = max(2, round(ring.gap / 10) - 1)
        found.append(Finding("gap", Weight.DOUBT, (a, b), values))
    elif not ring.closed:
        # With a focal length only assumed a gap can read far too narrow; that no match leads
        # across it is the surer sign.
        values = {"first": a, "second": b, "more": 6}
        found.append(Finding("open_ring", Weight.DOUBT, (a, b), values))
    if ring.step > t.wide_step:
        values = {"step": round(ring.step), "more": max(6, t.full_ring - len(ring.azimuth))}
        found.append(Finding("wide_steps", Weight.DOUBT, (), values))
    if len(heights(ring)) == 1:
        found.append(Finding("one_height", Weight.NOTE))
    return found


def heights(ring: Ring) -> list[int]:
    """Heights in degrees, about, at which at least three pictures were taken.

    A height is a cluster of pictures at least 12° from the next; finer cannot be told.
    """
    levels = sorted(ring.height.values())
    groups: list[list[float]] = []
    for level in levels:
        if groups and level - groups[-1][-1] < 12.0 and level - groups[-1][0] < 24.0:
            groups[-1].append(level)
        else:
            groups.append([level])
    return [5 * round(float(np.mean(g)) / 5) for g in groups if len(g) >= 3]


def _clear(facts: SetFacts, t: Thresholds) -> list[Finding]:
    """Is each picture sharp and lit; and if some are not, does the rest do without them."""
    own = distinct(facts)
    wrong = flaws(facts.pictures, t)
    together = [i for i in own if i in facts.shape.core] or own
    bad = [i for i in own if wrong[i] & BLURS]
    found: list[Finding] = []
    values = {"bad": len(bad), "count": len(own), "rest": len(own) - len(bad)}
    names = _names(facts, bad)
    if _share(own, wrong, "hopeless") > t.flawed_share:
        found.append(Finding("too_blurred", Weight.STOP, names, values))
    elif _share(own, wrong, "dark") > t.flawed_share:
        found.append(Finding("mostly_dark", Weight.DOUBT, names, values))
    elif len(bad) > t.flawed_share * len(own):
        found.append(Finding("mostly_flawed", Weight.DOUBT, names, values))
    elif bad:
        code = "flawed" if _rest_holds(facts, t) else "rest_falls_apart"
        weight = Weight.NOTE if code == "flawed" else Weight.DOUBT
        found.append(Finding(code, weight, names, values))
    noisy = [i for i in own if "noisy" in wrong[i]]
    if len(noisy) > t.flawed_share * len(own):
        found.append(Finding("mostly_noisy", Weight.DOUBT, _names(facts, noisy)))
    else:
        found += _noted("noisy", facts, noisy)
    found += _noted("clipped", facts, [i for i in own if "clipped" in wrong[i]])
    return found + _light(facts, together, t)


def _share(own: Sequence[int], wrong: Sequence[frozenset[str]], flaw: str) -> float:
    return sum(flaw in wrong[i] for i in own) / max(len(own), 1)


def _rest_holds(facts: SetFacts, t: Thresholds) -> bool:
    """Whether the pictures that are sharp hold together and go round as well as the whole set."""
    rest = facts.rest
    if rest is None or rest.asked < t.least_pictures:
        return False
    if rest.share < min(t.holds_well, facts.shape.share):
        return False
    if facts.ring is None or facts.rest_ring is None:
        return facts.ring is None
    if facts.ring.closed and not facts.rest_ring.closed:
        return False
    return facts.rest_ring.gap <= max(t.gap, facts.ring.gap + 10.0)


def _light(facts: SetFacts, own: Sequence[int], t: Thresholds) -> list[Finding]:
    """Light against the neighbours in time, and one lasting change on the way."""
    if len(own) < 8 or _share(own, flaws(facts.pictures, t), "dark") > t.flawed_share:
        return []
    level = np.array([facts.pictures[i].light for i in own])
    warmth = np.array([facts.pictures[i].warmth for i in own])
    found: list[Finding] = []
    changed = change_at(level, t.light_changed_stops)
    if changed is None:
        changed = change_at(warmth, t.colour_changed)
    if changed is not None:
        values = {"first": facts.pictures[own[changed]].name}
        found += _noted("light_changed", facts, own[changed:], values)
    padded = np.pad(level, 2, mode="reflect")
    around = np.array([np.median(np.delete(padded[k : k + 5], 2)) for k in range(len(own))])
    odd = [i for i, off in zip(own, np.abs(level - around), strict=True) if off > t.uneven_stops]
    return found + _noted("uneven_light", facts, odd)


def _detail(facts: SetFacts, t: Thresholds) -> list[Finding]:
    """Pixels, copies through chat programs, and one zoom kept."""
    own = distinct(facts)
    wrong = flaws(facts.pictures, t)
    found: list[Finding] = []
    small = [i for i in own if "small" in wrong[i]]
    if small:
        most = len(small) > t.flawed_share * len(own)
        code, weight = ("mostly_small", Weight.DOUBT) if most else ("small", Weight.NOTE)
        values = {"side": int(np.median([facts.pictures[i].long_side for i in small]))}
        found.append(Finding(code, weight, _names(facts, small), values))
    found += _noted("copied", facts, [i for i in own if "copied" in wrong[i]])
    zoomed = other_zoom([facts.pictures[i] for i in own], t)
    if zoomed:
        found.append(Finding("other_zoom", Weight.NOTE, zoomed))
    return found


def _cannot_tell(facts: SetFacts) -> tuple[str, ...]:
    """Codes of what this check cannot know of this set."""
    codes = []
    if facts.ring is None:
        codes.append("sides")
    elif len(facts.ring.height) < 0.8 * len(distinct(facts)):
        codes.append("sides_of_some")
    if not any(p.focal_35 for p in facts.pictures):
        codes.append("focal")
    if not all(p.taken for p in facts.pictures if not p.problem):
        codes.append("times")
    return (*codes, "kept_still", "mirrored", "fine_hair")
