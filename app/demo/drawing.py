"""Pictures of the invented animals, drawn in code: `python -m app.demo.drawing FOLDER`.

A child process: it reads a JSON list of views on standard input, each a list of the shots that
show it, writes one JPEG for each shot, and prints a line (JSON) with its size and hash. A figure
of ellipsoids with a patterned coat stands on pebbles; a camera goes round it. Nobody's animal,
nobody's photograph.
"""

import hashlib
import json
import os
import sys
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

WIDE, HIGH, FOCAL = 880, 660, 1080.0
THUMB = 360
MIDDLE = np.array([0.05, 0.0, 1.0], np.float32)
AWAY = 6.0
CELLS = 96
# Centre and radii: body, chest, neck, head, muzzle, four legs, tail, two ears.
PARTS = np.array(
    [
        [0.00, 0.00, 1.20, 0.95, 0.42, 0.45],
        [0.62, 0.00, 1.26, 0.42, 0.40, 0.48],
        [0.98, 0.00, 1.62, 0.26, 0.20, 0.46],
        [1.20, 0.00, 1.98, 0.33, 0.20, 0.22],
        [1.44, 0.00, 1.88, 0.21, 0.13, 0.13],
        [0.68, 0.22, 0.50, 0.13, 0.13, 0.58],
        [0.68, -0.22, 0.50, 0.13, 0.13, 0.58],
        [-0.66, 0.24, 0.54, 0.17, 0.14, 0.62],
        [-0.66, -0.24, 0.54, 0.17, 0.14, 0.62],
        [-1.02, 0.00, 1.10, 0.13, 0.11, 0.45],
        [1.06, 0.13, 2.21, 0.07, 0.06, 0.16],
        [1.06, -0.13, 2.21, 0.07, 0.06, 0.16],
    ],
    np.float32,
)
SHAPES = {0: (1.0, 1.0, 1.0), 1: (0.82, 1.05, 0.8)}
COATS = {
    0: ((62, 40, 28), (206, 172, 132)),
    1: ((52, 50, 52), (214, 212, 208)),
    2: ((40, 26, 20), (150, 104, 66)),
}
Plane = NDArray[np.float32]
Bytes = NDArray[np.uint8]


