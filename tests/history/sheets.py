"""An invented studio's sheet of three years, the same on every day: `sheet(5000, bad=40)`.

Its first rows write days in the German way, the others in English words; with `month_first` all
are written in figures, month first. Every bad row is one of BAD_KINDS.
"""

import csv
import io
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from random import Random

FIRST = ("Ada", "Bertil", "Cosima", "Dorrit", "Emlyn", "Fenja", "Gudrun", "Hamish", "Ines", "Jorun",
         "Kasimir", "Leocadia", "Mattis", "Nerys", "Ottokar", "Pernille", "Quirin", "Rhona",
         "Sybil", "Tancred", "Ursel", "Viggo", "Wanda", "Xenia", "Yorick", "Zelda")  # fmt: skip
LAST = (
    "Aldermoor",
    "Birkhahn",
    "Cresswick",
    "Dornfeld",
    "Eskdale",
    "Fennimore",
    "Grauwald",
    "Holloway-Pike",
    "Ivarsen",
    "Jessamy",
    "Krähenbühl",
    "Lindqvist",
    "Mosslund",
    "Nightingale",
    "Ostermoor",
    "Pemberley",
    "Quillfeather",
    "Rabenhorst",
    "Säuberlich",
    "Thistlewood",
)
ANIMALS = ("Juniper", "Bramble", "Otto", "Saffron", "Pickle", "Wotan", "Mildred", "Kiesel", "Puck",
           "Hazel", "Moritz", "Biscuit", "Fjord", "Clementine", "Rübe", "Socks")  # fmt: skip
KINDS = ("horse", "dog", "goat", "parrot", "tortoise")
MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September",
          "October", "November", "December")  # fmt: skip
HEADER = ("Order no", "Customer", "Email", "Animal name", "Kind", "Markings", "Life", "Size mm",
          "Copies", "Ordered", "Photos came", "Photos passed", "Packed", "Sent", "Cancelled",
          "Status", "Remarks")  # fmt: skip
TODAY = date(2026, 3, 4)
BEGUN = date(2023, 3, 1)


def _put(column: str, value: str) -> Callable[[dict[str, str]], None]:
    return lambda row: row.update({column: value})


def _end_first(row: dict[str, str]) -> None:
    row.update({"Ordered": row["Sent"], "Sent": row["Ordered"], "Photos came": "",
                "Photos passed": "", "Packed": ""})  # fmt: skip


def _both_ends(row: dict[str, str]) -> None:
    row["Cancelled"] = row["Sent"]


def _no_end(row: dict[str, str]) -> None:
    row.update({"Sent": "", "Photos came": "", "Photos passed": "", "Packed": "", "Status": ""})


BAD_KINDS: dict[str, tuple[str, Callable[[dict[str, str]], None]]] = {
    "no customer": ("Customer", _put("Customer", "")),
    "no animal": ("Animal name", _put("Animal name", "  ")),
    "no day ordered": ("Ordered", _put("Ordered", "")),
    "no such day": ("Ordered", _put("Ordered", "31.02.2024")),
    "no day at all": ("Sent", _put("Sent", "soon")),
    "in the future": ("Sent", _put("Sent", "14.09.2026")),
    "of another age": ("Ordered", _put("Ordered", "14.09.1066")),
    "ended before it began": ("Sent", _end_first),
    "sent and cancelled": ("Cancelled", _both_ends),
    "not an email": ("Email", _put("Email", "ada at house")),
    "no size": ("Size mm", _put("Size mm", "large")),
    "open, and nowhere": ("Status", _no_end),
    "a formula": ("Remarks", _put("Remarks", "=SUM(A1:A9)")),
}


@dataclass
class Sheet:
    """The sheet's bytes, and what is in it: bad rows by line, and how many are what."""

    data: bytes
    bad: dict[int, tuple[str, str]] = field(default_factory=dict)
    open: int = 0
    cancelled: int = 0
    finished: int = 0
    rows: list[dict[str, str]] = field(default_factory=list)


def sheet(rows: int, *, bad: int = 0, open_: int = 40, month_first: bool = False) -> Sheet:
    """So many rows, `bad` of them bad, the last `open_` open."""
    random = Random(20260304)
    made = Sheet(b"")
    lines: list[dict[str, str]] = []
    span = (TODAY - BEGUN).days - 60
    for n in range(rows):
        begun = BEGUN + timedelta(days=span * n // rows)
        lines.append(_row(random, n, begun, _say(n, rows, month_first), still=n >= rows - open_))
    wrong = [n for n in range(rows - open_) if lines[n]["Sent"]]
    kinds = list(BAD_KINDS.items())
    for place, n in enumerate(random.sample(wrong, bad)):
        kind, (column, spoil) = kinds[place % len(kinds)]
        spoil(lines[n])
        made.bad[n + 2] = (kind, column)
    for n, row in enumerate(lines):
        if n + 2 not in made.bad:
            made.open += not row["Sent"] and not row["Cancelled"]
            made.cancelled += bool(row["Cancelled"])
            made.finished += bool(row["Sent"])
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, HEADER, delimiter=";")
    writer.writeheader()
    writer.writerows(lines)
    made.data, made.rows = out.getvalue().encode(), lines
    return made


def _say(n: int, rows: int, month_first: bool) -> Callable[[date], str]:
    if month_first:
        return lambda day: f"{day.month}/{day.day}/{day.year}"
    if n < rows // 2:
        return lambda day: f"{day.day:02}.{day.month:02}.{day.year}"
    return lambda day: f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def _row(
    random: Random, n: int, begun: date, say: Callable[[date], str], *, still: bool
) -> dict[str, str]:
    first, last = random.choice(FIRST), random.choice(LAST)
    who = f"{first} {last}"
    came = begun + timedelta(days=random.randint(1, 12))
    passed = came + timedelta(days=random.randint(1, 6))
    packed = passed + timedelta(days=random.randint(12, 34))
    sent = packed + timedelta(days=random.randint(0, 5))
    row = dict.fromkeys(HEADER, "") | {
        "Order no": f"S{n + 1:05}", "Customer": who,
        "Email": f"{first}.{n % 2000}@house.example".lower() if n % 5 else "",
        "Animal name": random.choice(ANIMALS), "Kind": random.choice(KINDS),
        "Markings": "white blaze; left hind sock" if n % 3 == 0 else "",
        "Life": ("living", "remembered", "")[n % 3], "Size mm": str(random.choice((80, 120, 180))),
        "Copies": "1", "Ordered": say(begun),
    }  # fmt: skip
    if still:
        return row | {
            "Photos came": say(came),
            "Status": "Model finishing",
            "Photos passed": say(passed),
        }
    if n % 50 == 49:
        return row | {"Cancelled": say(came)}
    if n % 4:
        row |= {"Photos came": say(came), "Photos passed": say(passed), "Packed": say(packed)}
    return row | {"Sent": say(sent)}
