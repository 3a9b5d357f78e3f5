"""The check of a set: read every picture, match them, ask better features, judge.

Nothing is written. OpenCV is imported when a check runs; pictures are decoded in children.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from app.photos import graph
from app.photos.facts import Link, Picture, Ring, SetFacts, Shape
from app.photos.reading import PROBLEMS, Features, Found, Read, Readers, natural, pictures_in
from app.photos.rules import (
    BLURS,
    Aspect,
    Judgement,
    Thresholds,
    Verdict,
    distinct,
    flaws,
    judge,
    signs_of_copy,
)
from app.photos.wording import CANNOT_TELL, Advice, advise, reason_text


@dataclass(frozen=True)
class Progress:
    """How far the check is. `finding` is what was just found, a sentence, often empty."""

    stage: str
    done: int
    total: int
    finding: str = ""


Report = Callable[[Progress], None]


@dataclass(frozen=True)
class Reason:
    """One reason for the verdict, in words, with the names of its pictures."""

    code: str
    text: str
    pictures: tuple[str, ...]
    weight: str


@dataclass(frozen=True)
class CheckResult:
    """The whole answer. `contacts` are small JPEGs by name, without any metadata.

    `facts` and `links` are what the drawings are made from.
    """

    verdict: Verdict
    reasons: tuple[Reason, ...]
    advice: tuple[Advice, ...]
    aspects: dict[Aspect, Verdict]
    cannot_tell: tuple[str, ...]
    thresholds_version: str
    facts: SetFacts
    flaws: tuple[frozenset[str], ...] = ()
    links: tuple[Link, ...] = ()
    contacts: dict[str, bytes] = field(default_factory=dict)


@dataclass
class _Set:
    """What a check gathers on its way."""

    reads: list[Read]
    pictures: list[Picture]
    copies: dict[int, int]
    links: dict[tuple[int, int], Link]
    better: dict[tuple[int, int], Link]


def check_folder(
    folder: Path,
    thresholds: Thresholds | None = None,
    progress: Report | None = None,
    remembered: bool = False,
) -> CheckResult:
    """Check every picture of a folder as one set; a missing or empty folder reads as nothing.

    `progress` is called from this thread, for each picture and each stage. `remembered`: the
    animal has died; no more views are asked for, the advice says what to judge by eye.
    """
    return check_files(pictures_in(folder), thresholds, progress, remembered)


def check_files(
    files: Sequence[Found],
    thresholds: Thresholds | None = None,
    progress: Report | None = None,
    remembered: bool = False,
) -> CheckResult:
    """The same for files named one by one, such as the union of two deliveries."""
    t = thresholds or Thresholds()
    report = progress or (lambda _: None)
    with Readers() as readers:
        reads = _in_order_of_taking(_read_all(readers, files, t, report))
        gathered = _Set(reads, [_picture(r) for r in reads], {}, {}, {})
        facts = _facts(gathered, readers, t, report)
    judgement = judge(facts, t)
    report(Progress("judged", len(files), len(files), f"The set {_said(judgement.verdict)}."))
    return _result(judgement, facts, gathered, t, remembered)


def _said(verdict: Verdict) -> str:
    return {
        Verdict.DOUBTFUL: "is doubtful",
        Verdict.NOTHING_READABLE: "holds nothing readable",
    }.get(verdict, verdict.value)


def _read_all(
    readers: Readers, files: Sequence[Found], t: Thresholds, report: Report
) -> list[Read]:
    reads: dict[int, Read] = {}
    report(Progress("reading", 0, len(files)))
    for place, read in readers.each(readers.read, files):
        reads[place] = read
        report(Progress("reading", len(reads), len(files), _first_words(read, t)))
    return [reads[k] for k in range(len(files))]


def _first_words(read: Read, t: Thresholds) -> str:
    """What can be said of a picture by itself, at once."""
    if read.problem:
        return f"{read.found.name}: {PROBLEMS[read.problem]}"
    found = flaws([_picture(read)], t)[0]
    return f"{read.found.name}: {', '.join(sorted(found)) if found else 'sharp and lit'}."


def _in_order_of_taking(reads: list[Read]) -> list[Read]:
    """By the camera's date where all have one, else by name; those not read at the end."""
    good = [r for r in reads if not r.problem]
    by_name = [natural(r.found.name) for r in reads]
    dated = all(r.facts["taken"] for r in good)
    order = sorted(
        range(len(reads)),
        key=lambda k: (
            bool(reads[k].problem),
            reads[k].facts.get("taken", "") if dated else "",
            by_name[k],
        ),
    )
    return [reads[k] for k in order]


