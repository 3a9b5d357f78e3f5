"""Some deliveries of the invented studio with pictures in them, drawn in code in a child process.

Two animals in one delivery wait to be told apart; a ring with a gap; six prints of a remembered
animal; two sets that were asked again, one with a gap and one dim and blurred; links that lapse
tomorrow and in three days, and one that has lapsed; and what customers have been shown to approve
and have not answered.
"""

import contextlib
import os
import shutil
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from subprocess import CalledProcessError
from typing import Any

from sqlalchemy import Connection, insert, select, text, update

from app.orders.entry import form as intake
from app.orders.entry.actions import take_in
from app.orders.order.photos_told import ToldFields, photos_told
from app.photos import store
from app.photos.check.wording import ADVICE
from app.photos.pictures import files
from app.photos.release.actions import AT_MOST, RELEASED, kept_anew
from app.shared.calendar import DAY
from app.shared.child import Child
from app.shared.people import Person, Role
from app.shared.places import DataFolder
from app.studio.workshop import Workshop
from app.tables import approval_pictures, photo_deliveries, pictures, views_asked

Shot = dict[str, Any]
_LONGEST_DRAWING = 600.0
# Orders of which photos are wanted and not told of, by how many animals want them.
_WANTING = text(
    "SELECT o.id, count(*) AS many, max(a.life = 'remembered') AS remembered"
    " FROM orders o JOIN models m ON m.order_id = o.id JOIN animals a ON a.id = m.animal_id"
    " JOIN order_animals oa ON oa.order_id = o.id AND oa.model_id = m.id"
    " WHERE o.open = 1 AND o.gift = 0 AND m.step = 'photos_wanted' AND m.hold_whose = ''"
    " AND NOT EXISTS (SELECT 1 FROM photo_deliveries d"
    "  WHERE d.order_id = o.id AND d.fetched_at IS NULL)"
    " GROUP BY o.id"
    " HAVING count(*) = (SELECT count(*) FROM order_animals x WHERE x.order_id = o.id)"
    " AND max(m.told_at IS NOT NULL) = 0 AND max(m.gates) IS NULL AND max(m.attempts) = 0"
    " ORDER BY o.id DESC"
)
# Somebody who has just ordered two animals and sent the pictures of both together.
_NEW_ORDER = {
    "name": "Marit Solvang", "address_as": "Marit", "mail": "marit@solvang.example",
    "phone": "01632 960 417", "channel": "mail", "paid": "part",
    "a0_name": "Bracken", "a0_kind": "Connemara pony", "a0_life": "living",
    "a0_colours": "dun, dark brown patches", "a0_marks": "dark muzzle, both sides",
    "a0c0_size": "140", "a0c0_pose": "standing", "a0c0_base": "oak",
    "a1_name": "Thistle", "a1_kind": "goat", "a1_life": "living",
    "a1_colours": "white, charcoal patches", "a1c0_size": "90", "a1c0_pose": "standing",
}  # fmt: skip
# A remembered animal of which photos are wanted, and the delivery told of, where there is one.
_REMEMBERED = text(
    "SELECT o.id AS order_id, m.id AS model_id, (SELECT max(d.id) FROM photo_deliveries d"
    "  WHERE d.order_id = o.id AND d.fetched_at IS NULL) AS delivery_id"
    " FROM models m JOIN animals a ON a.id = m.animal_id JOIN orders o ON o.id = m.order_id"
    " WHERE m.open = 1 AND m.step = 'photos_wanted' AND m.hold_whose = '' AND m.gates IS NULL"
    " AND a.life = 'remembered' AND o.gift = 0 ORDER BY (SELECT count(*) FROM order_animals x"
    "  WHERE x.order_id = o.id), m.attempts, o.id DESC LIMIT 1"
)
# Sets asked again, by how many pictures the history says that they have.
_GAP, _DIM = 26, 19
_AGAIN = text(
    "SELECT m.id AS model_id, m.order_id, m.pictures, (SELECT max(d.id) FROM photo_deliveries d"
    "  WHERE d.order_id = m.order_id AND d.fetched_at IS NOT NULL) AS delivery_id"
    " FROM models m JOIN orders o ON o.id = m.order_id WHERE m.open = 1 AND m.attempts = 1"
    " AND m.step = 'photos_wanted' AND o.gift = 0 AND m.pictures = :many ORDER BY m.id DESC LIMIT 1"
)
# What customers were shown and have not answered, and how many pictures go with one question.
_SHOWN = text(
    "SELECT id FROM questions WHERE round IS NOT NULL AND asked != '' AND answered_at IS NULL"
    " AND dropped = 0 ORDER BY id"
)
_WITH_ONE = 2
_DESK = text("SELECT id, name FROM accounts WHERE role = 'desk' ORDER BY id LIMIT 1")


@dataclass(slots=True)
class Drawing:
    """The child that draws, and the folder that it draws into."""

    child: Child
    folder: Path


