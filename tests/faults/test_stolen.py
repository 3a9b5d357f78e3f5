"""Who stole the database, its WAL and a backup, but not the key, opens no page with them."""

import asyncio
import base64
import hashlib
import hmac
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from app.orders.order import links
from app.publishing.worker import rewrite_stale, want_all
from app.shared.places import DataFolder
from app.shared.tokens import status_token
from app.staff import sessions, store
from app.staff.links import new_link
from app.studio.workshop import Workshop
from app.upkeep.backup import back_up
from tests.making import CAST, NOW, move
from tests.publishing.conftest import TestWorkshop, workshop
from tests.publishing.orders import linked_order
from tests.status.conftest import Visitor

__all__ = ["workshop"]


@pytest.fixture
def loot(workshop: TestWorkshop, tmp_path: Path) -> tuple[Path, list[str], list[str]]:
    """What was stolen, the links of customers, and the secrets of the staff."""
    made = [linked_order(workshop) for _ in range(5)]
    with workshop.database.writing() as db:
        replaced = links.make(db, workshop.folder.key, made[0][0].id, 1, NOW)
        cookie = sessions.begin(db, 1, NOW)
        sign_in = new_link(db, "way_back", NOW, account_id=1).rpartition("/")[2]
    rewrite_stale(workshop)
    move(workshop.database, made[0][0].model(), CAST.desk, NOW + 60, "photos_counted")
    place = tmp_path / "loot"
    place.mkdir()
    back_up(workshop.folder, place / "backup.db", NOW)
    for name in ("studio.db", "studio.db-wal", "studio.db-shm", "pages.db"):
        shutil.copyfile(workshop.folder.path / name, place / name)
    return place, [*(token for _, token in made), replaced], [cookie, sign_in]


def test_no_secret_is_in_any_byte(workshop, loot) -> None:
    place, tokens, secrets = loot
    assert (place / "studio.db-wal").stat().st_size > 0
    stolen = {path.name: path.read_bytes() for path in place.iterdir()}
    for secret in (*tokens, *secrets):
        raw = base64.urlsafe_b64decode(secret + "=" * (-len(secret) % 4))
        for name, content in stolen.items():
            assert secret.encode() not in content, name
            assert raw not in content, name
            assert raw.hex().encode() not in content, name
    for name, content in stolen.items():
        assert workshop.folder.key not in content, name


def test_what_lies_in_them_opens_no_page(workshop, loot) -> None:
    place, tokens, _ = loot
    with closing(sqlite3.connect(place / "studio.db")) as raw:
        rows = raw.execute("SELECT nonce, token_hash FROM status_links").fetchall()
    guesses = {text for row in rows for text in row}
    keys = (b"", b"\0" * 32, b"likewright", *(nonce.encode() for nonce, _ in rows))
    for nonce, hashed in rows:
        guesses |= {status_token(key, nonce) for key in keys}
        for digest in (
            hashlib.sha256(nonce.encode()).digest(),
            hmac.digest(hashed.encode(), nonce.encode(), "sha256"),
            bytes.fromhex(hashed),
        ):
            guesses.add(base64.urlsafe_b64encode(digest).rstrip(b"=").decode())
    asks = Visitor(workshop).asks

    async def answers(texts: set[str]) -> list[int]:
        return [(await asks(f"/{text}/")).status_code for text in texts]

    assert set(asyncio.run(answers(guesses))) == {404}
    assert set(asyncio.run(answers(set(tokens)))) == {200}


def test_a_thief_s_own_server_makes_other_links(workshop, loot, tmp_path) -> None:
    place, tokens, _ = loot
    thief = DataFolder(tmp_path / "thief")
    thief.prepare()
    for name in ("studio.db", "studio.db-wal"):
        shutil.copyfile(place / name, thief.path / name)
    with closing(Workshop(thief)) as theirs:
        want_all(theirs)
        with theirs.database.reading() as db:
            nonces = db.exec_driver_sql("SELECT order_id FROM status_links").scalars().all()
            made = {links.current(db, thief.key, order_id) for order_id in nonces}
    assert not made & set(tokens)
    asks = Visitor(workshop).asks
    assert {asyncio.run(asks(f"/{text}/")).status_code for text in made} == {404}


def test_a_stolen_row_signs_nobody_in(workshop, loot) -> None:
    place, _, _ = loot
    with closing(sqlite3.connect(place / "studio.db")) as raw:
        kept = [row[0] for row in raw.execute("SELECT token_hash FROM sessions")]
        kept += [row[0] for row in raw.execute("SELECT token_hash FROM sign_in_links")]
    assert len(kept) == 2
    with workshop.database.reading() as db:
        for hashed in kept:
            again = store.hash_of(hashed)
            assert store.who(db, again, NOW + 60) is None
            assert store.live_link(db, again, NOW + 60) is None
