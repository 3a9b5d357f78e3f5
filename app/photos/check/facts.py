"""What is known of a set before it is judged: plain values, with no picture library behind them."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class PictureFacts:
    """One file of a set. `problem` is a code of `reading.PROBLEMS`, empty where it was read.

    Sizes in px of the original; `edge_blur` in px at 1024 px; levels 0 to 255; `light` is log2 of
    mean linear light, so that 1 is one stop; `warmth` is log2 of red to blue light; `focal` in
    mm, `focal_35` in mm of the 35 mm format, 0 where the file says nothing.
    """

    name: str
    problem: str = ""
    width: int = 0
    height: int = 0
    format: str = ""
    taken: str = ""
    focal: float = 0.0
    focal_35: float = 0.0
    zoom: float = 0.0
    quality: float = 0.0
    camera: bool = False
    software: str = ""
    edge_blur: float = 0.0
    reblur: float = 0.0
    motion: float = 1.0
    noise: float = 0.0
    luminance: float = 0.0
    bright_end: float = 0.0
    clipped_light: float = 0.0
    clipped_dark: float = 0.0
    light: float = 0.0
    warmth: float = 0.0

    @property
    def long_side(self) -> int:
        """The longer side in px."""
        return max(self.width, self.height)


@dataclass(frozen=True)
class ViewPair:
    """Two pictures, by their places in the set, that share what `agreeing` features show.

    `moving` counts the agreeing ones that are not at the same spot in both pictures; `still` says
    that most are. `rotation` turns directions of camera `a` into those of `b`, where it was read.
    """

    a: int
    b: int
    agreeing: int
    moving: int
    still: bool = False
    rotation: NDArray[np.float64] | None = None


@dataclass(frozen=True)
class GraphShape:
    """The view graph in figures. Groups and lists hold places of pictures, largest group first.

    `share`: pictures in the largest group that the loss of no single weak match can split, of all
    asked.
    `core`: that group. `groups`: connected parts. `alone`: pictures with no match. `hanging`: not
    in the core, but linked to it. `thin`: not in any three that all match each other.
    `strength`: median over pictures of the second best match's size. `degree`: matches of each.
    """

    asked: int
    share: float
    core: tuple[int, ...] = ()
    groups: tuple[tuple[int, ...], ...] = ()
    alone: tuple[int, ...] = ()
    hanging: tuple[int, ...] = ()
    thin: tuple[int, ...] = ()
    strength: float = 0.0
    degree: dict[int, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Ring:
    """Directions of the cameras about their common upright, in degrees.

    `azimuth` and `height` by place of picture; `height` is above (+) or below (-) the level of
    the animal's middle. `gap` is the widest arc without a picture, `between` the pictures at its
    two ends, `step` the usual step. `doubted`: share of the matches whose own turn contradicts
    the ring by over 30°. `closed`: matches lead all the way round.
    """

    azimuth: dict[int, float]
    height: dict[int, float]
    gap: float
    between: tuple[int, int]
    step: float
    doubted: float
    closed: bool = False


@dataclass(frozen=True)
class SetFacts:
    """A whole set, ready to be judged.

    `pictures` in order of taking, with those that could not be read at the end. `copies` maps the
    place of a picture to the place of the one it repeats. `shape` is by the quick features with
    what the better ones added; `quick_groups` are those of the quick ones alone; `rest` is the
    same without the flawed pictures, `rest_ring` too. `still_share` is the share of links in
    which nothing moved.
    """

    pictures: tuple[PictureFacts, ...]
    copies: dict[int, int] = field(default_factory=dict)
    shape: GraphShape = GraphShape(0, 0.0)
    quick_share: float = 0.0
    still_share: float = 0.0
    ring: Ring | None = None
    rest: GraphShape | None = None
    rest_ring: Ring | None = None
    quick_groups: tuple[tuple[int, ...], ...] = ()
