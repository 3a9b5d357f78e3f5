"""Progress of a long computation, for whoever waits at the prompt."""

from collections.abc import Callable
from typing import Final, TextIO

Progress = Callable[[int, int], None]
PATIENCE: Final = 2.0  # seconds


def teller(what: str, monotonic: Callable[[], float], stderr: TextIO) -> Progress:
    """Tells (done, of how many) about once in PATIENCE seconds, and nothing of what is done sooner
    than that.
    """
    last = monotonic()

    def tell(done: int, of: int) -> None:
        nonlocal last
        if monotonic() - last >= PATIENCE:
            last = monotonic()
            print(f"{done} of {of} {what}", file=stderr, flush=True)

    return tell
