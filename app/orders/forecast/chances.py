"""The chance of being there by a day, in words: the same wherever that day stands. Pure."""

from datetime import date

from app.flow.queue import HARDLY, NEARLY_SURE

PASSED = "that day has passed"


def likely(chance: float) -> str:
    """A chance (0 to 1) of being there in words, to be followed by the day."""
    said = odds(chance)
    return said if chance < HARDLY else f"{said} to be there"


def odds(chance: float) -> str:
    """A chance (0 to 1) in words: a number only where one is named to anybody."""
    if chance < HARDLY:
        return "hardly possible"
    return f"about {max(1, round(chance * 10))} in 10" if chance < NEARLY_SURE else "very likely"


def how_likely(needed_by: str | None, chance: float | None, today: date) -> str:
    """What is said beside the day (ISO) that something still here is needed by: its chance, or that
    the day has passed; empty where there is no day, or no chance is known yet."""
    if not needed_by:
        return ""
    if needed_by < today.isoformat():
        return PASSED
    return likely(chance) if chance is not None else ""
