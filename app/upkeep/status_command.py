"""The command `status`: how a workshop is, in sentences. Exit 0 all well, 1 a person is needed."""

from collections.abc import Callable, Sequence

from sqlalchemy import select

from app import __version__
from app.owner.today.rules import InOrder
from app.shared.places import DataFolder
from app.studio.workshop import Workshop
from app.tables import house
from app.tables.migrating import HEAD, version_of
from app.upkeep import keys

WELL, NEEDS_A_PERSON = 0, 1
Check = Callable[[Workshop], Sequence[InOrder]]


def main(folder: DataFolder, public_url: str, checks: Sequence[Check]) -> int:
    """Print what the checks say of a workshop, marked where somebody has to act; gives the exit
    code. A server may run beside it. Raises CannotStart where there is no workshop.
    """
    found = version_of(folder.database_file)
    if found is None:
        raise folder.missing()
    said = _of_the_program(folder, found)
    if found == HEAD:
        said += _of_the_house(folder, public_url, checks)
    for one in said:
        print(f"{'ok     ' if one.good else 'to do  '}{one.text}", flush=True)
    return WELL if all(one.good for one in said) else NEEDS_A_PERSON


def _of_the_program(folder: DataFolder, found: str) -> list[InOrder]:
    this = f"Likewright {__version__}, data in {folder.path} (version {found})."
    if found == HEAD:
        return [InOrder(this, good=True)]
    if found > HEAD:
        return [InOrder(f"{this} A newer Likewright wrote it. Install that one.", good=False)]
    return [InOrder(f"{this} Start the server: it brings the data to {HEAD}.", good=False)]


def _of_the_house(folder: DataFolder, public_url: str, checks: Sequence[Check]) -> list[InOrder]:
    workshop = Workshop(folder, public_url=public_url)
    try:
        with workshop.database.reading() as db:
            workshop.demo = bool(db.execute(select(house.c.demo)).scalar())
        said = [one for check in checks for one in check(workshop)]
    finally:
        workshop.close()
    if wrong := keys.what_is_wrong(folder):
        said.insert(0, InOrder(wrong, good=False))
    return said
