"""The child process that checks a set: `python -m app.photos.check.child`.

It reads one JSON object (files: name and path of each, remembered, thresholds, sheet: where to
write the contact sheet) and answers with a line of JSON for each step, the whole answer in the
last.
"""

import io
import json
import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path

from PIL import Image, ImageDraw, ImageFont

from app.photos.check.answer import CheckResult, Progress, as_json
from app.photos.check.graph_picture import view_graph_svg
from app.photos.check.run import check_files
from app.photos.check.thresholds import Thresholds
from app.photos.pictures.reading import Found
from app.photos.verdicts import flaw_words

COLUMNS, CELL_WIDE, CELL_HIGH, CAPTION = 6, 200, 200, 34
PAPER, INK, BRICK = (251, 248, 242), (35, 32, 27), (155, 44, 31)


def main() -> None:
    """Check what is asked for on standard input. The pages' work goes first: be nice."""
    os.nice(10)
    wish = json.load(sys.stdin)
    found = [Found(name, Path(path)) for name, path in wish["files"]]
    thresholds = Thresholds(**wish["thresholds"])
    result = check_files(found, thresholds, _tell, wish["remembered"])
    if result.contacts:
        Path(wish["sheet"]).write_bytes(_sheet(result))
    _say({"result": as_json(result), "graph": _graph(result)})


def _sheet(result: CheckResult) -> bytes:
    names = [picture.name for picture in result.facts.pictures]
    words = {
        name: flaw_words(wrong - {"hopeless"})
        for name, wrong in zip(names, result.flaws, strict=False)
        if wrong
    }
    return contact_sheet(names, result.contacts, words)


def contact_sheet(
    names: Sequence[str], contacts: Mapping[str, bytes], words: Mapping[str, str]
) -> bytes:
    """Every picture of a checked set on one page, numbered: a JPEG without metadata.

    `contacts` are the small JPEGs of a check by name; a picture without one gets an empty frame.
    `words` are what is wrong with a picture, a few words; those are framed and written in brick.
    """
    rows = max(1, -(-len(names) // COLUMNS))
    size = (COLUMNS * CELL_WIDE, rows * (CELL_HIGH + CAPTION))
    sheet = Image.new("RGB", size, PAPER)
    pen = ImageDraw.Draw(sheet)
    font = ImageFont.load_default(12)
    for k, name in enumerate(names):
        left = k % COLUMNS * CELL_WIDE
        top = k // COLUMNS * (CELL_HIGH + CAPTION)
        wrong = words.get(name, "")
        colour = BRICK if wrong else INK
        if name in contacts:
            with Image.open(io.BytesIO(contacts[name]), formats=("JPEG",)) as small:
                inset = ((CELL_WIDE - small.width) // 2, (CELL_HIGH - small.height) // 2)
                sheet.paste(small, (left + inset[0], top + inset[1]))
        if wrong or name not in contacts:
            frame = (left + 2, top + 2, left + CELL_WIDE - 3, top + CELL_HIGH - 3)
            pen.rectangle(frame, outline=colour, width=3)
        pen.text((left + 4, top + CELL_HIGH + 2), f"{k + 1}  {name[-24:]}", fill=colour, font=font)
        pen.text((left + 4, top + CELL_HIGH + 16), wrong[:30], fill=colour, font=font)
    buffer = io.BytesIO()
    sheet.save(buffer, "JPEG", quality=82)
    return buffer.getvalue()


def _graph(result: CheckResult) -> str:
    joins = result.thresholds.quick_agreeing
    joined = any(link.agreeing >= joins for link in result.links)
    return view_graph_svg(result.facts, result.links, joins) if joined else ""


def _tell(progress: Progress) -> None:
    _say({"progress": asdict(progress)})


def _say(line: object) -> None:
    sys.stdout.write(json.dumps(line) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
