"""The customers' pages as plain files for any web host, so that the studio's network stays closed.

    DIR/LINK/index.html and, where some are shown, DIR/LINK/picture.jpg, picture-1.jpg …
    DIR/static/status.css  DIR/404.html  DIR/index.html (says nothing)

A page's bytes are those of the customers' site. Only what has changed is written, each page by
renaming, and what was revoked or has lapsed is removed. A marker in the folder says whose it is
and which version of each page lies there; it knows pages by the hash of their link, as the pages
file does, and nothing is ever removed that is not in it.
"""

import fcntl
import hashlib
import json
import os
import re
import sqlite3
from collections.abc import Container, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, select

from app.publishing.pages_file import for_reading
from app.shared.errors import CannotStart
from app.shared.faults import reach
from app.shared.places import shipped
from app.shared.tokens import status_token, token_hash
from app.status.document import PICTURE_NAME
from app.status.site import NOT_FOUND
from app.studio.workshop import Workshop
from app.tables import house, status_links

MARKER = ".likewright-pages"
_HALF = ".likewright-half"
_FORM = 1
_LOOK_AGAIN = 0
# Pictures come with their pages: so many are in memory at once.
_AT_ONCE = 50
_LINK = re.compile(r"[A-Za-z0-9_-]{22,128}")
_LIVE = "SELECT token_hash, written_at FROM pages WHERE lapses_at IS NULL OR lapses_at > ?"
_PAGES = "SELECT token_hash, html, order_id FROM pages WHERE token_hash IN"
_PICTURES = (
    "SELECT order_id, name, jpeg FROM pictures WHERE order_id IN"
    " (SELECT order_id FROM pages WHERE token_hash IN"
)
_EMPTY = (
    '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
    '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'">\n'
    '<meta name="robots" content="noindex, nofollow, noarchive">\n'
    "<title>{title}</title>\n</head>\n<body>\n{body}</body>\n</html>\n"
)
Versions = dict[str, int]


@dataclass(slots=True)
class Published:
    """What a publish did: pages in the folder, written anew, and removed."""

    pages: int = 0
    written: int = 0
    removed: int = 0


@dataclass(slots=True)
class _Marker:
    """Whose the folder is, and the version of each page in it, by the hash of its link."""

    studio: int
    look: str = ""
    pages: Versions = field(default_factory=dict)


def publish(workshop: Workshop, place: Path) -> Published:
    """Bring a folder of published pages in step with the pages file.

    Raises CannotStart where the folder is not ours to write in, or the key does not fit.
    """
    place = place.expanduser().resolve()
    _refuse_data(place, workshop.folder.path)
    with workshop.database.reading() as db:
        studio = int(db.execute(select(house.c.made_at)).scalar_one())
        nonces = _live_nonces(db)
    try:
        with _held(place), closing(for_reading(workshop.folder.pages)) as pages:
            marker = _marker(place, studio)
            return _Publishing(
                place, workshop.folder.key, pages, nonces, marker, workshop.now()
            ).run()
    except OSError as why:
        raise CannotStart(f"The pages could not be written to {place}: {why.strerror}.") from why
    except sqlite3.Error as why:
        raise CannotStart(f"The pages file could not be read: {why}.") from why


def _refuse_data(place: Path, data: Path) -> None:
    data = data.resolve()
    if place == data or data in place.parents or place in data.parents:
        raise CannotStart(
            "Publish into a folder of its own, not into the one with the workshop's data."
        )


def _live_nonces(db: Connection) -> Mapping[str, str]:
    """What each link is made from, by its hash. What was revoked this minute is not in it."""
    query = select(status_links.c.token_hash, status_links.c.nonce)
    rows = db.execute(query.where(status_links.c.revoked_at.is_(None))).all()
    return {link: nonce for link, nonce in rows}  # noqa: C416  (rows are no pairs to mypy)


