"""The child process that makes small pictures: `python -m app.photos.pictures.child`.

It reads one request a line (JSON: path, side) and answers in two parts: JSON facts, and a JPEG
whose long side is at most `side` px. The JPEG is made anew from
the pixels, turned upright: nothing of the file's own metadata, and so no position, is in it.
Without a request for a minute it ends by itself.
"""

import io
import json
import select
import sys
import warnings
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from PIL import Image, ImageOps

from app.photos.pictures import decoder
from app.photos.pictures.decoder import NotRead
from app.shared import child

IDLE_SECONDS = 60.0
QUALITY = 84
LEAST_SIDE = 32
_TOO_MANY = (Image.DecompressionBombError, Image.DecompressionBombWarning)


def small(path: Path, side: int) -> tuple[dict[str, Any], bytes]:
    """Facts of a picture and a JPEG of it, `side` px long at most. Raises NotRead."""
    with decoder.open_picture(path) as picture:
        try:
            said = decoder.facts(picture, path)
            rgb = _rgb(picture, side)
        except _TOO_MANY as error:
            raise NotRead("too_many_pixels") from error
        except MemoryError as error:
            raise NotRead("memory") from error
        except Exception as error:
            raise NotRead("damaged") from error
    if min(rgb.size) < 1 or min(said["width"], said["height"]) < LEAST_SIDE:
        raise NotRead("tiny")
    buffer = io.BytesIO()
    rgb.save(buffer, "JPEG", quality=QUALITY)
    kept = ("format", "width", "height", "taken")
    return {name: said[name] for name in kept}, buffer.getvalue()


def _rgb(picture: Image.Image, side: int) -> Image.Image:
    if picture.format in ("JPEG", "MPO"):
        picture.draft("RGB" if picture.mode != "L" else "L", (side, side))
    picture.load()
    if picture.mode.startswith(("I", "F")):
        # Pillow's own conversion of 16-bit grey clips everything above 255 to white.
        levels = np.asarray(picture, dtype=np.float32)
        deep = picture.mode.startswith("I;16") or levels.max(initial=0) > 255
        grey = np.clip(levels / 256.0 if deep else levels, 0, 255).astype(np.uint8)
        turn = picture.getexif()
        flat = Image.fromarray(grey)
        flat.getexif()[decoder.ORIENTATION] = turn.get(decoder.ORIENTATION, 1)
        picture = flat
    # A HEIC comes turned already, and says so.
    upright = ImageOps.exif_transpose(picture)
    upright.thumbnail((side, side))
    if upright.mode in ("RGBA", "LA", "PA", "P"):
        whole = upright.convert("RGBA")
        paper = Image.new("RGBA", whole.size, (255, 255, 255, 255))
        upright = Image.alpha_composite(paper, whole)
    # Pixels alone: whatever else the file carried stays behind.
    return Image.fromarray(np.asarray(upright.convert("RGB")))


def picture(line: bytes) -> tuple[bytes, bytes]:
    """The two parts for one request; where there is no picture, the problem and no JPEG."""
    wish = json.loads(line)
    jpeg = b""
    try:
        said, jpeg = small(Path(wish["path"]), int(wish["side"]))
    except NotRead as problem:
        said = {"problem": str(problem)}
    except MemoryError:
        said = {"problem": "memory"}
    except OSError:
        said = {"problem": "not_opened"}
    except Exception:
        # Codecs raise whatever they like on hostile bytes; the others go on without this one.
        said = {"problem": "damaged"}
    return json.dumps(said).encode(), jpeg


def main(requests: BinaryIO, answers: BinaryIO) -> None:
    """Answer requests until their pipe is closed, or until none came for a while."""
    decoder.register_formats()
    warnings.simplefilter("error", Image.DecompressionBombWarning)
    decoder.limit_the_rest()
    while select.select([requests], [], [], IDLE_SECONDS)[0]:
        line = requests.readline()
        if not line:
            return
        decoder.limit_processor_time()
        child.answer(answers, *picture(line))


if __name__ == "__main__":
    main(sys.stdin.buffer, sys.stdout.buffer)
