"""The child process that opens pictures: `python -m app.photos.pictures.decoder`.

Nobody's picture is decoded in the house's own process. This one reads one request a line (JSON:
path, want) and answers in two parts: facts as JSON, and for the check ("measure", "sift") an npz
archive of plain arrays and no pickled object, for a page (the long side in px) a JPEG made anew
from the pixels. What a picture does to it (memory, time, a crash in a codec) ends the child and
nothing else. It never reads the position data of a picture, so none can leave it.
"""

import importlib
import io
import json
import resource
import select
import sys
import warnings
from pathlib import Path
from typing import Any, BinaryIO, cast

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps, UnidentifiedImageError
from PIL.TiffImagePlugin import TiffImageFile

from app.photos.pictures import measures
from app.shared import child

FORMATS = ("JPEG", "PNG", "WEBP", "TIFF", "HEIF")
"""MPO, several JPEGs in one file, opens by way of JPEG as its first picture."""
FEATURE_SIDE = 800
CONTACT_SIDE = 192
LEAST_SIDE = 32
SHOWN_QUALITY, CONTACT_QUALITY = 84, 80
ORB_FEATURES = 700
SIFT_FEATURES = 2500
FRAMES_AT_MOST = 8
MEMORY_ALLOWED = 700 * 2**20
SECONDS_ALLOWED = 40
IDLE_SECONDS = 60.0
"""A child that makes pictures for pages is asked now and then, and ends by itself in between."""

_TOO_MANY = (Image.DecompressionBombError, Image.DecompressionBombWarning)

DNG_VERSION, COLOUR_FILTER_ARRAY = 50706, 32803
ORIENTATION, MAKER, SOFTWARE = 274, 271, 305
EXIF_BLOCK, TAKEN, FOCAL, FOCAL_35, ZOOM = 0x8769, 36867, 37386, 41989, 41988


class NotRead(Exception):
    """The picture cannot be read; the argument is a code of `reading.PROBLEMS`."""


def register_formats() -> None:
    """Make Pillow know the formats that are read; it loads most of them only when asked."""
    import pillow_heif

    pillow_heif.register_heif_opener()
    for name in ("Jpeg", "Mpo", "Png", "Tiff", "WebP"):
        importlib.import_module(f"PIL.{name}ImagePlugin")


def open_picture(path: Path) -> Image.Image:
    """The picture behind a path, its header checked and its pixels not yet decoded.

    Raises NotRead. The format is told from the bytes, never from the name.
    """
    if path.stat().st_size == 0:
        raise NotRead("empty")
    with path.open("rb") as file:
        head = file.read(16)
    if head[4:12] == b"ftypcrx ":
        raise NotRead("raw")
    try:
        picture = Image.open(path, formats=FORMATS)
    except _TOO_MANY as error:
        raise NotRead("too_many_pixels") from error
    except UnidentifiedImageError as error:
        raise NotRead(_unknown(head)) from error
    except Exception as error:
        raise NotRead("damaged") from error
    if isinstance(picture, TiffImageFile) and {DNG_VERSION, COLOUR_FILTER_ARRAY} & set(
        picture.tag_v2
    ):
        raise NotRead("raw")
    if getattr(picture, "n_frames", 1) > FRAMES_AT_MOST:
        raise NotRead("film")
    return picture


def _unknown(head: bytes) -> str:
    begins_as_picture = (b"\xff\xd8\xff", b"\x89PNG", b"II*\0", b"MM\0*")
    if head.startswith(begins_as_picture) or head[4:8] == b"ftyp" or head[8:12] == b"WEBP":
        return "damaged"
    return "not_a_picture"


def pixels(picture: Image.Image) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """The decoded picture turned upright: grey at 1024 px, and in colour at about 192 px.

    A JPEG is decoded at the smallest of libjpeg's scales that keeps 1024 px of its long side.
    """
    scale = measures.LONG_SIDE / max(picture.size)
    if picture.format in ("JPEG", "MPO") and scale < 1:
        size = (int(picture.width * scale), int(picture.height * scale))
        picture.draft("RGB" if picture.mode != "L" else "L", size)
    turn = 1 if picture.format == "HEIF" else picture.getexif().get(ORIENTATION, 1)
    rgb = _eight_bits(picture)
    grey = cast("NDArray[np.uint8]", cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY))
    # Every n-th pixel first: an exact reduction of all three colours costs as much as the decode.
    coarse = np.ascontiguousarray(rgb[:: _stride(rgb), :: _stride(rgb)])
    return (
        _upright(_shrink(grey, measures.LONG_SIDE), turn),
        _upright(_shrink(coarse, CONTACT_SIDE), turn),
    )


