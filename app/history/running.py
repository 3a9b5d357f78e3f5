"""An import that goes on while its page is looked at: one at a time, in a thread, how far it is."""

import logging
import threading
from dataclasses import dataclass, field
from typing import Final
from weakref import WeakKeyDictionary

from app.history import actions, files
from app.history.columns import Choices
from app.history.rules import Reading
from app.shared.errors import Refused
from app.shared.people import Person
from app.studio.workshop import Workshop

# So long a browser waits for the answer itself; then it is shown how far it is.
PATIENCE: Final = 2.0
_log = logging.getLogger("likewright.history")
# By workshop and sheet, the newest import of each.
_runs: WeakKeyDictionary[Workshop, dict[str, "RunningImport"]] = WeakKeyDictionary()
_beginning = threading.Lock()


@dataclass
class RunningImport:
    """How far an import is, and once it has ended why it was `refused`, if it was."""

    key: str
    done: int = 0
    of: int = 0
    refused: str = ""
    ended: threading.Event = field(default_factory=threading.Event)

    def __call__(self, done: int, of: int) -> None:
        self.done, self.of = done, of


@dataclass(frozen=True, slots=True)
class BringingIn:
    """What to bring in, and how: the ticks of the page."""

    file: files.SentSheet
    reading: Reading
    choices: Choices
    who: Person
    without_bad: bool
    with_doubles: bool
    with_pages: bool


def begin(workshop: Workshop, what: BringingIn) -> RunningImport:
    """Bring a sheet in, in a thread of its own. Two at once wait for one another at the database;
    one of the same sheet that is going on is not begun again: whoever asks twice hears of it."""
    with _beginning:
        known = _runs.setdefault(workshop, {})
        run = known.get(what.file.key)
        if run is not None and not run.ended.is_set():
            return run
        run = known[what.file.key] = RunningImport(what.file.key)

    def work() -> None:
        try:
            actions.bring_in(
                workshop, what.reading, what.choices, what.file.name, what.who,
                without_bad=what.without_bad, with_doubles=what.with_doubles,
                with_pages=what.with_pages, say=run,
            )  # fmt: skip
            files.forget(workshop.folder, what.file.key)
        except Refused as why:
            run.refused = str(why)
        except Exception:
            _log.exception("an import failed")
            run.refused = "Something went wrong in this program. Nothing was brought in."
        finally:
            run.ended.set()

    threading.Thread(target=work, name="import", daemon=True).start()
    return run


def of(workshop: Workshop, key: str) -> RunningImport | None:
    """The newest import of a sheet that this server was asked for, going on or ended."""
    return _runs.get(workshop, {}).get(key)