def begin(folder: DataFolder, now: int) -> Drawing:
    """Let the pictures be drawn while the rest of the studio is invented."""
    for name in (files.ORIGINALS, files.SHOWN, files.INCOMING, files.INBOX, files.ASIDE):
        shutil.rmtree(folder.pictures / name, ignore_errors=True)
    place = folder.pictures / files.INCOMING / "drawn"
    place.mkdir(mode=0o700, parents=True)
    child = Child("app.demo.drawing", str(place))
    child.tell(_shots(now), last=True)
    return Drawing(child, place)


def _shots(now: int) -> list[list[Shot]]:
    """Every view to be drawn, with the shots that show it.

    `of` is the set of a shot, `way` how it was taken; moments are the camera's own clock.
    """
    begun = datetime.fromtimestamp(now - DAY, UTC).replace(hour=10, minute=12, second=0)
    views: list[list[Shot]] = []

    def add(of: str, azimuth: float, level: float, coat: tuple[int, int], at: datetime) -> None:
        shot = {
            "of": of, "name": f"IMG_{3120 + len(views):04d}", "azimuth": azimuth, "level": level,
            "animal": coat[0], "coat": coat[1], "taken": f"{at:%Y:%m:%d %H:%M:%S}", "way": "",
        }  # fmt: skip
        views.append([shot])

    def besides(of: str, way: str, days: int) -> None:
        """The newest view is in another set too, taken some days before."""
        first = views[-1][0]
        at = datetime.strptime(first["taken"], "%Y:%m:%d %H:%M:%S") - timedelta(days=days)
        taken = f"{at:%Y:%m:%d %H:%M:%S}"
        name = first["name"].replace("IMG", "DSC")
        views[-1].append({**first, "of": of, "way": way, "name": name, "taken": taken})

    for k in range(36):
        add("two", 10.0 * k, 14, (0, 0), begun + timedelta(seconds=7 * k))
        if k % 2 == 0 or k == 1:
            besides(f"again {_DIM}", "dim", 11)
    for k in range(30):
        add("two", 12.0 * k, 14, (1, 1), begun + timedelta(minutes=16, seconds=6 * k))
    for k in range(26):
        add("gap", 40 + 10.0 * k, 12, (0, 2), begun + timedelta(hours=2, seconds=8 * k))
        besides(f"again {_GAP}", "mirrored", 13)
    for place, azimuth in enumerate((85, 20, 150, 300, 265, 190), 1):
        add("prints", azimuth, 10, (1, 2), begun)
        views[-1][0].update(taken="", way="print", name=f"print {place}")
    return views


def bring_in(folder: DataFolder, drawing: Drawing) -> None:
    """Wait for the pictures and put them where they belong. Without them the demo has none."""
    drawn: list[Shot] = []
    with contextlib.suppress(CalledProcessError, TimeoutError):
        drawn.extend(drawing.child.lines(_LONGEST_DRAWING))
    drawing.child.end()
    workshop = Workshop(folder)
    try:
        with workshop.database.reading() as db:
            rows = db.execute(_WANTING).all()
            gone = db.execute(_REMEMBERED).first()
            again = [db.execute(_AGAIN, {"many": many}).first() for many in (_GAP, _DIM)]
            desk_id, name = db.execute(_DESK).one()
        desk = Person(desk_id, Role.DESK, name)
        living = [row.id for row in rows if row.many == 1 and not row.remembered]
        _both(workshop, desk, [s for s in drawn if s["of"] == "two"])
        for row in again:
            if row is not None:
                _asked(
                    workshop, row, desk, [s for s in drawn if s["of"] == f"again {row.pictures}"]
                )
        for order_id, (days, said) in zip(living, ((1, 84), (-2, 41), (3, 57)), strict=False):
            _deliver(workshop, order_id, desk, "link", days, said, [])
        for order_id in living[3:4]:
            _deliver(
                workshop, order_id, desk, "mail", None, 26, [s for s in drawn if s["of"] == "gap"]
            )
        if gone is not None:
            _prints(workshop, gone, desk, [s for s in drawn if s["of"] == "prints"])
        _approved(workshop, [s for s in drawn if s["of"] in ("gap", "two")])
    finally:
        workshop.close()
        shutil.rmtree(drawing.folder, ignore_errors=True)


def _both(workshop: Workshop, desk: Person, shots: Sequence[Shot]) -> None:
    """A new order of two animals, with both in one delivery, to be told apart."""
    draft = intake.read(_NEW_ORDER, workshop.in_force().calendar.day_of(workshop.now()))
    order_id = take_in(workshop, draft, desk, "the order with pictures").id
    mine = _told(workshop, order_id, desk, "link", 5, len(shots) + 2)
    with workshop.database.writing() as db:
        _rows(db, workshop, order_id, mine, desk, shots)


