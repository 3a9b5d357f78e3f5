"""What can be measured on one picture: sharpness, motion, light, noise, likeness to another.

Every function takes a grey picture, `uint8`, shape (height, width), long side at most 1024 px:
the thresholds kept in `rules.py` were measured at that size and hold at no other.
Imports OpenCV, so import it only where pictures are read.
"""

from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

Grey = NDArray[np.uint8]
Plane = NDArray[np.float32]

LONG_SIDE = 1024
STRONGEST = 0.03
BLUR_CAP = 10.0
"""Edge blur beyond this many pixels cannot be told apart by a re-blur of one pixel."""


@dataclass(frozen=True)
class Measures:
    """The figures of one picture; see the function of each name for its unit and source."""

    edge_blur: float
    reblur: float
    motion: float
    noise: float
    luminance: float
    bright_end: float
    clipped_light: float
    clipped_dark: float


def gradients(grey: Plane) -> tuple[Plane, Plane, Plane]:
    """Sobel derivatives along x and y and their length, each of the shape of `grey`."""
    along_x = cast(Plane, cv2.Sobel(grey, cv2.CV_32F, 1, 0, ksize=3))
    along_y = cast(Plane, cv2.Sobel(grey, cv2.CV_32F, 0, 1, ksize=3))
    return along_x, along_y, cast(Plane, cv2.magnitude(along_x, along_y))


def edge_blur_and_motion(grey: Grey) -> tuple[float, float]:
    """Blur of the strongest edges in pixels (σ of a Gaussian), and how far direction matters.

    Zhuo and Sim, "Defocus map estimation from a single image", Pattern Recognition 44 (2011),
    eq. 6 and 7: an edge blurred by σ and blurred again by σ0 loses gradient by the ratio
    R = sqrt(σ² + σ0²) / σ, so σ = σ0 / sqrt(R² - 1). Here σ0 = 1 px, the median over the 3 % of
    pixels with the strongest gradient. A smooth coat has few edges, but the ones it has
    (eye, outline) are as steep as ever: that is why this measure does not mistake it for blur.
    Where there is little to see, 3 % reach past the edges: pixels below half the steepest, and
    those beside an edge, whose gradient grows by the re-blur, are left out.

    The second figure is the largest of the same medians taken by direction of edge, divided by
    the smallest: near 1 for sharp pictures and for those out of focus, large where the camera or
    the animal moved, because edges along the motion stay sharp. 1.0 where it cannot be told.
    """
    plane = grey.astype(np.float32)
    along_x, along_y, before = gradients(plane)
    _, _, after = gradients(cast(Plane, cv2.GaussianBlur(plane, (0, 0), 1.0)))
    usual, steepest = np.quantile(before[::3, ::3], (1.0 - STRONGEST, 0.999))
    strong = np.flatnonzero(before >= max(usual, 0.5 * steepest, 4.0))
    if not len(strong):
        return BLUR_CAP, 1.0
    overall = float(np.median(_sigma(before.ravel()[strong], after.ravel()[strong])))
    # A quarter of the pixels is plenty for medians by direction.
    quarter = [np.ascontiguousarray(p[::2, ::2]) for p in (along_x, along_y, before, after)]
    return overall, _by_direction(*quarter)


def _sigma(before: Plane, after: Plane) -> Plane:
    ratio = before / np.maximum(after, 1e-6)
    ratio = ratio[ratio > 1.0]
    if not len(ratio):
        return np.array([BLUR_CAP], np.float32)
    sigma = 1.0 / np.sqrt(np.maximum(ratio * ratio - 1.0, 1.0 / BLUR_CAP**2))
    return sigma.astype(np.float32)


def _by_direction(along_x: Plane, along_y: Plane, before: Plane, after: Plane) -> float:
    bins = 6
    floor = max(float(np.quantile(before[::2, ::2], 0.8)), 4.0)
    kept = np.flatnonzero(before >= floor)
    steep, softened = before.ravel()[kept], after.ravel()[kept]
    angle = np.arctan2(along_y.ravel()[kept], along_x.ravel()[kept])
    which = np.floor((angle % np.pi) / np.pi * bins).astype(int) % bins
    medians = []
    for k in range(bins):
        mine = which == k
        if np.count_nonzero(mine) < 200:
            continue
        top = mine & (steep >= np.quantile(steep[mine], 0.8))
        medians.append(float(np.median(_sigma(steep[top], softened[top]))))
    if len(medians) < 3:
        return 1.0
    return max(medians) / max(min(medians), 0.3)