def _picture(read: Read) -> Picture:
    if read.problem:
        return Picture(read.found.name, read.problem)
    said: dict[str, Any] = read.facts
    red, green, blue = (max(v, 1e-5) for v in said["colours"])
    return Picture(
        read.found.name,
        light=math.log2(0.2126 * red + 0.7152 * green + 0.0722 * blue),
        warmth=math.log2(red / blue),
        **{k: said[k] for k in _KEPT},
        **said["measures"],
    )


_KEPT = "width height format taken focal focal_35 zoom quality camera software".split()


def _facts(gathered: _Set, readers: Readers, t: Thresholds, report: Report) -> SetFacts:
    """Match what was read and put the set's facts together."""
    pictures = tuple(gathered.pictures)
    bare = SetFacts(pictures)
    if not distinct(bare):
        return bare
    from app.photos import views

    likeness = views.likeness([_thumbnail(r) for r in gathered.reads])
    gathered.copies = _copies(gathered.reads, likeness, t)
    own = distinct(SetFacts(pictures, gathered.copies))
    among = likeness[np.ix_(own, own)]
    pairs = [(own[i], own[j]) for i, j in views.worth_matching(among)]
    _match(gathered, pairs, report, "matching")
    left = _outside(own, gathered, t)
    if left and len(own) > 20:
        wider = [(own[i], own[j]) for i, j in views.worth_matching(among, 6, 12)]
        asked = [p for p in wider if p not in gathered.links and (p[0] in left or p[1] in left)]
        _match(gathered, asked, report, "matching what was left alone")
    quick = _shape(own, gathered, t)
    asked_better = quick.share < t.holds_well or bool(quick.alone)
    if asked_better:
        _ask_better(gathered, readers, own, likeness, t, report)
    return _shaped(gathered, own, quick.share, asked_better, t)


def _thumbnail(read: Read) -> np.ndarray:
    return np.zeros((32, 32), np.uint8) if read.thumbnail is None else read.thumbnail


def _copies(reads: Sequence[Read], likeness: np.ndarray, t: Thresholds) -> dict[int, int]:
    """Pictures that repeat an earlier one: both the thumbnail and its hash must say so."""
    copies: dict[int, int] = {}
    for first, second in zip(*np.nonzero(np.triu(likeness, 1) > t.copy_correlation), strict=True):
        a, b = int(first), int(second)
        bits = int(reads[a].facts["hash"]) ^ int(reads[b].facts["hash"])
        if a not in copies and b not in copies and bits.bit_count() <= t.copy_bits:
            copies[b] = a
    return copies


def _match(
    gathered: _Set, pairs: Sequence[tuple[int, int]], report: Report, stage: str
) -> None:
    features = {i: r.features for i, r in enumerate(gathered.reads) if r.features is not None}
    for done, found in enumerate(_links(pairs, features, gathered.pictures), start=1):
        gathered.links[found.a, found.b] = found
        if done % 25 == 0 or done == len(pairs):
            report(Progress(stage, done, len(pairs)))


def _links(
    pairs: Sequence[tuple[int, int]], features: dict[int, Features], pictures: Sequence[Picture]
) -> Iterator[Link]:
    """Two threads suffice: OpenCV lets go of the interpreter while it works."""
    from app.photos import views

    def one(pair: tuple[int, int]) -> Link:
        a, b = pair
        focal = (_focal_share(pictures[a]), _focal_share(pictures[b]))
        return views.link(pair, (features[a], features[b]), focal)

    with ThreadPoolExecutor(2, "matcher") as threads:
        yield from threads.map(one, pairs)


def _focal_share(picture: Picture) -> float:
    """Focal length as a share of the long side: 36 mm wide film, or 1.2 where nothing is said."""
    share = picture.focal_35 / 36.0
    return share if 0.4 < share < 12.0 else 1.2


def _shape(own: Sequence[int], gathered: _Set, t: Thresholds) -> Shape:
    still = _still_share(gathered, t) > t.still_share
    weights = graph.weights_of(gathered.links.values(), t.quick_agreeing, moving_only=still)
    weights |= graph.weights_of(gathered.better.values(), t.better_agreeing, moving_only=still)
    return graph.shape(own, weights)


def _still_share(gathered: _Set, t: Thresholds) -> float:
    counted = [e.still for e in gathered.links.values() if e.agreeing >= t.quick_agreeing]
    return sum(counted) / len(counted) if counted else 0.0


def _outside(own: Sequence[int], gathered: _Set, t: Thresholds) -> set[int]:
    return set(own) - set(_shape(own, gathered, t).core)


def _ask_better(
    gathered: _Set,
    readers: Readers,
    own: Sequence[int],
    likeness: np.ndarray,
    t: Thresholds,
    report: Report,
) -> None:
    """SIFT on what ORB left alone and on its likely neighbours: fur and bark hold by it."""
    left = _outside(own, gathered, t)
    pairs = sorted(_likely_neighbours(left, own, likeness))
    asked = sorted({i for pair in pairs for i in pair})
    features: dict[int, Features] = {}
    stage = "looking closer"
    found = [gathered.reads[i].found for i in asked]
    for place, better in readers.each(readers.better_features, found):
        if better is not None:
            features[asked[place]] = better
        report(Progress(stage, len(features), len(asked)))
    usable = [(a, b) for a, b in pairs if a in features and b in features]
    for link in _links(usable, features, gathered.pictures):
        gathered.better[link.a, link.b] = link


