"""The view graph as a drawing: pictures as dots, matches as lines, the gap in the ring shaded."""

import math
from collections.abc import Iterable, Sequence
from xml.sax.saxutils import escape

from app.photos.check.facts import Ring, SetFacts, ViewPair
from app.photos.check.graph import spring_positions, weights_of
from app.photos.check.rules import distinct

SIZE = 640
MIDDLE = SIZE / 2
RADIUS = 250.0
GAP_WORTH_DRAWING = 35.0

Places = dict[int, tuple[float, float]]


def view_graph_svg(facts: SetFacts, links: Sequence[ViewPair], at_least: int = 15) -> str:
    """An SVG document: classes and attributes only, no style, no script; names as titles.

    With a ring read the dots stand where the cameras did, as seen from above; without one
    networkx lays them out by their matches.
    """
    own = distinct(facts)
    counted = weights_of(links, at_least)
    on_ring = facts.ring is not None and len(facts.ring.azimuth) >= 0.6 * len(own)
    if facts.ring is not None and on_ring:
        places = _round_places(own, facts.ring)
    else:
        places = _sprung_places(own, counted)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {SIZE} {SIZE}" role="img"'
        ' class="view-graph">',
        f"<title>{escape(_title(facts, on_ring))}</title>",
    ]
    if facts.ring is not None and on_ring:
        parts += _gap(facts.ring)
    parts += _lines(counted, places)
    parts += _dots(facts, own, places)
    return "\n".join([*parts, "</svg>"])


def _title(facts: SetFacts, on_ring: bool) -> str:
    shape = facts.shape
    seen = "Where the cameras stood, from above" if on_ring else "Which photos overlap"
    return f"{seen}: {len(shape.core)} of {shape.asked} photos overlap."


def _round_places(own: Sequence[int], ring: Ring) -> Places:
    """By azimuth; a higher camera nearer the middle; those without an azimuth in the middle."""
    places: Places = {}
    unknown = [p for p in own if p not in ring.azimuth]
    for p in own:
        if p in ring.azimuth:
            reach = RADIUS * (1.1 - max(-15.0, min(ring.height[p], 60.0)) / 100.0)
            angle = math.radians(ring.azimuth[p])
        else:
            angle = 2 * math.pi * unknown.index(p) / len(unknown)
            reach = 40.0
        places[p] = (MIDDLE + reach * math.cos(angle), MIDDLE - reach * math.sin(angle))
    return places


def _sprung_places(own: Sequence[int], counted: dict[tuple[int, int], int]) -> Places:
    inside = {pair: n for pair, n in counted.items() if set(pair) <= set(own)}
    return spring_positions(own, inside, MIDDLE, RADIUS * 1.1)


def _gap(ring: Ring) -> Iterable[str]:
    if ring.gap < GAP_WORTH_DRAWING:
        return []
    begin = math.radians(ring.azimuth[ring.between[0]])
    end = begin + math.radians(ring.gap)
    reach = RADIUS * 1.15
    x1, y1 = MIDDLE + reach * math.cos(begin), MIDDLE - reach * math.sin(begin)
    x2, y2 = MIDDLE + reach * math.cos(end), MIDDLE - reach * math.sin(end)
    large = int(ring.gap > 180)
    path = (
        f"M{MIDDLE:.0f} {MIDDLE:.0f} L{x1:.1f} {y1:.1f}"
        f" A{reach:.1f} {reach:.1f} 0 {large} 0 {x2:.1f} {y2:.1f} Z"
    )
    middle = (begin + end) / 2
    x, y = MIDDLE + 0.6 * reach * math.cos(middle), MIDDLE - 0.6 * reach * math.sin(middle)
    words = f"about {10 * round(ring.gap / 10)}° missing"
    return [
        f'<path class="gap" d="{path}" fill="#9B2C1F" fill-opacity="0.12" stroke="#9B2C1F"'
        ' stroke-dasharray="6 4"/>',
        f'<text class="gap-words" x="{x:.0f}" y="{y:.0f}" text-anchor="middle" fill="#9B2C1F"'
        f' font-size="18">{words}</text>',
    ]


def _lines(counted: dict[tuple[int, int], int], places: Places) -> Iterable[str]:
    for (a, b), agreeing in sorted(counted.items()):
        if a not in places or b not in places:
            continue
        (x1, y1), (x2, y2) = places[a], places[b]
        width = min(0.6 + agreeing / 60.0, 5.0)
        yield (
            f'<line class="match" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
            f' stroke="#5A544B" stroke-opacity="0.55" stroke-width="{width:.1f}"/>'
        )


def _dots(facts: SetFacts, own: Sequence[int], places: Places) -> Iterable[str]:
    """Pictures that hold are round, those that do not are square: a shape, not a colour alone."""
    for number, p in enumerate(own, start=1):
        x, y = places[p]
        title = f"<title>{escape(facts.pictures[p].name)}</title>"
        if p in facts.shape.core:
            yield (
                f'<circle class="held" cx="{x:.1f}" cy="{y:.1f}" r="9" fill="#1F5F5B">'
                f"{title}</circle>"
            )
        else:
            yield (
                f'<rect class="loose" x="{x - 9:.1f}" y="{y - 9:.1f}" width="18" height="18"'
                f' fill="#9B2C1F">{title}</rect>'
            )
        yield (
            f'<text x="{x:.1f}" y="{y + 4:.1f}" text-anchor="middle" fill="#FBF8F2"'
            f' font-size="10" pointer-events="none">{number}</text>'
        )
