"""What is wrong with single pictures, and with their light and zoom beside each other. Pure."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from app.photos.check.facts import PictureFacts
from app.photos.check.thresholds import Thresholds

BLURS = frozenset({"blurred", "moved", "dark"})
"""Flaws that leave a picture out when the rest is asked whether it holds alone."""


def flaws(pictures: Sequence[PictureFacts], t: Thresholds) -> tuple[frozenset[str], ...]:
    """What is wrong with each picture by itself, in the same order."""
    read = [p for p in pictures if not p.problem]
    usual_blur = float(np.median([p.edge_blur for p in read])) if read else 0.0
    return tuple(frozenset() if p.problem else _flaws_of(p, usual_blur, t) for p in pictures)


def _flaws_of(p: PictureFacts, usual_blur: float, t: Thresholds) -> frozenset[str]:
    found = set()
    if p.reblur > t.reblur:
        # The strongest edges of a moved picture lie along the motion and are sharp.
        if p.motion > t.motion:
            found.add("moved")
        elif p.edge_blur > t.edge_blur or (
            p.edge_blur > 0.9 and p.edge_blur > t.relative_blur * usual_blur
        ):
            found.add("blurred")
    if p.edge_blur > t.hopeless_blur and p.reblur > t.reblur:
        found.add("hopeless")
    if p.luminance < t.dark_mean and p.bright_end < t.dark_bright_end:
        found.add("dark")
    # Fine texture all over a picture reads as noise; in good light it is not called that.
    if p.noise > t.noise and p.luminance < t.dim_mean:
        found.add("noisy")
    if p.clipped_light > t.clipped or p.clipped_dark > 2 * t.clipped:
        found.add("clipped")
    if p.long_side < t.small_side:
        found.add("small")
    if signs_of_copy(p, t):
        found.add("copied")
    return frozenset(found)


def signs_of_copy(p: PictureFacts, t: Thresholds) -> tuple[str, ...]:
    """Signs that a picture came through a chat program or off a screen, not from the camera.

    Common practice, no source: chat programs drop the camera's name, shrink to about 1600 px or
    2048 px and save again with a low quality; a screenshot has a screen's long shape.
    """
    name = p.name.rsplit("/", 1)[-1].casefold()
    signs = []
    if "screenshot" in name or "bildschirmfoto" in name or "screenshot" in p.software.casefold():
        signs.append("named as a screenshot")
    if "-wa0" in name or name.startswith(("received_", "photo_20")):
        signs.append("named as a chat program names its copies")
    if not p.camera and p.long_side:
        if p.format == "PNG" and p.long_side / max(min(p.width, p.height), 1) > 1.9:
            signs.append("shaped like a screen")
        shrunk = p.long_side <= 2048 and 0 < p.quality < t.poor_jpeg + 10
        if p.format == "JPEG" and (shrunk or 0 < p.quality < t.poor_jpeg):
            signs.append("saved again at low quality, without the camera's own notes")
    return tuple(signs)


def change_at(series: NDArray[np.float64], least: float) -> int | None:
    """Where a series steps once and for good, or None.

    The split with the least squared rest; it counts when the two means differ by `least` and by
    three times the spread that remains on both sides, four values at least on each, and when
    most of the difference lies right at the split: a slow drift round the animal is no step.
    """
    best: tuple[float, int] | None = None
    for k in range(4, len(series) - 3):
        rest = float(series[:k].var() * k + series[k:].var() * (len(series) - k))
        if best is None or rest < best[0]:
            best = (rest, k)
    if best is None:
        return None
    rest, k = best
    step = abs(float(series[:k].mean() - series[k:].mean()))
    here = abs(float(np.median(series[k - 3 : k]) - np.median(series[k : k + 3])))
    spread = (rest / len(series)) ** 0.5
    return k if step > least and step > 3.0 * spread and here > 0.6 * step else None


def other_zoom(pictures: Sequence[PictureFacts], t: Thresholds) -> tuple[str, ...]:
    """Names of the pictures whose focal length or digital zoom is not the usual one of the set.

    Only where most pictures say it; those that do not are left out.
    """
    said = [(p.name, p.focal * max(p.zoom, 1.0)) for p in pictures if p.focal > 0]
    if len(said) < max(3, 0.6 * len(pictures)):
        return ()
    usual = float(np.median([f for _, f in said]))
    return tuple(name for name, f in said if abs(f / usual - 1.0) > t.other_zoom)
