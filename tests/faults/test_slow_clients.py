"""Clients that trickle: everybody else is answered meanwhile, and they are cut off in time."""

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack

import pytest

from app.shared.places import DataFolder
from app.shared.web import deadlines
from tests.faults.server import Client, Server, sign_in
from tests.making import CAST

# The same patience, shorter, so that the test is short.
HEADERS, BODY = 2.0, 4.0
SHORT = (
    "import app.shared.web.deadlines as deadlines\n"
    f"deadlines.HEADERS_SECONDS, deadlines.BODY_SECONDS = {HEADERS}, {BODY}\n"
)
HEAD = b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nSec-Fetch-Site: same-origin\r\n"
BODY_HEAD = HEAD + (
    b"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 100000\r\n\r\nname="
)


@pytest.fixture(params=[SHORT])
def server(request, folder: DataFolder, tmp_path) -> Iterator[tuple[Server, str]]:
    cookie = sign_in(folder, CAST.desk)[CAST.desk.name]
    server = Server(folder, before=request.param, log=tmp_path / "log")
    assert server.answers
    yield server, cookie
    server.stop()


class Trickler:
    """A connection that sends a few bytes a second for ever."""

    def __init__(self, port: int, first: bytes) -> None:
        self.sock = socket.create_connection(("127.0.0.1", port), timeout=10)
        self.begun = time.monotonic()
        self.ended: float | None = None
        self._send(first)

    def _send(self, part: bytes) -> None:
        try:
            self.sock.sendall(part)
        except OSError:
            self._end()

    def _end(self) -> None:
        if self.ended is None:
            self.ended = time.monotonic() - self.begun
            self.sock.close()

    def drip(self) -> None:
        if self.ended is not None:
            return
        self._send(b"x")
        if self.ended is None:
            self.sock.settimeout(0)
            try:
                if self.sock.recv(1000) == b"":
                    self._end()
            except BlockingIOError:
                pass
            except OSError:
                self._end()
            finally:
                if self.ended is None:
                    self.sock.settimeout(10)


def test_two_hundred_that_trickle_hold_nobody_up_and_are_cut_off(server, tmp_path, capsys) -> None:
    at, cookie = server
    firsts = [b"", b"GET / HT", HEAD, BODY_HEAD]
    tricklers = [Trickler(at.port, firsts[n % 4]) for n in range(200)]
    stop = threading.Event()

    def drip() -> None:
        while not stop.wait(0.5):
            for trickler in tricklers:
                trickler.drip()

    thread = threading.Thread(target=drip)
    thread.start()
    took: list[float] = []
    until = time.monotonic() + BODY + 3
    try:
        while time.monotonic() < until:
            begun = time.monotonic()
            client = Client(at.port, cookie)
            status, _ = client.get("/")
            client.close()
            assert status == 200
            took.append(time.monotonic() - begun)
            time.sleep(0.05)
    finally:
        stop.set()
        thread.join()
    took.sort()
    latest = max(t.ended or 99 for t in tricklers)
    with capsys.disabled():
        print(f"\n200 that trickle: {len(took)} pages beside them, worst {took[-1]:.3f} s, median "
              f"{took[len(took) // 2]:.3f} s; cut off after at most {latest:.1f} s")  # fmt: skip
    # Whoever waited behind a trickler would have waited until that one was cut off.
    assert took[len(took) // 2] < 1.0
    assert took[-1] < HEADERS
    for place, trickler in enumerate(tricklers):
        assert trickler.ended is not None, firsts[place % 4]
        assert trickler.ended < (BODY if place % 4 == 3 else HEADERS) + 2
    log = (tmp_path / "log").read_text()
    assert "Traceback" not in log
    assert "Exception" not in log


def test_a_large_form_over_a_slow_line_gets_through(server) -> None:
    at, _ = server
    body = b"name=" + b"x" * 400_000
    sock = socket.create_connection(("127.0.0.1", at.port), timeout=20)
    sock.sendall(
        HEAD + b"Content-Type: application/x-www-form-urlencoded\r\nConnection: close\r\n"
        + f"Content-Length: {len(body)}\r\n\r\n".encode()
    )  # fmt: skip
    begun = time.monotonic()
    for start in range(0, len(body), 40_000):
        sock.sendall(body[start : start + 40_000])
        time.sleep(0.6)
    assert time.monotonic() - begun > BODY
    assert sock.recv(20).startswith(b"HTTP/1.1 422")
    sock.close()


@pytest.mark.parametrize("server", [""], indirect=True, ids=["with the usual patience"])
def test_a_thousand_that_wait_leave_room_for_one_who_asks(server) -> None:
    at, cookie = server
    with ExitStack() as open_until_the_end:
        waiting = [
            open_until_the_end.enter_context(
                socket.create_connection(("127.0.0.1", at.port), timeout=5)
            )
            for _ in range(1000)
        ]
        begun = time.monotonic()
        client = Client(at.port, cookie)
        assert client.get("/")[0] == 200
        # Room was made at once, not when the first of them had waited too long.
        assert time.monotonic() - begun < deadlines.HEADERS_SECONDS / 2
        client.close()
        assert sum(map(is_cut_off, waiting)) >= 1000 - deadlines.MOST_WAITING


def is_cut_off(sock: socket.socket) -> bool:
    sock.settimeout(0)
    try:
        return sock.recv(1) == b""
    except BlockingIOError:
        return False
    except OSError:
        return True


def test_a_connection_that_is_kept_may_ask_again_and_again(server) -> None:
    at, cookie = server
    client = Client(at.port, cookie)
    for _ in range(4):
        assert client.get("/static/mark.svg")[0] == 200
        sock = client.connection.sock
        time.sleep(HEADERS * 0.6)
        assert client.connection.sock is sock
    client.close()


def test_a_refused_body_that_goes_on_trickling_is_cut_off(server) -> None:
    at, _ = server
    trickler = Trickler(at.port, HEAD + b"Content-Length: 99999999\r\n\r\n")
    until = time.monotonic() + HEADERS + 3
    while trickler.ended is None and time.monotonic() < until:
        trickler.drip()
        time.sleep(0.2)
    assert trickler.ended is not None
