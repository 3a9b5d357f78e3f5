"""What has gone for good, without names, in a file beside the key that outlives the database.

An older backup brings back what was erased since; every opening of the studio reads this file and
lets it go again. A line is JSON: a person by the number and the moment of their record (numbers are
given out anew after a restore, the pair is not), or a kind of data and the moment up to which it
went.
"""

import json
import os
from collections.abc import Iterable
from dataclasses import asdict, dataclass

from app.shared.errors import CannotStart
from app.shared.places import DataFolder, sync

PERSON = "person"


@dataclass(frozen=True, slots=True)
class GoneForGood:
    """A person whose record (`id`) was made at `until`; or, with id 0, what is older than that."""

    what: str
    id: int
    until: int


def read(folder: DataFolder) -> list[GoneForGood]:
    """What the file says, the oldest first.

    Raises CannotStart where it cannot be read: somebody erased would come back.
    """
    try:
        lines = folder.erased_file.read_text(encoding="utf-8").splitlines()
        return [GoneForGood(**json.loads(line)) for line in lines]
    except FileNotFoundError:
        return []
    except (OSError, ValueError, TypeError) as why:
        raise CannotStart(
            f"{folder.erased_file} cannot be read ({why}). It says who was erased. Put it back "
            "from a copy of the data folder."
        ) from why


def add(folder: DataFolder, new: Iterable[GoneForGood]) -> None:
    """Write lines down, all or none, on disk when this returns. Raises OSError."""
    known = read(folder)
    whole = "".join(json.dumps(asdict(one)) + "\n" for one in [*known, *new])
    half = folder.erased_file.with_name("erased.part")
    with os.fdopen(os.open(half, os.O_CREAT | os.O_TRUNC | os.O_WRONLY, 0o600), "w") as file:
        file.write(whole)
        file.flush()
        os.fsync(file.fileno())
    half.replace(folder.erased_file)
    sync(folder.path)