def _likely_neighbours(
    left: set[int], own: Sequence[int], likeness: np.ndarray
) -> set[tuple[int, int]]:
    place = {p: k for k, p in enumerate(own)}
    pairs = set()
    for i in left:
        near = own[max(0, place[i] - 3) : place[i] + 4]
        nearest = sorted(own, key=lambda j: -likeness[i, j])[:7]
        # The first and the last picture of a ring are neighbours too.
        ends = (own[0], own[-1]) if place[i] in (0, len(own) - 1) else ()
        pairs |= {(min(i, j), max(i, j)) for j in (*near, *nearest, *ends) if j != i}
    return pairs


def _shaped(
    gathered: _Set, own: list[int], quick_share: float, asked_better: bool, t: Thresholds
) -> SetFacts:
    shape = _shape(own, gathered, t)
    pictures = tuple(gathered.pictures)
    wrong = flaws(pictures, t)
    sharp = [i for i in own if not wrong[i] & BLURS]
    asked = 0 < len(own) - len(sharp) <= t.flawed_share * len(own)
    return SetFacts(
        pictures,
        gathered.copies,
        shape,
        quick_share,
        asked_better,
        _still_share(gathered, t),
        _ring(own, gathered, t),
        rest=_shape(sharp, gathered, t) if asked else None,
        rest_ring=_ring(sharp, gathered, t) if asked else None,
    )


def _ring(among: Sequence[int], gathered: _Set, t: Thresholds) -> Ring | None:
    from app.photos.ring import read_ring

    if _still_share(gathered, t) > t.still_share:
        return None
    inside = set(among)
    best = dict(gathered.links)
    for pair, link in gathered.better.items():
        if pair not in best or link.agreeing > 2 * best[pair].agreeing:
            best[pair] = link
    return read_ring(
        (e for e in best.values() if e.a in inside and e.b in inside), t.quick_agreeing
    )


def _result(
    judgement: Judgement, facts: SetFacts, gathered: _Set, t: Thresholds, remembered: bool
) -> CheckResult:
    reasons = tuple(
        Reason(f.code, reason_text(f), f.pictures, f.weight.name.lower())
        for f in judgement.findings
    )
    return CheckResult(
        judgement.verdict,
        reasons,
        advise(judgement, remembered),
        dict(judgement.aspects),
        tuple(CANNOT_TELL[code] for code in judgement.cannot_tell),
        t.version,
        facts,
        flaws(facts.pictures, t),
        (*gathered.links.values(), *gathered.better.values()),
        {r.found.name: r.contact for r in gathered.reads if r.contact},
    )


def as_json(result: CheckResult) -> dict[str, Any]:
    """The answer as plain values, fit for `json.dumps`."""
    return {
        "verdict": result.verdict.value,
        "reasons": [
            {"code": r.code, "text": r.text, "pictures": list(r.pictures), "weight": r.weight}
            for r in result.reasons
        ],
        "advice": [{"number": a.number, "code": a.code, "text": a.text} for a in result.advice],
        "pictures": [
            _picture_as_json(p, result.flaws[k] if result.flaws else frozenset(), result)
            for k, p in enumerate(result.facts.pictures)
        ],
        "aspects": {a.value: v.value for a, v in result.aspects.items()},
        "cannot_tell": list(result.cannot_tell),
        "thresholds_version": result.thresholds_version,
    }


def _picture_as_json(p: Picture, found: frozenset[str], result: CheckResult) -> dict[str, Any]:
    if p.problem:
        return {"name": p.name, "readable": False, "problem": PROBLEMS[p.problem]}
    place = result.facts.pictures.index(p)
    copy_of = result.facts.copies.get(place)
    return {
        "name": p.name,
        "readable": True,
        "width": p.width,
        "height": p.height,
        "format": p.format,
        "edge_blur": round(p.edge_blur, 2),
        "reblur": round(p.reblur, 3),
        "motion": round(p.motion, 2),
        "noise": round(p.noise, 2),
        "luminance": round(p.luminance, 1),
        "clipped_light": round(p.clipped_light, 3),
        "clipped_dark": round(p.clipped_dark, 3),
        "flaws": sorted(found - {"hopeless"}),
        "signs_of_copy": list(signs_of_copy(p, Thresholds())),
        "copy_of": None if copy_of is None else result.facts.pictures[copy_of].name,
        "matches": result.facts.shape.degree.get(place, 0),
    }
