"""Requests as bytes on a line: where they end, how much they may bring, how soon they are answered."""

import asyncio
import shutil
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from app import serving
from app.shared.places import DataFolder
from app.shared.web.headers import LARGEST_FORM
from tests.faults.server import Server

FORM = (
    b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nSec-Fetch-Site: same-origin\r\n"
    b"Content-Type: application/x-www-form-urlencoded\r\n"
)
BEHIND = b"GET /static/mark.svg HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
CHUNKED = b"Transfer-Encoding: chunked\r\n"


@pytest.fixture(scope="module")
def server(template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """One server for all of this file; what it says lies beside its folder, in "log"."""
    folder = DataFolder(tmp_path_factory.mktemp("wire") / "studio")
    folder.prepare()
    shutil.copyfile(template, folder.database_file)
    with Server(folder, log=folder.path.parent / "log") as server:
        yield server


def answered(port: int, *parts: bytes) -> bytes:
    """All that comes back until the connection is closed or quiet for two seconds."""
    said = b""
    with socket.create_connection(("127.0.0.1", port), timeout=2) as sock:
        try:
            for part in parts:
                sock.sendall(part)
            while more := sock.recv(65_536):
                said += more
        except OSError:
            said += b"(open)"
    return said


@pytest.mark.parametrize("site", ["port", "public_port"])
@pytest.mark.parametrize(
    "lengths",
    [
        b"Content-Length: 5\r\n" + CHUNKED,
        CHUNKED + b"content-length: 0\r\n",
        b"Content-Length: 5\r\nContent-Length: 6\r\n",
        b"Content-Length: 5, 6\r\n",
        CHUNKED + b"Transfer-Encoding: identity\r\n",
        b"Content-Length: " + b"9" * 5_000 + b"\r\n",
    ],
)
def test_two_lengths_are_refused_and_what_lies_behind_is_not_answered(
    server: Server, site: str, lengths: bytes
) -> None:
    body = b"0\r\n\r\n" + BEHIND
    said = answered(getattr(server, site), FORM + lengths + b"\r\n" + body)
    assert said.startswith((b"HTTP/1.1 400", b"HTTP/1.1 501"))
    assert said.count(b"HTTP/1.1") == 1
    assert b"connection: close" in said.lower()
    assert not said.endswith(b"(open)")


def test_a_form_of_no_declared_length_is_refused_in_words_past_the_limit(server: Server) -> None:
    chunk = b"ffff\r\n" + b"a" * 0xFFFF + b"\r\n"
    many = LARGEST_FORM // 0xFFFF + 3
    for address in (b"/sign-in", b"/in/anything"):
        head = FORM.replace(b"/sign-in", address, 1) + CHUNKED + b"\r\n"
        said = answered(server.port, head, *[chunk] * many, b"0\r\n\r\n")
        assert said.startswith(b"HTTP/1.1 413"), said[:200]
        assert said.count(b"HTTP/1.1") == 1
        assert b"more than this page can take" in said
    assert "Traceback" not in (server.folder.path.parent / "log").read_text()


def test_small_answers_are_sent_at_once() -> None:
    found: list[int] = []

    class Asked(asyncio.Protocol):
        def connection_made(self, transport: asyncio.BaseTransport) -> None:
            sock = transport.get_extra_info("socket")
            found.append(sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY))
            transport.close()

    async def ask(host: str) -> None:
        listening = serving.listen(host, 0, "test")
        port = listening.getsockname()[1]
        server = await asyncio.get_running_loop().create_server(Asked, sock=listening)
        async with server:
            reader, writer = await asyncio.open_connection(host, port)
            await reader.read()
            writer.close()

    asyncio.run(ask("127.0.0.1"))
    assert found
    assert found[0] != 0


def test_a_server_that_only_waits_has_not_loaded_numpy(server: Server) -> None:
    time.sleep(4)
    assert "numpy" not in Path(f"/proc/{server.process.pid}/maps").read_text()
