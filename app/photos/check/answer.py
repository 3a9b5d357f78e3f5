"""The answer of a check, in words and as plain values for JSON."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from app.photos.check.facts import PictureFacts, Ring, SetFacts, ViewPair
from app.photos.check.flaws import flaws, signs_of_copy
from app.photos.check.rules import Aspect, Judgement, Verdict
from app.photos.check.thresholds import Thresholds
from app.photos.check.wording import CANNOT_TELL, Advice, advise, reason_text
from app.photos.pictures.reading import PROBLEMS


@dataclass(frozen=True)
class Progress:
    """How far the check is. `finding` is what was just found, a sentence, often empty; `clear`
    says that a picture was found sharp and lit by itself."""

    stage: str
    done: int
    total: int
    finding: str = ""
    clear: bool = False


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
    thresholds: Thresholds
    facts: SetFacts
    flaws: tuple[frozenset[str], ...] = ()
    links: tuple[ViewPair, ...] = ()
    contacts: dict[str, bytes] = field(default_factory=dict)


def answer(
    judgement: Judgement,
    facts: SetFacts,
    t: Thresholds,
    links: tuple[ViewPair, ...] = (),
    contacts: dict[str, bytes] | None = None,
    remembered: bool = False,
) -> CheckResult:
    """Put a judgement into words."""
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
        t,
        facts,
        flaws(facts.pictures, t),
        links,
        contacts or {},
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
        "pictures": [_picture_as_json(k, p, result) for k, p in enumerate(result.facts.pictures)],
        "aspects": {a.value: v.value for a, v in result.aspects.items()},
        "cannot_tell": list(result.cannot_tell),
        "thresholds_version": result.thresholds.version,
        "ring": _ring_as_json(result.facts),
    }


def _ring_as_json(facts: SetFacts) -> dict[str, Any] | None:
    """How the photos go round, in whole degrees; without a lens in the files only about so."""
    ring = facts.ring
    if ring is None:
        return None
    return {
        "closed": ring.closed,
        "gap": round(ring.gap),
        "between": [facts.pictures[place].name for place in ring.between],
        "step": round(ring.step),
        "lens": "said" if any(p.focal_35 for p in facts.pictures) else "assumed",
    }


def _picture_as_json(place: int, p: PictureFacts, result: CheckResult) -> dict[str, Any]:
    if p.problem:
        return {"name": p.name, "readable": False, "problem": PROBLEMS[p.problem]}
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
        "flaws": sorted(result.flaws[place] - {"hopeless"}),
        "signs_of_copy": list(signs_of_copy(p, result.thresholds)),
        "copy_of": None if copy_of is None else result.facts.pictures[copy_of].name,
        "matches": result.facts.shape.degree.get(place, 0),
        **_stood(place, result.facts.ring),
    }


def _stood(place: int, ring: Ring | None) -> dict[str, int]:
    """From which side (degrees counter-clockwise, seen from above) and height it was taken."""
    if ring is None or place not in ring.azimuth:
        return {}
    return {"azimuth": round(ring.azimuth[place]) % 360, "height": round(ring.height[place])}
