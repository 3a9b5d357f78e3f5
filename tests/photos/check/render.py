"""A small renderer: a standing figure of ellipsoids with a patterned coat, known cameras.

Rays are cast with numpy; the coat is a solid texture, so every view shows the same spots in the
same places. Sets with known faults are made from the views. Views are kept between runs in a
folder of the system's temporary directory, named after this file's own digest.
"""

import hashlib
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from scipy.ndimage import map_coordinates, zoom

WIDE, HIGH = 1200, 900
FOCAL = 1.25
"""Focal length as a share of the picture's width."""
TARGET = np.array([0.0, 0.0, 1.05])

# centre x, y, z and radii: body, chest, neck, head, muzzle, four legs, tail, two ears
PARTS = np.array(
    [
        [0.00, 0.00, 1.25, 0.95, 0.42, 0.45],
        [0.65, 0.00, 1.30, 0.42, 0.40, 0.50],
        [1.00, 0.00, 1.70, 0.26, 0.20, 0.48],
        [1.22, 0.00, 2.10, 0.34, 0.20, 0.22],
        [1.48, 0.00, 2.00, 0.22, 0.13, 0.13],
        [0.70, 0.22, 0.50, 0.13, 0.13, 0.60],
        [0.70, -0.22, 0.50, 0.13, 0.13, 0.60],
        [-0.68, 0.24, 0.55, 0.17, 0.14, 0.65],
        [-0.68, -0.24, 0.55, 0.17, 0.14, 0.65],
        [-1.05, 0.00, 1.15, 0.13, 0.11, 0.45],
        [1.08, 0.13, 2.33, 0.07, 0.06, 0.16],
        [1.08, -0.13, 2.33, 0.07, 0.06, 0.16],
    ]
)


SHAPES = {1: (1.0, 1.0, 1.0), 2: (1.25, 1.1, 0.72)}
"""The second animal is longer and lower: like outlines would match like ones."""


@dataclass(frozen=True)
class View:
    """Where a camera stands: degrees round the figure and above the level, and what it shows."""

    azimuth: float
    height: float = 14.0
    animal: int = 1
    background: str = "ground"
    distance: float = 6.2


@cache
def _noise(seed: int) -> np.ndarray:
    """A solid of 96³ cells of two mixed grains, wrapping round at its ends."""
    rng = np.random.default_rng(seed)
    fine = rng.random((96, 96, 96), np.float32)
    middle = zoom(rng.random((32, 32, 32), np.float32), 3, order=1, mode="grid-wrap")
    return (0.45 * fine + 0.55 * middle).astype(np.float32)


def _sample(points: np.ndarray, cells: float, seed: int) -> np.ndarray:
    return map_coordinates(_noise(seed), points.T * cells, order=1, mode="grid-wrap")


