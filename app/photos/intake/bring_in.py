"""Bringing pictures in: one file after another, each wholly here with its row, or not at all."""

import zipfile
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy.dialects.sqlite import insert

from app.photos import store
from app.photos.intake.archive import is_zip, members
from app.photos.pictures import files
from app.photos.pictures.reading import PROBLEMS, problem_before_opening, shown_name
from app.photos.store import Delivery
from app.shared.errors import Refused
from app.shared.people import Person
from app.studio.workshop import Workshop
from app.tables import pictures, pictures_not_read

MOST_PICTURES = 5_000
LONGEST_NAME = 120
KEPT, KNOWN = "kept", "known"
ZIP_PROBLEMS = {
    "zip_broken": "This is not a zip we can read.",
    "zip_too_many": "There are more than 5 000 files in this zip.",
    "zip_link": "This is a link, not a file.",
    "zip_locked": "This is locked with a password.",
    "zip_bomb": "This unpacks to far more than a photo can be. The rest was skipped.",
    "zip_too_large": "The zip unpacks to more than we can take at once. The rest was skipped.",
}
SENTENCES = {**PROBLEMS, **ZIP_PROBLEMS}


@dataclass(slots=True)
class Brought:
    """What came of some files: how many are new, how many were here already, what was not read.

    `not_read` holds the shown name and the code of the problem.
    """

    counts: Counter[str] = field(default_factory=Counter)
    not_read: list[tuple[str, str]] = field(default_factory=list)

    def add(self, name: str, outcome: str) -> None:
        """Count one file's outcome: KEPT, KNOWN or a problem's code."""
        self.counts[outcome] += 1
        if outcome not in (KEPT, KNOWN):
            self.not_read.append((name, outcome))

    def as_json(self) -> dict[str, object]:
        """Plain values for the script that uploads."""
        return {
            "kept": self.counts[KEPT],
            "known": self.counts[KNOWN],
            "not_read": [{"name": n, "why": SENTENCES[code]} for n, code in self.not_read],
        }


def fit_name(name: str) -> str:
    """The last part of a file's name, fit to be shown: no path, no control or direction signs."""
    last = name.replace("\\", "/").rstrip("/").rsplit("/", 1)[-1]
    shown = shown_name(last).strip() or "a file without a name"
    if len(shown) <= LONGEST_NAME:
        return shown
    return f"{shown[: LONGEST_NAME - 12]}…{shown[-11:]}"


@dataclass(frozen=True, slots=True)
class Bringing:
    """Files on their way into a delivery, by whom, and what came of those so far."""

    workshop: Workshop
    delivery: Delivery
    who: Person
    brought: Brought

    def take(self, incoming: files.Incoming, name: str) -> None:
        """Bring in one file, or what a zip holds.

        Raises Refused where the order has as many pictures as an order can have, and OSError
        where the disk is full; what was brought in before stays.
        """
        incoming.close()
        if is_zip(incoming.head):
            self._unpack(incoming.path, fit_name(name))
        else:
            self._one(incoming, fit_name(name))

    def _unpack(self, path: Path, name: str) -> None:
        try:
            for inner, unpack in members(path):
                shown = fit_name(inner)
                if isinstance(unpack, str):
                    self._not_read(shown, unpack)
                    continue
                with files.Incoming(self.workshop.folder.pictures) as file:
                    problem = unpack(file.write)
                    file.close()
                    if problem:
                        self._not_read(shown, problem)
                    else:
                        self._one(file, shown)
        except zipfile.BadZipFile as why:
            self._not_read(name, str(why) if str(why) in ZIP_PROBLEMS else "zip_broken")

    def _one(self, incoming: files.Incoming, name: str) -> None:
        """Keep one picture, unless it is here already or cannot be read."""
        order_id = self.delivery.order_id
        with self.workshop.database.reading() as db:
            known = store.by_hash(db, order_id, incoming.sha256)
            many = store.count_of_order(db, order_id)
        if known is not None and (self.workshop.folder.pictures / known).is_file():
            return self.brought.add(name, KNOWN)
        if known is None and many >= MOST_PICTURES:
            raise Refused("This order already has 5 000 photos, the most it can hold.")
        problem = problem_before_opening(name, incoming.size)
        small = files.Small(problem) if problem else files.OPENER.open(incoming.path, files.THUMB)
        if small.problem:
            return self._not_read(name, small.problem)
        self._keep(incoming, name, small)
        return self.brought.add(name, KEPT if known is None else KNOWN)

    def _keep(self, incoming: files.Incoming, name: str, small: files.Small) -> None:
        """The file gets its lasting name, then its row is committed, given on if it can be."""
        folder, order_id = self.workshop.folder.pictures, self.delivery.order_id
        place = files.place_of(incoming.sha256, small.format)
        new = insert(pictures).values(
            order_id=order_id, delivery_id=self.delivery.id, sha256=incoming.sha256,
            size=incoming.size, path=place, name=name, format=small.format, width=small.width,
            height=small.height, taken=small.taken, came_at=self.workshop.now(),
            account_id=self.who.account_id,
        )  # fmt: skip
        with files.keeping:
            files.settle(folder, incoming, place)
            files.keep_shown(folder, incoming.sha256, files.THUMB, small.jpeg)
            with self.workshop.database.writing() as db:
                # Two who bring the same file at once: the first row stands.
                new = new.on_conflict_do_nothing()
                id_ = db.execute(new.returning(pictures.c.id)).scalar()
                if id_ is not None:
                    store.give_where_only_one(db, order_id, id_)

    def _not_read(self, name: str, problem: str) -> None:
        """Name a file that was not read on the delivery's page."""
        row = {"delivery_id": self.delivery.id, "name": name, "problem": problem}
        new = insert(pictures_not_read).values(**row, came_at=self.workshop.now())
        with self.workshop.database.writing() as db:
            db.execute(new.on_conflict_do_nothing())
        self.brought.add(name, problem)


def said(brought: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """Names with the sentence for what is wrong with each."""
    return [(name, SENTENCES.get(code, SENTENCES["not_opened"])) for name, code in brought]
