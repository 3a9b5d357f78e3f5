"""What may come in as text: one normal form, nothing invisible, nothing endless."""

import re
import unicodedata
from collections.abc import Iterable

# C0 and C1 controls, line and paragraph separators, every bidirectional control (marks,
# overrides, isolates: UAX #9), the soft hyphen, invisible operators and annotations, zero-width
# characters other than the joiners that some scripts need.
_UNSEEN = re.compile(
    "[\u0000-\u0008\u000b-\u001f\u007f-\u009f\u00ad\u061c\u180e\u200b\u200e\u200f\u2028\u2029"
    "\u202a-\u202e\u2060-\u2064\u2066-\u2069\ufeff\ufff9-\ufffb]"
)
_ENCODED_WORD = re.compile(r"=\?[^?\s]*\?[bqBQ]\?")
_MARKS_IN_A_ROW = 8
# SQLite's whole numbers end at 2^63, a browser's at 2^53.
LARGEST = 2**53
_MOST_DIGITS = 16


def problem(value: str, longest: int, *, lines: bool = False) -> str | None:
    """Say in words what is wrong with a piece of text, or None.

    `longest` counts characters after normalising; `lines` allows line breaks.
    """
    if any(0xD800 <= ord(sign) <= 0xDFFF for sign in value):
        return "There is a broken character in it. Type it again, please."
    if _UNSEEN.search(value) or (not lines and "\n" in value) or "\t" in value:
        return "There is a character in it that cannot be seen. Type it again, please."
    if _ENCODED_WORD.search(value):
        return "“=?…?=” is email code, not a word. Type the name itself."
    if _too_many_marks(value):
        return "There are too many accents on one letter."
    if len(value) > longest:
        return f"That is {len(value)} characters; {longest} at most."
    return None


def tidy(value: str, *, lines: bool = False) -> str:
    """Unicode normal form C, carriage returns folded, spaces at both ends gone."""
    folded = value.replace("\r\n", "\n").replace("\r", "\n" if lines else " ")
    return unicodedata.normalize("NFC", folded).strip()


def safe_cell(cell: str) -> str:
    """A cell of a table that no spreadsheet takes for a formula (OWASP, CSV injection)."""
    return f"'{cell}" if cell[:1] in ("=", "+", "-", "@", "\t", "\r") else cell


def whole_number(typed: str, most: int = LARGEST) -> int | None:
    """A whole number from 0 to `most` as a form or an address has it; None for anything else.

    Only the digits 0 to 9 count, and only so many of them as a row's number can have: Python
    refuses to read thousands.
    """
    plain = typed.isascii() and typed.isdecimal() and len(typed) <= _MOST_DIGITS
    return int(typed) if plain and int(typed) <= most else None


def whole_numbers(typed: Iterable[str]) -> list[int]:
    """Those of several that are whole numbers: ticks of a form."""
    return [number for each in typed if (number := whole_number(each)) is not None]


def fold(value: str) -> str:
    """The form in which names are compared and found: no case, no accents, single spaces."""
    # Twice: taking a letter apart can bring a capital to light, "ℌ" for one.
    plain = unicodedata.normalize("NFKD", value)
    plain = unicodedata.normalize("NFKD", plain.casefold())
    return " ".join("".join(s for s in plain if not unicodedata.combining(s)).split())


def _too_many_marks(value: str) -> bool:
    run = 0
    for sign in value:
        run = run + 1 if unicodedata.combining(sign) else 0
        if run > _MARKS_IN_A_ROW:
            return True
    return False