def camera(view: View) -> tuple[np.ndarray, np.ndarray]:
    """World-to-camera rotation (3, 3) and position (3,); camera axes right, down, ahead."""
    a, h = np.radians([view.azimuth, view.height])
    away = np.array([np.cos(a) * np.cos(h), np.sin(a) * np.cos(h), np.sin(h)])
    ahead = -away
    right = np.cross(ahead, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    return np.array([right, np.cross(ahead, right), ahead]), TARGET + view.distance * away


def _rays(view: View) -> tuple[np.ndarray, np.ndarray]:
    turned, position = camera(view)
    across, down = np.meshgrid(np.arange(WIDE) + 0.5, np.arange(HIGH) + 0.5)
    seen = np.stack([across - WIDE / 2, down - HIGH / 2, np.full_like(across, FOCAL * WIDE)], 2)
    seen /= np.linalg.norm(seen, axis=2, keepdims=True)
    return (seen @ turned).astype(np.float32), position.astype(np.float32)


def _window(view: View, part: np.ndarray) -> tuple[slice, slice]:
    """Rows and columns of the picture outside of which a part cannot be seen."""
    turned, position = camera(view)
    right, down, ahead = turned @ (part[:3] - position)
    reach = FOCAL * WIDE * part[3:].max() / (ahead - part[3:].max()) + 2
    x, y = FOCAL * WIDE * right / ahead + WIDE / 2, FOCAL * WIDE * down / ahead + HIGH / 2
    rows, columns = (np.clip([v - reach, v + reach], 0, None).astype(int) for v in (y, x))
    return slice(*rows), slice(*columns)


def _hits(view: View, rays: np.ndarray, position: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distance along each ray to the figure (inf where missed) and the outward normal there."""
    nearest = np.full(rays.shape[:2], np.inf, np.float32)
    normal = np.zeros_like(rays)
    for part in (PARTS * np.tile(SHAPES[view.animal], 2)).astype(np.float32):
        window = _window(view, part)
        ray, start = rays[window] / part[3:], (position - part[:3]) / part[3:]
        a, b = (ray * ray).sum(2), ray @ start
        inside = b * b - a * ((start * start).sum() - 1.0)
        way = (-b - np.sqrt(np.maximum(inside, 0.0))) / a
        closer = (inside > 0) & (way > 0) & (way < nearest[window])
        nearest[window][closer] = way[closer]
        there = position + rays[window][closer] * way[closer][:, None]
        outward = (there - part[:3]) / part[3:] ** 2
        normal[window][closer] = outward / np.linalg.norm(outward, axis=1, keepdims=True)
    return nearest, normal


def _coat(points: np.ndarray, normal: np.ndarray, animal: int) -> np.ndarray:
    patches = _sample(points, 2.1, animal)
    spots = _sample(points, 14.0, animal + 10)
    hair = _sample(points, 120.0, animal + 20)
    dark, pale = {1: ((70, 45, 30), (205, 170, 130)), 2: ((40, 40, 46), (190, 192, 200))}[animal]
    share = 0.3 + 0.4 / (1.0 + np.exp(-14.0 * (patches - 0.5)))
    share += 0.5 * np.tanh(12.0 * (spots - 0.5)) + 1.5 * (hair - 0.5)
    share = np.clip(share, 0, 1)[:, None]
    shade = 0.72 + 0.28 * np.clip(normal @ np.array([0.3, 0.2, 0.93]), -1, 1)[:, None]
    return (np.array(dark) * (1 - share) + np.array(pale) * share) * shade


def _ground(rays: np.ndarray, position: np.ndarray, animal: int) -> np.ndarray:
    """A pebbled floor out to ten units, and a plain wall behind it."""
    picture = np.empty((*rays.shape[:2], 3), np.float32)
    picture[:] = (178, 184, 186)
    with np.errstate(divide="ignore"):
        way = np.where(rays[:, :, 2] < -0.02, -position[2] / rays[:, :, 2], np.inf)
    floor = way < 14.0
    points = position + rays[floor] * way[floor][:, None]
    points[:, 2] = 0.3
    pebbles = np.tanh(10.0 * (_sample(points, 7.0, 40 + animal) - 0.5))
    sand = _sample(points, 90.0, 50 + animal) - 0.5
    tone = np.clip(118 + 34 * pebbles + 150 * sand, 0, 255)[:, None] * np.array([1.0, 0.97, 0.88])
    fade = np.clip((14.0 - way[floor]) / 4.0, 0, 1)[:, None]
    picture[floor] = tone * fade + picture[floor] * (1 - fade)
    return picture


def render(view: View) -> np.ndarray:
    """The view as RGB, `uint8`, (900, 1200, 3). Background "ground", "plain" or "still".

    "still" is the ground as a camera at azimuth 0 sees it, whatever way the figure is turned.
    """
    rays, position = _rays(view)
    if view.background == "plain":
        picture = np.full((HIGH, WIDE, 3), 188, np.float32)
    elif view.background == "still":
        picture = _ground(*_rays(View(0.0, view.height)), 1)
    else:
        picture = _ground(rays, position, view.animal)
    way, normal = _hits(view, rays, position)
    on = np.isfinite(way)
    points = position + rays[on] * way[on][:, None]
    picture[on] = _coat(points, normal[on], view.animal)
    grain = np.random.default_rng(int(view.azimuth * 10 + view.height)).normal(
        0, 1.5, picture.shape
    )
    return np.clip(picture + grain, 0, 255).astype(np.uint8)


def keep() -> Path:
    """The folder of views kept between runs."""
    digest = hashlib.sha256(Path(__file__).read_bytes()).hexdigest()[:12]
    folder = Path(tempfile.gettempdir()) / f"likewright-views-{digest}"
    folder.mkdir(exist_ok=True)
    return folder


def picture(view: View) -> np.ndarray:
    """The view, rendered once and then read from the kept ones."""
    name = (
        f"{view.background}-{view.animal}-{view.height:.0f}-{view.azimuth:.1f}-{view.distance}.png"
    )
    path = keep() / name
    if not path.exists():
        fresh = path.with_suffix(f".{id(view)}.tmp.png")
        cv2.imwrite(str(fresh), render(view)[:, :, ::-1])
        fresh.replace(path)
    return cv2.imread(str(path))[:, :, ::-1]
