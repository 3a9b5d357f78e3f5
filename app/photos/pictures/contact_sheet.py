"""A contact sheet: every picture of a checked set on one page, numbered, the flawed ones marked."""

import io
from collections.abc import Mapping, Sequence

CELL_WIDE, CELL_HIGH, CAPTION = 200, 200, 34
PAPER, INK, BRICK = (251, 248, 242), (35, 32, 27), (155, 44, 31)


def contact_sheet(
    names: Sequence[str], contacts: Mapping[str, bytes], words: Mapping[str, str], columns: int = 6
) -> bytes:
    """The sheet as a JPEG without metadata.

    `contacts` are the small JPEGs of a check by name; a picture without one gets an empty frame.
    `words` are what is wrong with a picture, a few words; those are framed and written in brick.
    """
    from PIL import Image, ImageDraw, ImageFont

    rows = max(1, -(-len(names) // columns))
    size = (columns * CELL_WIDE, rows * (CELL_HIGH + CAPTION))
    sheet = Image.new("RGB", size, PAPER)
    pen = ImageDraw.Draw(sheet)
    font = ImageFont.load_default(12)
    for k, name in enumerate(names):
        left = k % columns * CELL_WIDE
        top = k // columns * (CELL_HIGH + CAPTION)
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
