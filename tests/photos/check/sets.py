"""Folders of pictures with one known fault each, made from the renderer's views."""

import shutil
from collections.abc import Callable, Sequence
from pathlib import Path

import cv2
import numpy as np

from tests.photos.check.render import View, picture

Change = Callable[[np.ndarray, int], np.ndarray]


def ring(step: float = 10, height: float = 14, **kind: object) -> list[View]:
    """A whole ring of views, `step` degrees apart."""
    return [View(step * k, height, **kind) for k in range(round(360 / step))]  # type: ignore[arg-type]


def write(
    folder: Path,
    views: Sequence[View],
    change: Change | None = None,
    name: str = "view{:03d}.jpg",
    quality: int = 92,
) -> Path:
    """Write the views as JPEGs named in order, each changed by `change(picture, place)`."""
    folder.mkdir(parents=True, exist_ok=True)
    begun = len(list(folder.iterdir()))
    for k, view in enumerate(views):
        shown = picture(view)
        if change is not None:
            shown = change(shown, k)
        path = folder / name.format(begun + k)
        cv2.imwrite(
            str(path), np.ascontiguousarray(shown[:, :, ::-1]), [cv2.IMWRITE_JPEG_QUALITY, quality]
        )
    return folder


def blurred(share: float) -> Change:
    """Out of focus: Gaussian σ as a share of the long side."""
    return lambda shown, _: cv2.GaussianBlur(shown, (0, 0), share * max(shown.shape))


def moved(share: float) -> Change:
    """Moved sideways while the shutter was open, by a share of the long side."""

    def change(shown: np.ndarray, _: int) -> np.ndarray:
        length = max(3, round(share * max(shown.shape)))
        return cv2.blur(shown, (length, 1))

    return change


def dark(shown: np.ndarray, place: int) -> np.ndarray:
    """Far too dark, with the grain of a small sensor."""
    grain = np.random.default_rng(place).normal(0, 3, shown.shape)
    return np.clip(shown * 0.18 + grain, 0, 255).astype(np.uint8)


def shrunk(side: int) -> Change:
    """Made smaller, as a chat program does."""

    def change(shown: np.ndarray, _: int) -> np.ndarray:
        scale = side / max(shown.shape)
        return cv2.resize(shown, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)

    return change


def some(change: Change, every: int) -> Change:
    """The change on every n-th picture only."""
    return lambda shown, place: change(shown, place) if place % every == 0 else shown


def lamp_from(place: int) -> Change:
    """From one picture on the light is a stop less and warmer."""

    def change(shown: np.ndarray, k: int) -> np.ndarray:
        if k < place:
            return shown
        return (shown * np.array([0.75, 0.62, 0.45])).astype(np.uint8)

    return change


