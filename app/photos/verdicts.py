"""A check's verdicts as staff read them. Pure, and without numpy: the server's pages need them.

The keys of a verdict, of what is judged apart and of a flaw are kept with each check; what a
person reads for them stands here.
"""

from collections.abc import Iterable, Mapping

_VERDICTS = {
    "will do": "usable", "doubtful": "doubtful", "will not do": "not usable",
    "nothing readable": "none readable", "": "check failed",
}  # fmt: skip
# No more photos can be had: what is said is said of the work, not of what somebody sent.
_OF_REMEMBERED = {"will do": "good to work from", "will not do": "sculpt by eye"}
ASPECTS: Mapping[str, str] = {
    "holds together": "enough overlap", "seen from all sides": "seen from all sides",
    "sharp and lit": "sharp and well lit", "enough detail": "enough detail",
}  # fmt: skip
FITS: Mapping[str, str] = {"will do": "yes", "doubtful": "in doubt", "will not do": "no"}
FLAWS: Mapping[str, str] = {
    "moved": "motion blur", "hopeless": "no detail left", "noisy": "grainy",
    "clipped": "burnt out or black", "copied": "looks like a copy",
}  # fmt: skip


def verdict_words(verdict: str, remembered: bool = False) -> str:
    """A check's verdict as staff read it; of a remembered animal as one says it."""
    said = _VERDICTS.get(verdict, verdict)
    return _OF_REMEMBERED.get(verdict, said) if remembered else said


def flaw_words(keys: Iterable[str]) -> str:
    """What is wrong with a photo, as staff read it; empty where nothing is."""
    return ", ".join(FLAWS.get(key, key) for key in sorted(keys))