@contextmanager
def _held(place: Path) -> Iterator[None]:
    """The folder, made where it is missing, and no second publish in it meanwhile."""
    missing = [folder for folder in (place, *place.parents) if not folder.exists()]
    place.mkdir(parents=True, exist_ok=True)
    for folder in missing:
        # Names of folders are keys to pages: others may open what they know, but not list.
        folder.chmod(0o711)
    handle = os.open(place, os.O_RDONLY | os.O_DIRECTORY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield
    except BlockingIOError as why:
        raise CannotStart(f"Another publish is writing to {place} right now. Try later.") from why
    finally:
        os.close(handle)


def _marker(place: Path, studio: int) -> _Marker:
    """The folder's marker; a new one where the folder is empty."""
    path = place / MARKER
    if not path.exists():
        if any(place.iterdir()):
            raise CannotStart(
                f"{place} is not empty, and no pages were ever published there. Choose an empty "
                "folder: other people's files are never touched."
            )
        return _Marker(studio)
    try:
        found: dict[str, Any] = json.loads(path.read_bytes())
        if found["form"] != _FORM:
            raise ValueError("another form")
        pages = {str(key): int(version) for key, version in found["pages"].items()}
        marker = _Marker(int(found["studio"]), str(found["look"]), pages)
    except (ValueError, KeyError, TypeError, AttributeError) as why:
        raise CannotStart(f"{path} cannot be read. Empty the folder and publish again.") from why
    if marker.studio != studio:
        raise CannotStart(f"Another workshop publishes to {place}. Choose a different folder.")
    return marker


def _style() -> bytes:
    return (shipped("static") / "status.css").read_bytes()


@dataclass(slots=True)
class _Publishing:
    """One publish under way."""

    place: Path
    key: bytes
    pages: sqlite3.Connection
    nonces: Mapping[str, str]
    marker: _Marker
    now: int
    style: bytes = field(default_factory=_style)
    done: Published = field(default_factory=Published)

    def run(self) -> Published:
        wanted = self._wanted()
        there = {token_hash(name): name for name in self._folders()}
        look, old = _look(self.style), self.marker
        changed = [
            link
            for link, version in wanted.items()
            if old.look != look or old.pages.get(link) != version or link not in there
        ]
        gone = [link for link in old.pages if link not in wanted]
        self.done.pages = len(wanted)
        if not (changed or gone or old.look != look):
            return self.done
        # Written down before the pages: after a cut the next publish still knows them as ours.
        self._mark("", {**old.pages, **dict.fromkeys(changed, _LOOK_AGAIN)})
        for link in gone:
            if link in there:
                self._remove(there[link])
        self._put_common()
        if changed:
            self._write(changed, there)
        # One sync for all: the file system orders it better than a sync for each file.
        os.sync()
        self._mark(look, {link: self._sure(version) for link, version in wanted.items()})
        return self.done

    def _wanted(self) -> Versions:
        """The pages that a link opens now, and when each was written."""
        rows = self.pages.execute(_LIVE, (self.now,)).fetchall()
        return {link: written_at for link, written_at in rows if link in self.nonces}

    def _sure(self, version: int) -> int:
        """A page of this very second may have been written again in it: look again next time."""
        return version if version < self.now else _LOOK_AGAIN

    def _folders(self) -> Iterator[str]:
        with os.scandir(self.place) as entries:
            for entry in entries:
                if _LINK.fullmatch(entry.name) and entry.is_dir(follow_symlinks=False):
                    yield entry.name

    def _write(self, links: Sequence[str], there: Mapping[str, str]) -> None:
        for start in range(0, len(links), _AT_ONCE):
            part = links[start : start + _AT_ONCE]
            marks = ", ".join("?" * len(part))
            beside: dict[int, dict[str, bytes]] = {}
            for order, name, jpeg in self.pages.execute(f"{_PICTURES} ({marks}))", part):
                beside.setdefault(order, {})[name] = jpeg
            for link, page, order in self.pages.execute(f"{_PAGES} ({marks})", part).fetchall():
                self._write_page(there.get(link), link, page, beside.get(order, {}))

    def _name(self, link: str) -> str:
        token = status_token(self.key, self.nonces[link])
        if token_hash(token) != link:
            raise CannotStart(
                "The key file is not the one that the links were made with. Put the right one "
                "back, or replace the links: nothing was published."
            )
        return token

    def _write_page(
        self, name: str | None, link: str, page: bytes, pictures: Mapping[str, bytes]
    ) -> None:
        # Plain strings and system calls: this is done thousands of times.
        folder = f"{self.place}/{name or self._name(link)}"
        if name is None:
            os.mkdir(folder)
            # Whatever the program's umask: a web server has to come in.
            os.chmod(folder, 0o755)  # noqa: S103
        put = [self._put(f"{folder}/{file}", jpeg, name is None) for file, jpeg in pictures.items()]
        put.append(self._put(f"{folder}/index.html", page, name is None))
        if name is not None:
            self._unlink(folder, but=pictures)
        self.done.written += any(put)
        reach("mid-publish")

    def _put(self, path: str, content: bytes, is_new: bool = False) -> bool:
        """Write a file where it is not the same already, all of it or nothing."""
        if not is_new and os.path.exists(path) and Path(path).read_bytes() == content:
            return False
        half = f"{self.place}/{_HALF}"
        with open(half, "wb", buffering=0) as file:
            file.write(content)
            os.fchmod(file.fileno(), 0o644)
        os.rename(half, path)
        return True

    def _put_common(self) -> None:
        static = self.place / "static"
        static.mkdir(exist_ok=True)
        static.chmod(0o755)
        self._put(f"{static}/status.css", self.style)
        says = f"<p>{NOT_FOUND.strip()}</p>\n"
        self._put(f"{self.place}/404.html", _EMPTY.format(title="Not here", body=says).encode())
        self._put(f"{self.place}/index.html", _EMPTY.format(title="-", body="").encode())

    def _remove(self, name: str) -> None:
        folder = self.place / name
        (folder / "index.html").unlink(missing_ok=True)
        self._unlink(str(folder))
        # Something that is not ours may lie beside the page.
        if not any(folder.iterdir()):
            folder.rmdir()
        self.done.removed += 1

    def _unlink(self, folder: str, but: Container[str] = ()) -> None:
        """Take the pictures away that are not shown any more."""
        for name in os.listdir(folder):
            if PICTURE_NAME.fullmatch(name) and name not in but:
                Path(folder, name).unlink(missing_ok=True)

    def _mark(self, look: str, pages: Versions) -> None:
        body = {"form": _FORM, "studio": self.marker.studio, "look": look, "pages": pages}
        half = self.place / _HALF
        with half.open("wb") as file:
            file.write(json.dumps(body).encode())
            file.flush()
            os.fsync(file.fileno())
        half.chmod(0o600)
        half.replace(self.place / MARKER)


def _look(style: bytes) -> str:
    """What stands beside every page: when it changes, all of them are looked at again."""
    return hashlib.sha256(style).hexdigest()
