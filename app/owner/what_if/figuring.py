"""Changes simulated: the child process `python -m app.owner.what_if.figuring STUDIO NOW`.

It is told on its input what to work out, and says line by line how far it is and what it found.
"""

import json
import sys
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from app.leadtimes.floor import ChangeError, Comparison, apply_changes, simulate
from app.owner.what_if.rules import Ask, answer, ready, resolved
from app.owner.whatif_command import by_name, floor_at
from app.shared.database import Database
from app.studio.workshop import in_force_at

RUNS = 300
Say = Callable[[dict[str, Any]], None]


def work_out(studio: Path, now: int, wish: dict[str, Any], say: Say) -> None:
    """Work out a wish: `asks` (each with an id, a name and settings), and the `ready` changes."""
    database = Database(studio)
    try:
        with database.reading() as db:
            in_force = in_force_at(db, now)
        built = floor_at(database, in_force, now)
        floor = built.floor
    except ValueError as why:
        for ask in wish["asks"]:
            say({"id": ask["id"], "why": str(why)})
        say({"why": str(why)})
        return
    finally:
        database.close()
    base = simulate(floor, wish.get("runs", RUNS))
    asks = [(one["id"], Ask(one["name"], tuple(one["settings"]))) for one in wish["asks"]]
    if wish["ready"]:
        say({"waits": [asdict(one) for one in built.waits]})
        asks += [(None, ask) for ask in ready(floor, base)]
    for done, (id_, ask) in enumerate(asks, start=1):
        said: dict[str, Any] = {"id": id_, "name": ask.name, "settings": ask.settings}
        try:
            changes = [
                by_name(change) for change in resolved(ask.settings, floor, in_force.calendar)
            ]
            then = simulate(apply_changes(floor, changes), wish.get("runs", RUNS))
            said["found"] = answer(Comparison(base, then))
        except (ChangeError, ValueError) as why:
            said["why"] = str(why)
        say({**said, "done": done, "of": len(asks)})


def main() -> None:
    """The child: its words are the studio's database and the moment."""
    studio, now = sys.argv[1:]
    work_out(Path(studio), int(now), json.loads(sys.stdin.readline()), _say)


def _say(line: dict[str, Any]) -> None:
    sys.stdout.write(f"{json.dumps(line)}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