def zoomed(shown: np.ndarray, place: int) -> np.ndarray:
    """Every other picture at twice the zoom."""
    if place % 2 == 0:
        return shown
    high, wide = shown.shape[:2]
    middle = shown[high // 4 : -(high // 4), wide // 4 : -(wide // 4)]
    return cv2.resize(middle, (wide, high), interpolation=cv2.INTER_CUBIC)


def without(views: Sequence[View], first: float, last: float) -> list[View]:
    """The views whose azimuth is not within the arc."""
    return [v for v in views if not first < v.azimuth < last]


def shuffled(views: Sequence[View]) -> list[View]:
    """The same views in an order that says nothing."""
    return [views[k] for k in np.random.default_rng(3).permutation(len(views))]


UNRELATED = (
    "astronaut.png", "camera.png", "chelsea.png", "coffee.png", "coins.png", "rocket.jpg",
    "retina.jpg", "ihc.png", "hubble_deep_field.jpg", "page.png", "brick.png", "grass.png",
    "gravel.png", "moon.png", "motorcycle_left.png",
)  # fmt: skip


def unrelated(folder: Path, count: int) -> Path:
    """Pictures that come with scikit-image and have nothing in common."""
    import skimage

    folder.mkdir(parents=True, exist_ok=True)
    source = Path(skimage.__file__).parent / "data"
    for name in UNRELATED[:count]:
        shutil.copy(source / name, folder / f"stray-{name}")
    return folder


def real_from_one_side(folder: Path, count: int = 9) -> Path:
    """The stereo pair that comes with scikit-image, seen from between its cameras and beside."""
    import skimage

    source = Path(skimage.__file__).parent / "data"
    shown = cv2.imread(str(source / "motorcycle_left.png"))
    with np.load(source / "motorcycle_disp.npz") as kept:
        measured = np.nan_to_num(kept["arr_0"].astype(np.float32), posinf=0.0)
    levels = np.clip(3 * measured, 0, 255).astype(np.uint8)
    holes = (measured <= 0).astype(np.uint8)
    shift = cv2.inpaint(levels, holes, 5, cv2.INPAINT_TELEA).astype(np.float32) / 3
    y, x = np.mgrid[: shown.shape[0], : shown.shape[1]].astype(np.float32)
    folder.mkdir(parents=True, exist_ok=True)
    for k in range(count):
        place = -1.0 + 2.5 * k / (count - 1)
        there = shift
        for _ in range(8):  # What stands at x now stood where its own shift says.
            there = cv2.remap(shift, x + place * there, y, cv2.INTER_LINEAR, borderMode=1)
        view = cv2.remap(shown, x + place * there, y, cv2.INTER_LINEAR, borderMode=2)
        cv2.imwrite(str(folder / f"side{k}.jpg"), view, [cv2.IMWRITE_JPEG_QUALITY, 92])
    return folder


Maker = Callable[[Path], object]

SETS: dict[str, tuple[str, str, Maker]] = {
    # name: (verdict expected, code of the reason expected or "", how it is made)
    "ring": ("will do", "", lambda f: write(f, ring())),
    "small steps": ("will do", "", lambda f: write(f, ring(4))),
    "three heights": (
        "will do", "", lambda f: write(f, [*ring(15, 14), *ring(15, 0), *ring(15, 32)]),
    ),
    "gap of 90": ("doubtful", "gap", lambda f: write(f, without(ring(), 90, 190))),
    "half a ring": ("doubtful", "gap", lambda f: write(f, ring()[:19])),
    "every third view": ("not will do", "", lambda f: write(f, ring()[::3])),
    "every fourth view": ("will not do", "", lambda f: write(f, ring()[::4])),
    "blurred": ("doubtful", "mostly_flawed", lambda f: write(f, ring(), blurred(0.0038))),
    "a little blurred": ("doubtful", "mostly_flawed", lambda f: write(f, ring(), blurred(0.0019))),
    "a few blurred": ("will do", "flawed", lambda f: write(f, ring(), some(blurred(0.004), 12))),
    "a fifth blurred": (
        "not will not do", "", lambda f: write(f, ring(), some(blurred(0.004), 5)),
    ),
    "every second view": ("not will not do", "", lambda f: write(f, ring()[::2])),
    "ring shuffled": ("will do", "", lambda f: write(f, shuffled(ring()))),
    "ring and strays": ("not will not do", "", lambda f: [write(f, ring()), unrelated(f, 4)]),
    "unrelated": ("will not do", "falls_apart", lambda f: unrelated(f, 15)),
    "moved": ("doubtful", "mostly_flawed", lambda f: write(f, ring(), moved(0.016))),
    "dark": ("doubtful", "mostly_dark", lambda f: write(f, ring(), dark)),
    "chat copies": (
        "doubtful", "mostly_small",
        lambda f: write(f, ring(), shrunk(640), "IMG-20250101-WA{:04d}.jpg", 40),
    ),
    "two animals": (
        "will not do", "two_groups",
        lambda f: write(f, [*ring(15), *ring(15, 14, animal=2)]),
    ),
    "six and copies": (
        "will not do", "too_few", lambda f: [write(f, ring()[:6], quality=q) for q in (95, 80, 70, 60)],
    ),
    "ring and copies": (
        "will do", "repeated", lambda f: [write(f, ring()), write(f, ring()[:12], quality=75)],
    ),
    "still background": ("not will do", "still_background", lambda f: write(f, ring(15, background="still"))),
    "light changed": ("will do", "light_changed", lambda f: write(f, ring(), lamp_from(18))),
    "other zoom": ("will do", "", lambda f: write(f, ring(), zoomed)),
    "plain cloth": ("will do", "", lambda f: write(f, ring(background="plain"))),
    "two arcs": ("not will do", "", lambda f: write(f, [*ring()[:10], *ring()[18:28]])),
}  # fmt: skip
"""The sets of the table. "not …" leaves the other two open."""