def _stride(rgb: NDArray[np.uint8]) -> int:
    return max(1, int(max(rgb.shape[:2])) // (3 * CONTACT_SIDE))


def _eight_bits(picture: Image.Image) -> NDArray[np.uint8]:
    picture.load()
    if _is_deep(picture):
        return np.repeat(_grey_levels(picture)[:, :, None], 3, axis=2)
    return np.asarray(picture if picture.mode == "RGB" else picture.convert("RGB"))


def _is_deep(picture: Image.Image) -> bool:
    return picture.mode.startswith(("I", "F"))


def _grey_levels(picture: Image.Image) -> NDArray[np.uint8]:
    """Pillow's own conversion of 16-bit grey clips everything above 255 to white."""
    levels = np.asarray(picture, dtype=np.float32)
    deep = picture.mode.startswith("I;16") or levels.max(initial=0) > 255
    return np.asarray(np.clip(levels / 256.0 if deep else levels, 0, 255), np.uint8)


def _shrink(plane: NDArray[np.uint8], side: int) -> NDArray[np.uint8]:
    scale = side / max(plane.shape[:2])
    if scale >= 1:
        return plane
    size = (max(1, round(plane.shape[1] * scale)), max(1, round(plane.shape[0] * scale)))
    # Up to half, two pixels each way go into one, and the quicker way takes the same two.
    how = cv2.INTER_LINEAR if scale >= 0.5 else cv2.INTER_AREA
    return cast("NDArray[np.uint8]", cv2.resize(plane, size, interpolation=how))


def _upright(plane: NDArray[np.uint8], orientation: Any) -> NDArray[np.uint8]:
    """EXIF 2.32, tag 274: 2, 4, 5 and 7 are mirrored, 3, 6 and 8 only turned."""
    turned = {3: 2, 4: 2, 5: 3, 6: 3, 7: 1, 8: 1}.get(orientation, 0)
    if turned:
        plane = np.rot90(plane, turned)
    if orientation in (2, 4, 5, 7):
        plane = plane[:, ::-1]
    return np.ascontiguousarray(plane)


def facts(picture: Image.Image, path: Path) -> dict[str, Any]:
    """What the file says of itself: format, size, date, focal length. Never where it was taken."""
    exif = picture.getexif()
    block = exif.get_ifd(EXIF_BLOCK)
    return {
        "format": picture.format or "",
        "width": picture.width,
        "height": picture.height,
        "bytes": path.stat().st_size,
        "taken": _text(block.get(TAKEN)),
        "focal": _number(block.get(FOCAL)),
        "focal_35": _number(block.get(FOCAL_35)),
        "zoom": _number(block.get(ZOOM)),
        "camera": bool(_text(exif.get(MAKER))),
        "software": _text(exif.get(SOFTWARE)),
        "quality": _jpeg_quality(picture),
    }


def _text(value: Any) -> str:
    return value.strip("\0 ")[:64] if isinstance(value, str) else ""


def _number(value: Any) -> float:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return 0.0
    return number if 0 < number < 10_000 else 0.0


def _jpeg_quality(picture: Image.Image) -> float:
    """The quality setting that gives about this quantisation, 0 where there is none.

    From the scaling of the example tables of ITU-T T.81 annex K as libjpeg does it
    (jcparam.c, from memory): the mean of the example luminance table is 57.6.
    """
    tables = getattr(picture, "quantization", None)
    if not tables:
        return 0.0
    percent = 100.0 * float(np.mean(tables[min(tables)])) / 57.6
    return float(max(1.0, 100 - percent / 2 if percent <= 100 else 5000 / percent))


def colours(rgb: NDArray[np.uint8]) -> list[float]:
    """Mean red, green and blue of linear light (IEC 61966-2-1, power 2.2 taken for its curve)."""
    small = cv2.resize(rgb, (64, 64), interpolation=cv2.INTER_AREA).astype(np.float32) / 255.0
    return [float(v) for v in (small**2.2).mean(axis=(0, 1))]


def features(grey: NDArray[np.uint8], kind: str) -> dict[str, NDArray[Any]]:
    """Local features at 800 px: `points` (n, 2) `float32` in pixels, `described` (n, 32 or 128)."""
    small = _lifted(_shrink(grey, FEATURE_SIDE))
    finders: Any = cv2  # The stubs of this version do not know them.
    if kind == "orb":
        finder = finders.ORB_create(nfeatures=ORB_FEATURES, fastThreshold=10)
    else:
        finder = finders.SIFT_create(nfeatures=SIFT_FEATURES, contrastThreshold=0.03)
    keypoints, described = finder.detectAndCompute(small, None)
    width = 32 if kind == "orb" else 128
    if described is None:
        described = np.zeros((0, width), np.uint8)
    points = np.array([k.pt for k in keypoints], np.float32).reshape(-1, 2)
    return {
        "points": points,
        "described": described.astype(np.uint8),
        "size": np.array(small.shape[::-1], np.int32),
    }


def _lifted(grey: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """A dark picture made brighter, so that the finders' fixed contrast limits do not miss it.

    Its grain grows with it and is smoothed where that is much: on rendered views darkened to a
    quarter and an eighth, with grain, a third to a half more features then agree.
    """
    bright_end = float(np.percentile(grey[::4, ::4], 98))
    gain = min(4.0, 180.0 / max(bright_end, 1.0))
    if gain < 1.3:
        return grey
    bright = cast("NDArray[np.uint8]", cv2.convertScaleAbs(grey, alpha=gain))
    if gain < 2.0:
        return bright
    return cast("NDArray[np.uint8]", cv2.GaussianBlur(bright, (0, 0), 1.2))


Answer = tuple[dict[str, Any], bytes]
"""What the file says of itself, or its problem; and an npz archive or a JPEG."""


def read(path: Path, want: str | int) -> Answer:
    """What is wanted of one picture. Raises NotRead."""
    with open_picture(path) as picture:
        try:
            # Asking some formats for their EXIF block reads the pixels too.
            said = facts(picture, path)
            if isinstance(want, int):
                return for_page(picture, said, want)
            return for_check(picture, said, want)
        except NotRead:
            raise
        except _TOO_MANY as error:
            raise NotRead("too_many_pixels") from error
        except MemoryError as error:
            raise NotRead("memory") from error
        except Exception as error:
            raise NotRead("damaged") from error


def for_check(picture: Image.Image, said: dict[str, Any], want: str) -> Answer:
    """Measures, a thumbnail, a small JPEG and ORB features; or, for "sift", SIFT features alone."""
    grey, small_colour = pixels(picture)
    if min(grey.shape) < LEAST_SIDE:
        raise NotRead("tiny")
    if want == "sift":
        return said, _archive(features(grey, "sift"))
    small = measures.thumbnail(grey)
    said["measures"] = vars(measures.measure(grey))
    said["colours"] = colours(small_colour)
    said["hash"] = measures.perceptual_hash(small)
    contact = np.frombuffer(_jpeg(Image.fromarray(small_colour), CONTACT_QUALITY), np.uint8)
    return said, _archive({"thumbnail": small, "contact": contact, **features(grey, "orb")})


def for_page(picture: Image.Image, said: dict[str, Any], side: int) -> Answer:
    """A JPEG, `side` px long at most, turned upright: its pixels alone, and so no position."""
    if min(picture.size) < LEAST_SIDE:
        raise NotRead("tiny")
    if picture.format in ("JPEG", "MPO"):
        picture.draft("RGB" if picture.mode != "L" else "L", (side, side))
    # A HEIC comes turned already, and says so.
    upright = ImageOps.exif_transpose(picture)
    if _is_deep(upright):
        upright = Image.fromarray(_grey_levels(upright))
    upright.thumbnail((side, side))
    if upright.mode in ("RGBA", "LA", "PA", "P"):
        whole = upright.convert("RGBA")
        paper = Image.new("RGBA", whole.size, (255, 255, 255, 255))
        upright = Image.alpha_composite(paper, whole)
    # Whatever else the file carried stays behind.
    bare = Image.fromarray(np.asarray(upright.convert("RGB")))
    kept = ("format", "width", "height", "taken")
    return {name: said[name] for name in kept}, _jpeg(bare, SHOWN_QUALITY)


def _jpeg(picture: Image.Image, quality: int) -> bytes:
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=quality)
    return buffer.getvalue()


def _archive(arrays: dict[str, NDArray[Any]]) -> bytes:
    buffer = io.BytesIO()
    np.savez(buffer, **cast("dict[str, Any]", arrays))
    return buffer.getvalue()


def answer(path: Path, want: str | int) -> Answer:
    """The answer to one request; of a picture that cannot be read it says the problem."""
    try:
        return read(path, want)
    except NotRead as problem:
        code = str(problem)
    except MemoryError:
        code = "memory"
    except OSError:
        code = "not_opened"
    except Exception:
        # Codecs raise whatever they like on hostile bytes; the others go on without this one.
        code = "damaged"
    return {"problem": code}, b""


def limit_processor_time() -> None:
    """Give the picture that comes next its seconds; the kernel ends the child after them."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    until = int(used.ru_utime + used.ru_stime) + SECONDS_ALLOWED
    hard = resource.getrlimit(resource.RLIMIT_CPU)[1]
    if hard != resource.RLIM_INFINITY:
        until = min(until, hard)
    resource.setrlimit(resource.RLIMIT_CPU, (until, hard))


def limit_the_rest() -> None:
    """No more memory than what is taken now and an allowance, no file written, no core dump."""
    limits = [(resource.RLIMIT_FSIZE, 0), (resource.RLIMIT_CORE, 0)]
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[0])
        limits.append((resource.RLIMIT_AS, pages * resource.getpagesize() + MEMORY_ALLOWED))
    except OSError:
        pass  # Where there is no /proc the memory of this process cannot be read, nor capped so.
    for which, most in limits:
        hard = resource.getrlimit(which)[1]
        value = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(which, (value, value))


def main(requests: BinaryIO, answers: BinaryIO) -> None:
    """Answer requests until their pipe is closed; a page's child also once it is idle."""
    register_formats()
    warnings.simplefilter("error", Image.DecompressionBombWarning)
    cv2.setNumThreads(1)
    limit_the_rest()
    patience = None
    while select.select([requests], [], [], patience)[0] and (line := requests.readline()):
        wish = json.loads(line)
        limit_processor_time()
        said, rest = answer(Path(wish["path"]), wish["want"])
        child.answer(answers, json.dumps(said).encode(), rest)
        patience = IDLE_SECONDS if isinstance(wish["want"], int) else None


if __name__ == "__main__":
    main(sys.stdin.buffer, sys.stdout.buffer)
