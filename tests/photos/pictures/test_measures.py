"""Measures of single pictures against outside references."""

import cv2
import numpy as np
import pytest
from scipy import ndimage
from scipy.fft import dctn
from skimage import data, measure
from skimage.color import rgb2gray

from app.photos.pictures import measures


def grey_of(name: str) -> np.ndarray:
    shown = getattr(data, name)()
    return (rgb2gray(shown) * 255).astype(np.uint8) if shown.ndim == 3 else shown


PHOTOS = ["chelsea", "coffee", "astronaut", "camera", "rocket"]


def step_edge(sigma: float) -> np.ndarray:
    shown = np.full((256, 256), 60.0)
    shown[:, 128:] = 190.0
    return np.rint(ndimage.gaussian_filter(shown, sigma)).astype(np.uint8)


@pytest.mark.parametrize("name", PHOTOS)
@pytest.mark.parametrize("sigma", [0.0, 2.0])
def test_reblur_is_what_scikit_image_computes(name: str, sigma: float) -> None:
    grey = ndimage.gaussian_filter(grey_of(name), sigma) if sigma else grey_of(name)
    assert measures.reblur(grey) == pytest.approx(measure.blur_effect(grey), abs=0.003)


def test_edge_blur_of_a_step_follows_the_blur_it_was_given() -> None:
    """A pixel beside the edge's middle reads somewhat more: up to 1.7 times on a single step."""
    given = np.array([1.0, 2.0, 3.0, 4.0, 6.0])
    found = np.array([measures.edge_blur_and_motion(step_edge(s))[0] for s in given])
    assert (np.diff(found) > 0).all()
    assert (found >= 0.9 * given).all()
    assert (found <= 1.7 * given).all()


@pytest.mark.parametrize("name", PHOTOS)
def test_blur_passes_its_threshold_and_sharp_photos_do_not(name: str) -> None:
    grey = grey_of(name)
    blurred = cv2.GaussianBlur(grey, (0, 0), 1.95)
    assert measures.edge_blur_and_motion(grey)[0] < 1.2
    assert 1.9 < measures.edge_blur_and_motion(blurred)[0] < 3.4
    assert measures.reblur(blurred) > 0.43 >= measures.reblur(grey)


def test_a_smooth_ball_with_a_hard_outline_is_not_called_blurred() -> None:
    y, x = np.mgrid[-1:1:400j, -1:1:400j]
    inside = x * x + y * y < 0.6
    shown = np.where(inside, 200 - 60 * (x * x + y * y), 40.0)
    assert measures.edge_blur_and_motion(shown.astype(np.uint8))[0] < 1.2


@pytest.mark.parametrize("name", PHOTOS)
def test_motion_shows_in_direction_and_defocus_does_not(name: str) -> None:
    grey = grey_of(name)
    along = cv2.blur(grey, (13, 1))
    defocused = cv2.GaussianBlur(grey, (0, 0), 3.0)
    assert measures.edge_blur_and_motion(along)[1] > 2.2
    assert measures.edge_blur_and_motion(defocused)[1] < 1.8


@pytest.mark.parametrize("sigma", [3.0, 8.0, 15.0])
def test_noise_of_a_flat_wall_is_the_noise_it_was_given(sigma: float) -> None:
    grain = np.random.default_rng(1).normal(128, sigma, (480, 640))
    shown = np.clip(np.rint(grain), 0, 255).astype(np.uint8)
    assert measures.noise(shown) == pytest.approx(sigma, rel=0.1)
    mask = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]])
    answer = np.abs(ndimage.convolve(shown.astype(float), mask))[1:-1, 1:-1]
    whole = np.sqrt(np.pi / 2) / 6 * answer.mean()
    assert measures.noise(shown) == pytest.approx(whole, rel=0.1)


def test_fur_is_not_noise_where_something_flat_is_beside_it() -> None:
    rng = np.random.default_rng(2)
    shown = np.full((512, 512), 120, np.uint8)
    shown[:, 150:] = rng.integers(60, 200, (512, 362))
    assert measures.noise(shown) < 1.0


def test_clipped_shares_are_counted_in_the_middle() -> None:
    shown = np.full((100, 100), 128, np.uint8)
    shown[:10] = 255
    assert measures.light(shown)[2] == 0.0
    shown[40:60, 10:90] = 255
    assert measures.light(shown)[2] == pytest.approx(0.25)
    assert measures.light(shown)[0] == pytest.approx(shown.mean())


def test_perceptual_hash_is_the_sign_pattern_of_the_cosine_terms() -> None:
    small = measures.thumbnail(grey_of("chelsea"))
    terms = dctn(small.astype(float), norm="ortho")[:8, :8].ravel()
    expected = int("".join("1" if t > np.median(terms) else "0" for t in terms), 2)
    assert (measures.perceptual_hash(small) ^ expected).bit_count() <= 1


@pytest.mark.parametrize("name", PHOTOS)
def test_a_copy_saved_again_and_smaller_hashes_alike(name: str) -> None:
    grey = grey_of(name)
    smaller = cv2.resize(grey, None, fx=0.6, fy=0.6, interpolation=cv2.INTER_AREA)
    _, saved = cv2.imencode(".jpg", smaller, [cv2.IMWRITE_JPEG_QUALITY, 50])
    copy = cv2.imdecode(saved, cv2.IMREAD_GRAYSCALE)
    hashes = [measures.perceptual_hash(measures.thumbnail(g)) for g in (grey, copy)]
    assert (hashes[0] ^ hashes[1]).bit_count() <= 2


@pytest.mark.parametrize("shape", [(32, 32), (32, 900), (33, 47)])
def test_any_shape_and_no_contrast_at_all_give_finite_figures(shape: tuple[int, int]) -> None:
    for level in (0, 128, 255):
        figures = vars(measures.measure(np.full(shape, level, np.uint8)))
        assert all(np.isfinite(v) for v in figures.values())
