"""What a server writes out on a walk through good, bad and failing requests names nobody."""

import contextlib
import http.client
import socket
import sqlite3
from pathlib import Path

from app.shared.tokens import status_token
from tests.faults.killing import new_studio
from tests.faults.server import Client, Server, sign_in
from tests.making import CAST

PASSWORD = "Canary-password-9f2c"
TYPED = {
    "name": "Canaria Vogel", "address_as": "Liebe Canaria", "mail": "canary.mail@birds.example",
    "phone": "+44 5550 777123", "channel": "phone", "paid": "none", "ship_name": "Canaria Nest",
    "ship_lines": "7 Canarystreet", "ship_postcode": "CN7 1RY", "a0_name": "Canarybird",
    "a0_kind": "parrot", "a0_sex": "female", "a0_life": "living", "a0c0_size": "80",
    "note": "canary note", "customer_id": "",
}  # fmt: skip
CANARIES = (
    PASSWORD, "Canaria", "canary.mail", "birds.example", "777123", "Canarystreet", "CN7 1RY",
    "Canarybird", "canary note", "canary-agent", "canary-query",
)  # fmt: skip
# One act fails unforeseen, with a customer's data in its hands.
FAILING = """
import app.orders.order.edit_pages
import app.bench.pages as bench
from sqlalchemy import text
def move_piece(workshop, ref, fields, ticked, me):
    with workshop.database.writing() as db:
        db.execute(text("INSERT INTO customers (name, nothing) VALUES (:n, 1)"), {"n": "Canaria"})
bench.move_piece = move_piece
"""


def test_nothing_printed_names_a_customer_a_link_or_a_session(tmp_path: Path) -> None:
    folder, log = new_studio(tmp_path / "studio"), tmp_path / "log"
    cookies = sign_in(folder, CAST.owner, CAST.desk, CAST.painter)
    with (
        Server(folder, before=FAILING, log=log) as server,
        Client(server.port, cookies[CAST.desk.name]) as desk,
        Client(server.port, cookies[CAST.painter.name]) as bench,
        Client(server.port) as nobody,
    ):
        tokens = _walk(server, desk, bench, nobody)
    written = log.read_text(errors="replace")
    assert "unforeseen error" in written, "the failing act should have been said"
    # Where a form came from that is not ours is no customer's: it is said.
    assert "from elsewhere, the last from 'https://elsewhere.example'" in written
    for canary in (*CANARIES, *tokens, *cookies.values()):
        assert canary not in written, canary
        assert canary.lower() not in written.lower(), canary


def _walk(server: Server, desk: Client, bench: Client, nobody: Client) -> list[str]:
    status, where, _ = desk.post("/orders/new", {**TYPED, "once": "canary-once"})
    assert (status, where.startswith("/orders/")) == (303, True)
    number = where.removeprefix("/orders/").partition("?")[0]
    with contextlib.closing(sqlite3.connect(server.folder.database_file)) as raw:
        nonces = [row[0] for row in raw.execute("SELECT nonce FROM status_links")]
        model = raw.execute("SELECT max(id) FROM models").fetchone()[0]
    tokens = [status_token(server.folder.key, nonce) for nonce in nonces]
    assert tokens
    assert desk.get(f"/orders/{number}")[0] == 200
    # Wrong in every field, unknown, too large, from elsewhere, from somebody who may not.
    desk.post("/orders/new", {**TYPED, "a0_sex": "canary", "mail": "canary.mail@", "once": "x"})
    desk.get("/orders/999999?name=canary-query")
    desk.get("/canary-query/Canaria?mail=canary.mail")
    desk.post("/sign-in", {"name": "Canaria Vogel", "password": PASSWORD})
    nobody.post("/sign-in", {"name": CAST.desk.name, "password": PASSWORD})
    bench.post("/orders/new", {**TYPED, "once": "y"})
    with contextlib.suppress(OSError):
        bench.post("/orders/new", {**TYPED, "note": "canary note" * 60_000})
    bench.close()
    bench.headers["Origin"] = "https://elsewhere.example"
    bench.post("/orders/new", TYPED)
    # The act that fails unforeseen.
    status, _, said = desk.post(f"/pieces/model/{model}/move", {"move": "photos_counted"})
    assert status == 500
    assert "Canaria" not in said
    for raw_request in (
        b"GET /Canarybird HTTP/9.9 canary-query\r\n\r\n",
        b"\x16\x03\x01canary-query\r\n\r\n",
        b"GET /orders HTTP/1.1\r\nHost: birds.example\r\nUser-Agent: canary-agent\r\n\r\n",
    ):
        with socket.create_connection(("127.0.0.1", server.port), timeout=5) as sock:
            sock.sendall(raw_request)
            sock.recv(200)
    _as_the_customer(server, tokens)
    return tokens


def _as_the_customer(server: Server, tokens: list[str]) -> None:
    public = http.client.HTTPConnection("127.0.0.1", server.public_port, timeout=10)
    for path in (
        *(f"/{token}/" for token in tokens), f"/{tokens[0]}", f"/{tokens[0]}x/",
        f"/{tokens[0]}/canary-query", "/Canarybird",
    ):  # fmt: skip
        public.request("GET", path, headers={"User-Agent": "canary-agent", "Cookie": "a=canary"})
        public.getresponse().read()
    public.request("POST", f"/{tokens[0]}/", "name=Canaria")
    public.getresponse().read()
    public.close()
