"""Named points at which a trial may cut the program off, as a power cut would.

Without LIKEWRIGHT_FAULT in the environment nothing happens here. With `before commit`, say, the
process ends at that point at once, with nothing tidied up; `before commit:3` lets it pass twice.
"""

import os
from typing import Literal

Point = Literal[
    "before commit",
    "after commit",
    "pages half written",
    "pages written",
    "mid-migration",
    "mid-backup",
    "mid-publish",
    "mid-restore",
    "after claim",
    "after the mail server's yes",
]
ENDED = 86

_point, _, _times = os.environ.get("LIKEWRIGHT_FAULT", "").partition(":")
_left = int(_times) if _times.isdecimal() else 1


def reach(point: Point) -> None:
    """Come past a point: the process ends here if a trial asked for it, with exit code 86."""
    if not _point or point != _point:
        return
    global _left
    _left -= 1
    if _left <= 0:
        os._exit(ENDED)
