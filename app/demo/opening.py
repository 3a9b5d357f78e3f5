"""Opening the invented studio: made once, reopened after that, its links printed."""

from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass

from sqlalchemy import Connection, create_engine, select, text

from app.demo import pictures
from app.demo.after import acts
from app.demo.build import build
from app.orders.order import links as status_links
from app.photos.builds import actions as builds
from app.shared import clock
from app.shared.errors import CannotStart
from app.shared.places import DataFolder
from app.staff import links as sign_in_links
from app.studio.workshop import Workshop
from app.tables import accounts, house, orders
from app.tables.migrating import migrate, version_of

_STUDIO_FILES = ("studio.db", "studio.db-wal", "studio.db-shm", "pages.db", "pages.db-journal")


@dataclass(frozen=True, slots=True)
class Links:
    """The links that the demo prints."""

    sign_in: str
    pages: list[tuple[str, str]]

    def lines(self) -> list[str]:
        """What is printed: a word, then each link alone on its line."""
        lines = ["The staff's pages (this link works while the demo runs):", self.sign_in]
        for what, link in self.pages:
            lines += [f"A customer's page, {what}:", link]
        return [*lines, "Stop with Ctrl+C."]


def prepare(
    folder: DataFolder, months: int, per_month: int, seed: int, *, fresh: bool,
    say: Callable[[str], None],
) -> None:  # fmt: skip
    """Make the invented studio where there is none, or anew where that is asked for.

    Raises CannotStart for a folder with a real studio in it, or one that is open elsewhere.
    """
    folder.prepare()
    with closing(folder.hold()):
        if _is_made(folder) and not fresh:
            return
        if fresh:
            for name in _STUDIO_FILES:
                (folder.path / name).unlink(missing_ok=True)
        say("Making up a workshop with a history. This happens only once.")
        now = clock.now()
        migrate(folder.database_file, now)
        drawing = pictures.begin(folder, now)
        # However this ends, no child goes on drawing for a studio that is not there.
        with drawing.child:
            build(folder, now, months, per_month, seed, _teller(say))
            pictures.bring_in(folder, drawing)
        acts.happen(folder, seed)


def _teller(say: Callable[[str], None]) -> Callable[[str, float], None]:
    """Progress, a line whenever the work or its whole tenth has changed."""
    last = ["", -1]

    def tell(what: str, part: float) -> None:
        tenth = int(part * 10)
        if [what, tenth] != last:
            last[:] = [what, tenth]
            say(f"{part:4.0%}  {what}")

    return tell


def _is_made(folder: DataFolder) -> bool:
    """Whether the folder holds a demo's orders already. Raises CannotStart for a real studio."""
    file = folder.database_file
    if version_of(file) is None:
        if file.exists() and file.stat().st_size:
            raise CannotStart(f"{file} is not a demo. Choose another folder with --data.")
        return False
    with create_engine(f"sqlite:///{file}").connect() as db:
        invented = db.execute(select(house.c.demo)).scalar()
        filled = db.execute(select(orders.c.id).limit(1)).first() is not None
        people = db.execute(select(accounts.c.id).limit(1)).first() is not None
    if not invented and (people or filled):
        raise CannotStart(
            f"{folder.path} holds a real workshop, which a demo never touches. "
            "Choose another folder with --data."
        )
    return filled


# Orders that show something, newest first: the words for the prompt, and what they have to be.
_NOTHING_AGAIN = (
    "NOT EXISTS (SELECT 1 FROM copies r WHERE r.order_id = o.id AND r.step = 'replaced')"
)
# None of its animals has died: an order of two may be of both.
_LIVING = (
    "NOT EXISTS (SELECT 1 FROM order_animals x JOIN animals b ON b.id = x.animal_id"
    " WHERE x.order_id = o.id AND b.life = 'remembered')"
)
_AT_WORK = "k.step IN ('blank', 'shaping', 'painting')"
_PASSED = (
    "m.passed_at IS NOT NULL AND o.open = 1 AND m.hold_whose = '' AND k.hold_whose = ''"
    " AND EXISTS (SELECT 1 FROM tellings t WHERE t.order_id = o.id)"
)
_ASKED = (
    "m.step = 'photos_wanted' AND m.hold_whose = '' AND NOT EXISTS"
    " (SELECT 1 FROM models t WHERE t.order_id = o.id AND t.told_at IS NOT NULL)"
)
_SHOWN = (
    ("plain", f"o.gift = 0 AND {_LIVING} AND {_AT_WORK} AND {_PASSED}"),
    ("a gift", f"o.gift = 1 AND {_LIVING} AND {_AT_WORK} AND {_PASSED}"),
    ("of a remembered animal", f"o.gift = 0 AND NOT {_LIVING} AND {_PASSED}"),
    ("photos wanted", f"o.gift = 0 AND {_LIVING} AND {_ASKED} AND m.attempts = 0"),
    ("more views asked", f"o.gift = 0 AND {_LIVING} AND {_ASKED} AND m.attempts > 0"),
    ("handed over", f"o.gift = 0 AND k.step = 'handed_over' AND {_NOTHING_AGAIN}"),
)
_FIND = """
SELECT o.id FROM orders o JOIN copies k ON k.order_id = o.id JOIN models m ON m.id = k.model_id
  JOIN animals a ON a.id = m.animal_id
WHERE {0} ORDER BY o.open DESC, o.id DESC LIMIT 1
"""


_WITHOUT_LINK = text(
    "SELECT id FROM orders o WHERE open = 1 AND NOT EXISTS"
    " (SELECT 1 FROM status_links s WHERE s.order_id = o.id)"
)


def links(workshop: Workshop, port: int) -> Links:
    """Make the demo's sign-in link, and give every open order a status link."""
    now, key = workshop.now(), workshop.folder.key
    # The machines that the invented runs name are the studio's.
    builds.take_over_names(workshop)
    with workshop.database.writing() as db:
        owner = db.execute(
            select(accounts.c.id).where(accounts.c.role == "owner").order_by(accounts.c.id)
        ).scalar()
        if owner is None:
            raise CannotStart("This demo has lost its owner. Make it again with --fresh.")
        sign_in = sign_in_links.demo_link(db, owner, now)
        missing = db.execute(_WITHOUT_LINK).scalars().all()
        for order_id in missing:
            status_links.make(db, key, order_id, None, now)
        found = []
        for what, order_id in examples(db).items():
            token = status_links.current(db, key, order_id)
            if token is None:
                token = status_links.make(db, key, order_id, None, now)
            found.append((what, f"{workshop.status_url}/{token}/"))
    return Links(f"http://127.0.0.1:{port}{sign_in}", found)


def examples(db: Connection) -> dict[str, int]:
    """Ids of orders that show something, by what it is; what no order shows is not in it."""
    found = {what: db.execute(text(_FIND.format(where))).scalar() for what, where in _SHOWN}
    return {what: order_id for what, order_id in found.items() if order_id is not None}