@cache
def _grain(seed: int, coarse: int) -> Plane:
    """A solid of smooth noise, 0 to 1, that repeats at its ends."""
    rng = np.random.default_rng(seed)
    solid = rng.random((coarse, coarse, coarse), np.float32).repeat(CELLS // coarse, 0)
    solid = solid.repeat(CELLS // coarse, 1).repeat(CELLS // coarse, 2)
    reach = CELLS // coarse // 2
    for axis in range(3):
        rolled = [np.roll(solid, k, axis) for k in range(-reach, reach + 1)]
        solid = np.mean(rolled, axis=0, dtype=np.float32)
    return np.asarray(solid, np.float32)


def _at(points: Plane, cells: float, seed: int, coarse: int) -> Plane:
    x, y, z = (np.floor(points * cells).astype(np.int32) % CELLS).T
    return np.asarray(_grain(seed, coarse)[x, y, z])


@cache
def _pebbles() -> Bytes:
    rng = np.random.default_rng(5)
    fine = cv2.GaussianBlur(rng.random((1024, 1024), np.float32), (0, 0), 3.0)
    spots = np.tanh(60.0 * (fine - fine.mean()))
    tone = 128 + 32 * spots + 26 * (rng.random((1024, 1024), np.float32) - 0.5)
    return np.asarray(np.clip(tone, 0, 255), np.uint8)


@cache
def _grid() -> Plane:
    """The direction of every pixel in the camera's own axes (right, down, ahead), (660, 880, 3)."""
    across, down = np.meshgrid(
        np.arange(WIDE, dtype=np.float32) - WIDE / 2, np.arange(HIGH, dtype=np.float32) - HIGH / 2
    )
    return np.stack([across / FOCAL, down / FOCAL, np.ones_like(across)], 2).astype(np.float32)


def _camera(azimuth: float, level: float) -> tuple[Plane, Plane]:
    """World-to-camera rotation (3, 3) and where the camera stands (3,)."""
    a, h = np.radians([azimuth, level])
    away = np.array([np.cos(a) * np.cos(h), np.sin(a) * np.cos(h), np.sin(h)], np.float32)
    right = np.cross(-away, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    turned = np.array([right, np.cross(-away, right), -away], np.float32)
    return turned, (MIDDLE + AWAY * away).astype(np.float32)


@cache
def _floor(level: float) -> tuple[Plane, Plane, Plane, Plane]:
    """For each pixel the floor's place to the right of and ahead of the camera, light and haze.

    A pebble's tone times the light, plus the haze, is what is seen.
    """
    turned, eye = _camera(0.0, level)
    rays = _grid() @ turned
    with np.errstate(divide="ignore"):
        way = np.where(rays[:, :, 2] < -0.02, -eye[2] / rays[:, :, 2], 60.0)
    way = np.minimum(way, 60.0).astype(np.float32)
    fade = np.clip((14.0 - way) / 5.0, 0, 1).astype(np.float32)[:, :, None]
    light = np.array([1.0, 0.97, 0.88], np.float32) * fade
    haze = np.array([180, 186, 190], np.float32) * (1 - fade)
    return rays[:, :, 1] * way, -rays[:, :, 0] * way, light, haze


def draw(azimuth: float, level: float, animal: int, coat: int) -> Bytes:
    """One view as RGB, (660, 880, 3), from `azimuth` and `level` in degrees."""
    turned, eye = _camera(azimuth, level)
    right, ahead, light, haze = _floor(level)
    a = np.radians(azimuth)
    x = eye[0] - ahead * np.float32(np.cos(a)) - right * np.float32(np.sin(a))
    y = eye[1] - ahead * np.float32(np.sin(a)) + right * np.float32(np.cos(a))
    ground = cv2.remap(_pebbles(), x * 90, y * 90, cv2.INTER_NEAREST, borderMode=cv2.BORDER_WRAP)
    picture = ground[:, :, None] * light
    picture += haze
    nearest = np.full((HIGH, WIDE), np.inf, np.float32)
    shade = np.ones((HIGH, WIDE), np.float32)
    for part in PARTS * np.tile(np.array(SHAPES[animal], np.float32), 2):
        seen = _window(turned, eye, part)
        _meet(_grid()[seen] @ turned, eye, part, nearest[seen], shade[seen])
    hit = np.isfinite(nearest)
    points = eye + (_grid()[hit] @ turned) * nearest[hit][:, None]
    picture[hit] = _coat(points, animal, coat) * shade[hit][:, None]
    np.clip(picture, 0, 255, out=picture)
    return picture.astype(np.uint8)


def _window(turned: Plane, eye: Plane, part: Plane) -> tuple[slice, slice]:
    """Rows and columns outside of which a part cannot be seen."""
    right, down, ahead = (float(v) for v in turned @ (part[:3] - eye))
    largest = float(part[3:].max())
    reach = FOCAL * largest / (ahead - largest) + 2
    x, y = FOCAL * right / ahead + WIDE / 2, FOCAL * down / ahead + HIGH / 2
    return (
        slice(max(0, int(y - reach)), max(0, int(y + reach))),
        slice(max(0, int(x - reach)), max(0, int(x + reach))),
    )


def _meet(rays: Plane, eye: Plane, part: Plane, nearest: Plane, shade: Plane) -> None:
    """Where the rays meet an ellipsoid before what they met so far, and how light it is there."""
    turned, start = rays / part[3:], (eye - part[:3]) / part[3:]
    a, b = np.einsum("ijk,ijk->ij", turned, turned), turned @ start
    inside = b * b - a * (float(start @ start) - 1.0)
    way = (-b - np.sqrt(np.maximum(inside, 0.0))) / a
    closer = (inside > 0) & (way < nearest)
    nearest[closer] = way[closer]
    normal = (start + turned[closer] * way[closer][:, None]) / part[3:]
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    shade[closer] = 0.74 + 0.26 * (normal @ np.array([0.3, 0.2, 0.93], np.float32))


def _coat(points: Plane, animal: int, coat: int) -> Plane:
    patches = _at(points, 20.0, animal, 12)
    spots = _at(points, 60.0, animal + 10, 24)
    hair = _at(points, 90.0, animal + 20, 48)
    share = 0.3 + 0.4 / (1.0 + np.exp(-30.0 * (patches - 0.5)))
    share = np.clip(share + 0.5 * np.tanh(9.0 * (spots - 0.5)) + 0.5 * (hair - 0.5), 0, 1)
    dark, pale = (np.array(tone, np.float32) for tone in COATS[coat])
    return np.asarray(dark + (pale - dark) * share[:, None], np.float32)


def save(shot: dict[str, Any], picture: Bytes, folder: Path) -> dict[str, Any]:
    """Write a shot with its thumbnail, named by its hash."""
    image, exif = Image.fromarray(picture), Image.Exif()
    exif[271] = "Example"
    if shot["taken"]:
        exif[0x8769] = {36867: shot["taken"], 37386: 32.0, 41989: 44}
    path = folder / f"{shot['name']}.part"
    image.save(path, "JPEG", quality=88, exif=exif)
    content = path.read_bytes()
    digest = hashlib.sha256(content).hexdigest()
    os.rename(path, folder / f"{digest}.jpg")
    image.thumbnail((THUMB, THUMB))
    image.save(folder / f"{digest}-{THUMB}.jpg", "JPEG", quality=84)
    return {**shot, "sha256": digest, "size": len(content), "width": WIDE, "height": HIGH}


def _as_taken(picture: Bytes, way: str) -> Bytes:
    """A view as somebody's camera gave it; `way` is how it went wrong, or nothing."""
    if way == "print":
        # A print, photographed: soft and faded.
        soft = cv2.GaussianBlur(picture, (0, 0), 1.0) * 0.72
        return np.asarray(np.clip(soft + np.array([58, 48, 34]), 0, 255), np.uint8)
    if way == "mirrored":
        # Another animal, seen from its other side: a second set for the price of one.
        grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)[:, ::-1, None]
        return np.asarray(cv2.addWeighted(picture[:, ::-1], 0.35, grey.repeat(3, 2), 0.65, 0))
    if way == "dim":
        # By the light of one lamp, and the camera focused on the floor behind.
        dim = cv2.GaussianBlur(picture[:, ::-1], (0, 0), 3.2)
        return np.asarray(cv2.convertScaleAbs(dim, alpha=0.24), np.uint8)
    return picture


def main() -> None:
    """Draw what is asked for on standard input into the folder named."""
    cv2.setNumThreads(1)
    folder = Path(sys.argv[1])
    for views in json.load(sys.stdin):
        first = views[0]
        picture = draw(first["azimuth"], first["level"], first["animal"], first["coat"])
        for shot in views:
            said = save(shot, _as_taken(picture, shot["way"]), folder)
            sys.stdout.write(json.dumps(said) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