def reblur(grey: Grey) -> float:
    """Share of the picture's variation that a box of 11 px does not take away: 0 sharp, 1 blurred.

    Crete, Dolmière, Ladret and Nicolas, "The blur effect", Proc. SPIE 6492 (2007), with Sobel
    derivatives and the larger of the two directions, as scikit-image's `blur_effect` has it.
    """
    plane = grey.astype(np.float32) / 255.0
    if min(plane.shape) < 8:
        return 1.0
    worst = 0.0
    for dx, dy, box in ((0, 1, (1, 11)), (1, 0, (11, 1))):
        smooth = cv2.blur(plane, box, borderType=cv2.BORDER_REFLECT)
        sharp, soft = (
            np.abs(cv2.Sobel(p, cv2.CV_32F, dx, dy, ksize=3, borderType=cv2.BORDER_REFLECT))
            for p in (plane, smooth)
        )
        total = _inner_sum(sharp)
        if total < 1e-6 * plane.size:
            return 1.0
        np.subtract(sharp, soft, out=sharp)
        lost = _inner_sum(np.maximum(sharp, 0.0, out=sharp))
        worst = max(worst, abs(total - lost) / total)
    return worst


def _inner_sum(plane: Plane) -> float:
    return float(cv2.sumElems(plane[2:-1, 2:-1])[0])


def noise(grey: Grey) -> float:
    """Standard deviation of noise in grey levels, read on the flattest tenth of the picture.

    Immerkær, "Fast noise variance estimation", Computer Vision and Image Understanding 64
    (1996): mean absolute answer of the mask [1 -2 1; -2 4 -2; 1 -2 1], times sqrt(π/2) / 6.
    His estimate over a whole picture takes fur for noise; the flattest tiles of 32 px do not.
    Tiles that are nearly black or white are left out: clipping hides their noise.
    """
    tile = 32
    down, across = grey.shape[0] // tile, grey.shape[1] // tile
    if down * across < 4:
        return 0.0
    plane = grey[: down * tile, : across * tile].astype(np.float32)
    mask = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    answer = np.abs(cv2.filter2D(plane, cv2.CV_32F, mask))
    per_tile = _tile_means(answer, tile) * np.sqrt(np.pi / 2) / 6.0
    level = _tile_means(plane, tile)
    coarse = cv2.resize(plane, (across * 8, down * 8), interpolation=cv2.INTER_AREA)
    spread = coarse.reshape(down, 8, across, 8).std(axis=(1, 3))
    usable = (level > 6) & (level < 249)
    if np.count_nonzero(usable) < 4:
        return 0.0
    flattest = spread[usable] <= np.quantile(spread[usable], 0.1)
    return float(np.median(per_tile[usable][flattest]))


def _tile_means(plane: Plane, tile: int) -> Plane:
    size = (plane.shape[1] // tile, plane.shape[0] // tile)
    return np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_AREA), np.float32)


def light(grey: Grey) -> tuple[float, float, float, float]:
    """Mean level, level that 2 % of pixels exceed, and the shares clipped to white and to black.

    Levels are 0 to 255. Clipping is looked for in the middle of the picture (four fifths each
    way), where the animal is: a white wall behind it harms nothing.
    """
    high, wide = grey.shape
    middle = grey[high // 10 : high - high // 10, wide // 10 : wide - wide // 10]
    counts = np.bincount(middle.ravel(), minlength=256)
    total = max(int(counts.sum()), 1)
    above = np.cumsum(counts[::-1])[::-1]
    bright_end = int(np.nonzero(above >= 0.02 * total)[0].max())
    return (
        float(grey.mean()),
        float(bright_end),
        float(counts[253:].sum() / total),
        float(counts[:4].sum() / total),
    )


def measure(grey: Grey) -> Measures:
    """All figures of one picture."""
    blur, motion = edge_blur_and_motion(grey)
    mean, bright_end, white, black = light(grey)
    return Measures(blur, reblur(grey), motion, noise(grey), mean, bright_end, white, black)


def thumbnail(grey: Grey) -> Grey:
    """The picture squeezed to 32 × 32, `uint8`: enough to know a copy of it again."""
    return np.asarray(cv2.resize(grey, (32, 32), interpolation=cv2.INTER_AREA), np.uint8)


def perceptual_hash(small: Grey) -> int:
    """64 bits: which of the 8 × 8 lowest cosine terms of a 32 × 32 thumbnail exceed their median.

    The common "pHash" construction (Zauner, "Implementation and benchmarking of perceptual image
    hash functions", 2010): copies differ in 0 to 2 bits.
    """
    terms = cv2.dct(small.astype(np.float32))[:8, :8].ravel()
    bits = terms > np.median(terms)
    return int.from_bytes(np.packbits(bits).tobytes(), "big")
