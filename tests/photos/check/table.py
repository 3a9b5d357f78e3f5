"""Print the table of verdicts over the rendered sets: `python -m tests.photos.check.table [name …]`."""

import sys
import tempfile
import time
from pathlib import Path

from app.photos.check.run import check_folder
from tests.photos.check.sets import SETS


def is_as_expected(verdict: str, expected: str) -> bool:
    """Whether a verdict is the one expected, or not the one that must not be."""
    if expected.startswith("not "):
        return verdict != expected.removeprefix("not ")
    return verdict == expected


def main(names: list[str]) -> None:
    """One line a set: expected, found, share by quick and better features, ring, reasons."""
    for name in names or list(SETS):
        expected, code, make = SETS[name]
        with tempfile.TemporaryDirectory() as kept:
            make(Path(kept))
            begun = time.perf_counter()
            result = check_folder(Path(kept))
        ring = result.facts.ring
        shape = result.facts.shape
        codes = [r.code for r in result.reasons]
        right = is_as_expected(result.verdict.value, expected)
        print(
            f"{'ok ' if right and (not code or code in codes) else 'NO '} {name:18} {expected:15}"
            f" {result.verdict.value:12} quick {result.facts.quick_share:.2f} share {shape.share:.2f}"
            f" strength {shape.strength:4.0f} thin {len(shape.thin):2}/{shape.asked:2}"
            f" {'closed' if ring and ring.closed else 'open  '} gap {ring.gap if ring else -1:4.0f} step {ring.step if ring else -1:3.0f}"
            f" doubted {ring.doubted if ring else -1:.2f} {time.perf_counter() - begun:5.1f} s"
            f"  {' '.join(codes)}",
            flush=True,
        )


if __name__ == "__main__":
    main(sys.argv[1:])
