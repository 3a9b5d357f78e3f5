"""The check of a set: read every picture, match them, ask better features, judge.

Nothing is written. OpenCV is imported when a check runs; pictures are decoded in children.
"""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from app.photos.check.answer import CheckResult, Progress, Report, answer
from app.photos.check.facts import PictureFacts, Ring, SetFacts
from app.photos.check.flaws import BLURS, flaws
from app.photos.check.rules import Aspect, distinct, is_thin, judge
from app.photos.check.thresholds import Thresholds
from app.photos.pictures.reading import PROBLEMS, Found, Read, Readers, natural, pictures_in
from app.photos.verdicts import ASPECTS, flaw_words, verdict_words
from app.shared.web.words import capital

if TYPE_CHECKING:
    from app.photos.check.matching import Matching


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
        pictures = tuple(_picture(r) for r in reads)
        if not distinct(SetFacts(pictures)):
            return answer(judge(SetFacts(pictures), t), SetFacts(pictures), t)
        matching = _begin(reads, pictures, t)
        facts = _facts(matching, readers, report)
    judgement = judge(facts, t)
    report(
        Progress("judged", len(files), len(files), f"{capital(verdict_words(judgement.verdict))}.")
    )
    contacts = {r.found.name: r.contact for r in reads if r.contact}
    return answer(judgement, facts, t, tuple(matching.links()), contacts, remembered)


def _read_all(
    readers: Readers, files: Sequence[Found], t: Thresholds, report: Report
) -> list[Read]:
    reads: dict[int, Read] = {}
    report(Progress("reading", 0, len(files)))
    for place, read in readers.each(readers.read, files):
        reads[place] = read
        report(_read_one(len(reads), len(files), read, t))
    return [reads[k] for k in range(len(files))]


def _read_one(done: int, total: int, read: Read, t: Thresholds) -> Progress:
    """A picture has been read, and what can be said of it by itself, at once."""
    name = read.found.name
    if read.problem:
        return Progress("reading", done, total, f"{name}: {PROBLEMS[read.problem]}")
    found = flaws([_picture(read)], t)[0]
    said = flaw_words(found) or ASPECTS[Aspect.CLEAR]
    return Progress("reading", done, total, f"{name}: {said}.", clear=not found)


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


def _picture(read: Read) -> PictureFacts:
    if read.problem:
        return PictureFacts(read.found.name, read.problem)
    said: dict[str, Any] = read.facts
    red, green, blue = (max(v, 1e-5) for v in said["colours"])
    return PictureFacts(
        read.found.name,
        light=math.log2(0.2126 * red + 0.7152 * green + 0.0722 * blue),
        warmth=math.log2(red / blue),
        **{k: said[k] for k in _KEPT},
        **said["measures"],
    )


_KEPT = (
    "width", "height", "format", "taken", "focal", "focal_35", "zoom", "quality", "camera",
    "software",
)  # fmt: skip


def _begin(reads: Sequence[Read], pictures: Sequence[PictureFacts], t: Thresholds) -> "Matching":
    from app.photos.check import views
    from app.photos.check.matching import Matching

    nothing = np.zeros((32, 32), np.uint8)
    likeness = views.likeness([nothing if r.thumbnail is None else r.thumbnail for r in reads])
    copies = _copies(reads, likeness, t)
    own = distinct(SetFacts(tuple(pictures), copies))
    return Matching(reads, pictures, likeness, own, copies, t)


def _copies(reads: Sequence[Read], likeness: NDArray[np.float32], t: Thresholds) -> dict[int, int]:
    """Pictures that repeat an earlier one: both the thumbnail and its hash must say so."""
    copies: dict[int, int] = {}
    for first, second in zip(*np.nonzero(np.triu(likeness, 1) > t.copy_correlation), strict=True):
        a, b = int(first), int(second)
        bits = int(reads[a].facts["hash"]) ^ int(reads[b].facts["hash"])
        if a not in copies and b not in copies and bits.bit_count() <= t.copy_bits:
            copies[b] = a
    return copies


def _facts(matching: "Matching", readers: Readers, report: Report) -> SetFacts:
    """Match what was read, ask the better features where it matters, and gather the facts.

    They are asked about what the quick ones leave alone, about the rest without the blurred
    pictures, and about a gap, before any of these is said.
    """
    t, own = matching.t, matching.own
    matching.match_quickly(report)
    quick = matching.shape(own)
    wrong = flaws(matching.pictures, t)
    sharp = [i for i in own if not wrong[i] & BLURS]
    rest_asked = 0 < len(own) - len(sharp) <= t.flawed_share * len(own)
    for among in [own, sharp] if rest_asked else [own]:
        shape = matching.shape(among)
        if shape.share < t.holds_well or shape.alone or is_thin(shape, t):
            _look_closer(matching, among, readers, report)
    ring = _ring(matching, readers, report)
    return SetFacts(
        tuple(matching.pictures),
        matching.copies,
        matching.shape(own),
        quick.share,
        matching.still_share(),
        ring,
        rest=matching.shape(sharp) if rest_asked else None,
        rest_ring=matching.ring(sharp) if rest_asked else None,
        quick_groups=quick.groups,
    )


ROUNDS_AT_GAP = 4


def _ring(matching: "Matching", readers: Readers, report: Report) -> Ring | None:
    """The ring of the set, the better features asked wherever it seems to have a gap.

    A chain of matches that goes all the way round breaks at its weakest; once that is mended
    the next weakest may be too weak to tell the ring closed, so it is asked again.
    """
    t, ring = matching.t, matching.ring(matching.own)
    for _ in range(ROUNDS_AT_GAP):
        if ring is None or (ring.closed and ring.gap <= t.gap):
            break
        if not matching.ask_better(matching.across(ring), readers, report):
            break
        ring = matching.ring(matching.own)
    return ring


def _look_closer(
    matching: "Matching", among: Sequence[int], readers: Readers, report: Report
) -> None:
    """Ask the better features about what is left alone, or thin."""
    shape = matching.shape(among)
    left = matching.outside(among) | (set(shape.thin) if is_thin(shape, matching.t) else set())
    pairs = matching.likely_neighbours(left, among)
    matching.ask_better(pairs, readers, report)