def _asked(workshop: Workshop, row: Any, desk: Person, shots: Sequence[Shot]) -> None:
    """The pictures of a set that was counted, built and asked again."""
    came = select(photo_deliveries.c.fetched_at).where(photo_deliveries.c.id == row.delivery_id)
    with workshop.database.writing() as db:
        at = int(db.execute(came).scalar_one())
        ids = _rows(db, workshop, row.order_id, row.delivery_id, desk, shots, at - 600)
        store.give(db, ids, row.model_id, also=True)
        if row.pictures == _GAP and shots:
            # As the check advises: between the last photo and the first.
            ends = {"first": f"{shots[-1]['name']}.JPG", "second": f"{shots[0]['name']}.JPG"}
            wish = ADVICE["gap"].format(more=9, **ends)
            first = (views_asked.c.model_id == row.model_id) & (views_asked.c.number == 1)
            db.execute(update(views_asked).where(first).values(wish=wish))


def _prints(workshop: Workshop, gone: Any, desk: Person, shots: Sequence[Shot]) -> None:
    """Six prints of an animal that is remembered, given to it."""
    if gone.delivery_id is None:
        mine = _told(workshop, gone.order_id, desk, "prints", None, len(shots))
    else:
        mine = gone.delivery_id
    with workshop.database.writing() as db:
        ids = _rows(db, workshop, gone.order_id, mine, desk, shots)
        store.give(db, ids, gone.model_id, also=True)
        values = {"way": "prints", "link": "", "lapses_on": None, "files_said": len(shots)}
        db.execute(update(photo_deliveries).where(photo_deliveries.c.id == mine).values(values))


def _approved(workshop: Workshop, shots: Sequence[Shot]) -> None:
    """The pictures that went with questions which wait for their answer."""
    with workshop.database.reading() as db:
        asked = db.execute(_SHOWN).scalars().all()
    places = [workshop.folder.pictures / files.place_of(s["sha256"], "JPEG") for s in shots]
    # Of a set that no order of this history waits for, nothing was brought in.
    there = [place for place in places if place.is_file()]
    kept = [
        kept_anew(workshop.folder.pictures, source, RELEASED, AT_MOST)
        for source in Random(7).sample(there, min(_WITH_ONE, len(there)))  # noqa: S311  (invented)
    ]
    files.OPENER.end()
    rows = [{"question_id": id_, **asdict(small)} for id_ in asked for small in kept]
    if rows:
        with workshop.database.writing() as db:
            db.execute(insert(approval_pictures), rows)


def _deliver(
    workshop: Workshop, order_id: int, desk: Person, way: str, lapses: int | None, said: int,
    shots: Sequence[Shot],
) -> None:  # fmt: skip
    """A delivery told of, with what has come of it; `lapses` in days from today."""
    mine = _told(workshop, order_id, desk, way, lapses, said)
    with workshop.database.writing() as db:
        for id_ in _rows(db, workshop, order_id, mine, desk, shots):
            store.give_where_only_one(db, order_id, id_)


def _told(
    workshop: Workshop, order_id: int, desk: Person, way: str, lapses: int | None, said: int
) -> int:
    typed = {"way": way, "files_said": said}
    if way == "link":
        typed["link"] = f"https://drop.example/{order_id}x7"
    photos_told(workshop, order_id, ToldFields.model_validate(typed), desk, "")
    today = workshop.in_force().calendar.day_of(workshop.now())
    with workshop.database.writing() as db:
        newest = text("SELECT max(id) FROM photo_deliveries WHERE order_id = :id")
        mine = int(db.execute(newest, {"id": order_id}).scalar_one())
        if lapses is not None:
            values: dict[str, Any] = {"lapses_on": (today + timedelta(days=lapses)).isoformat()}
            if lapses < 0:
                values["told_at"] = workshop.now() - 9 * DAY
            db.execute(update(photo_deliveries).where(photo_deliveries.c.id == mine).values(values))
    return mine


def _rows(
    db: Connection, workshop: Workshop, order_id: int, delivery_id: int, desk: Person,
    shots: Sequence[Shot], at: int | None = None,
) -> list[int]:  # fmt: skip
    ids = []
    for shot in shots:
        _place(workshop.folder, shot)
        row = {
            "order_id": order_id, "delivery_id": delivery_id, "sha256": shot["sha256"],
            "size": shot["size"], "path": files.place_of(shot["sha256"], "JPEG"),
            "name": f"{shot['name']}.JPG", "format": "JPEG", "width": shot["width"],
            "height": shot["height"], "taken": shot["taken"], "account_id": desk.account_id,
            "came_at": at or workshop.now() - 3_600,
        }  # fmt: skip
        made = db.execute(insert(pictures).values(row)).inserted_primary_key
        assert made is not None
        ids.append(int(made[0]))
    return ids


def _place(folder: DataFolder, shot: Shot) -> None:
    """The drawn file and its thumbnail to where the photo desk keeps them."""
    drawn = folder.pictures / files.INCOMING / "drawn"
    for name, place in (
        (f"{shot['sha256']}.jpg", files.place_of(shot["sha256"], "JPEG")),
        (f"{shot['sha256']}-{files.THUMB}.jpg", files.shown_place(shot["sha256"], files.THUMB)),
    ):
        target = folder.pictures / place
        target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        os.rename(drawn / name, target)
