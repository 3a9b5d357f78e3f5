"""Where files lie: those that come with the program, and those of one studio."""

import fcntl
import hashlib
import json
import os
import secrets
import socket
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import IO

from app.shared import clock
from app.shared.errors import CannotStart, Refused

_KEY_BYTES = 32
# How the names of a studio's files and folders begin, with what SQLite lays beside them.
_OWN = ("studio.", "pages.", "letters", "pictures", "imports", "key", "erased")
_OTHERS = 0o077


def shipped(name: str) -> Path:
    """A folder that comes with the program: beside the code when installed, else the checkout's."""
    package = Path(__file__).resolve().parent.parent
    bundled = package / "_bundle" / name
    return bundled if bundled.is_dir() else package.parent / name


@dataclass(frozen=True)
class DataFolder:
    """One studio's folder: studio.db, pages.db, letters/, pictures/ and key, key.mail where a mail
    server's password was typed in, imports/ while a sheet is being looked at, studio.held-by while
    a server runs, and erased once somebody was; nothing else."""

    path: Path

    @property
    def database_file(self) -> Path:
        return self.path / "studio.db"

    @property
    def pages(self) -> Path:
        return self.path / "pages.db"

    @property
    def letters(self) -> Path:
        return self.path / "letters"

    @property
    def pictures(self) -> Path:
        return self.path / "pictures"

    @property
    def sheets(self) -> Path:
        return self.path / "imports"

    @property
    def key_file(self) -> Path:
        return self.path / "key"

    @property
    def erased_file(self) -> Path:
        """What has gone for good, without names (app.upkeep.kept.erased_list)."""
        return self.path / "erased"

    def prepare(self) -> None:
        """Make the folder and its key where they are missing.

        Files that others may read are closed, and all that this program makes from here on is
        its user's alone. Raises CannotStart where the folder cannot be written or the key is
        damaged.
        """
        os.umask(0o077)
        try:
            self.path.mkdir(mode=0o700, parents=True, exist_ok=True)
            self.letters.mkdir(mode=0o700, exist_ok=True)
            self.pictures.mkdir(mode=0o700, exist_ok=True)
            if not self.key_file.exists():
                handle = os.open(self.key_file, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
                with os.fdopen(handle, "wb") as file:
                    file.write(secrets.token_bytes(_KEY_BYTES))
                    file.flush()
                    os.fsync(file.fileno())
            self._close()
            short = self.key_file.stat().st_size < _KEY_BYTES
        except OSError as why:
            raise CannotStart(
                f"The data folder {self.path} cannot be used: {why.strerror}."
            ) from why
        if not os.access(self.path, os.W_OK):
            raise CannotStart(
                f"The data folder {self.path} cannot be used: its disk may not be written to."
            )
        if short:
            raise CannotStart(
                f"The key file {self.key_file} is damaged: it is too short. Put it back from a "
                "backup, or remove it if no status link was ever given out."
            )

    def _close(self) -> None:
        """Take what is the studio's from the eyes of other users of the machine."""
        for own in self.path.iterdir():
            mode = own.lstat().st_mode
            if own.name.startswith(_OWN) and not own.is_symlink() and mode & _OTHERS:
                own.chmod(mode & ~_OTHERS & 0o7777)

    def missing(self) -> CannotStart:
        """The refusal where no workshop's database is in the folder."""
        return CannotStart(
            f"There is no workshop in {self.path}. Name the folder with its data: --data FOLDER."
        )

    def is_open_to_others(self) -> bool:
        """Whether other users of the machine may look into the folder itself."""
        return bool(self.path.stat().st_mode & _OTHERS)

    @cached_property
    def key(self) -> bytes:
        """The secret that status links are made with. It is never in the database.

        Raises CannotStart where it cannot be read.
        """
        try:
            return self.key_file.read_bytes()
        except OSError as why:
            raise CannotStart(
                f"The key file {self.key_file} cannot be read: {why.strerror}. Put it back."
            ) from why

    @property
    def holder_file(self) -> Path:
        """Who has the folder: for the words of a refusal, not for the lock itself."""
        return self.path / "studio.held-by"

    @property
    def mail_password_file(self) -> Path:
        return self.path / "key.mail"

    def mail_password(self) -> str | None:
        """The mail server's password as it was typed in; None where none is kept here. It is never
        in the database, so in no backup."""
        try:
            return self.mail_password_file.read_text(encoding="utf-8")
        except (OSError, UnicodeError):
            return None

    def keep_mail_password(self, password: str) -> None:
        """Keep the mail server's password, for this program's user alone; none where it is empty.

        Raises Refused where it cannot be written.
        """
        half = self.path / "key.mail.part"
        try:
            if not password:
                self.mail_password_file.unlink(missing_ok=True)
                return
            half.unlink(missing_ok=True)
            handle = os.open(half, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(password)
                file.flush()
                os.fsync(file.fileno())
            half.replace(self.mail_password_file)
            sync(self.path)
        except OSError as why:
            raise Refused(f"The password could not be kept: {why.strerror}.") from why

    def hold(self) -> "FolderLock":
        """Keep a second server off this folder until the returned lock is closed.

        Raises CannotStart where another server has the folder, with who that is.
        """
        file = self.key_file.open("rb")
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as why:
            file.close()
            raise CannotStart(
                f"Another Likewright is already running on {self.path}{self._who_holds()}. Stop "
                "it first, or name another folder with --data."
            ) from why
        self._say_who_holds()
        return FolderLock(file, self.holder_file)

    def _say_who_holds(self) -> None:
        """Write down who has the folder now; it is read only while that one has it."""
        since = f"{datetime.fromtimestamp(clock.now(), UTC):%-d %B %Y, %H:%M} UTC"
        said = {"process": os.getpid(), "host": socket.gethostname(), "since": since}
        with suppress(OSError):
            handle = os.open(self.holder_file, os.O_CREAT | os.O_TRUNC | os.O_WRONLY, 0o600)
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                json.dump(said, file)

    def _who_holds(self) -> str:
        try:
            said = json.loads(self.holder_file.read_text(encoding="utf-8"))
            return f": process {said['process']} on {said['host']}, since {said['since']}"
        except (OSError, ValueError, KeyError, TypeError):
            return ""


@dataclass(frozen=True, slots=True)
class FolderLock:
    """A folder that nobody else may open, with the note of who has it."""

    file: IO[bytes]
    note: Path

    def close(self) -> None:
        """Let others have the folder."""
        with suppress(OSError):
            self.note.unlink(missing_ok=True)
        self.file.close()


def hash_of(path: Path) -> str:
    """The SHA-256 of a file, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def sync(path: Path) -> None:
    """Have a file, or what a folder lists, put on disk for sure."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
