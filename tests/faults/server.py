"""A real server in a process of its own on loopback, and clients that speak to it by sockets."""

import http.client
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from urllib.parse import urlencode

from app.shared import clock
from app.shared.database import Database
from app.shared.people import Person
from app.shared.places import DataFolder
from app.staff import sessions
from app.staff.gate import COOKIE

PATIENT = 30.0


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def sign_in(folder: DataFolder, *people: Person) -> dict[str, str]:
    """A cookie for each person, by name. Call it while no server runs."""
    database = Database(folder.database_file)
    with database.writing() as db:
        cookies = {p.name: sessions.begin(db, p.account_id or 0, clock.now()) for p in people}
    database.close()
    return cookies


WARM = "import app.opening, app.orders.forecast.worker, sys; sys.stdin.readline()"


class Server:
    """`likewright serve` on a folder. `took` is how long it was until both ports answered,
    `cpu` how much of it the processor worked: other programs may be busy beside it.

    One that is `warm` has loaded the program and waits for `begin` before it looks at the folder.

    `plain` is False where the staff's pages are not answered in the clear to whoever asks.
    """

    def __init__(
        self,
        folder: DataFolder,
        *options: str,
        env: Mapping[str, str] | None = None,
        before: str = "",
        log: Path | None = None,
        plain: bool = True,
        warm: bool = False,
    ) -> None:
        self.folder, self.port, self.public_port = folder, free_port(), free_port()
        self.plain, self.took, self.cpu, self.answers = plain, 0.0, 0.0, False
        code = f"{before}\n{WARM if warm else ''}\nfrom app.cli import main\nmain()"
        self.begun = time.monotonic()
        with (log or Path(os.devnull)).open("ab") as out:
            self.process = subprocess.Popen(
                [sys.executable, "-c", code, "serve", "--data", str(folder.path), "--port",
                 str(self.port), "--public-port", str(self.public_port), *options],
                env=os.environ | {"LIKEWRIGHT_BACKUPS": f"{folder.path}-backups"} | dict(env or {}),
                stdin=subprocess.PIPE, stdout=out, stderr=out,
            )  # fmt: skip
        if not warm:
            self._wait()

    def begin(self) -> None:
        """Let a warm one look at its folder and answer."""
        assert self.process.stdin is not None
        self.begun = time.monotonic()
        self.process.stdin.write(b"\n")
        self.process.stdin.flush()
        self._wait()

    def _wait(self) -> None:
        ports = (self.public_port, self.port) if self.plain else (self.public_port,)
        self.answers = _wait_for(self.process, ports)
        self.took = time.monotonic() - self.begun
        self.cpu = _cpu_seconds(self.process.pid)

    def kill(self) -> None:
        """As a power cut would end it, as far as the program can tell."""
        self.process.send_signal(signal.SIGKILL)
        self._ended(10)

    def stop(self) -> int:
        """Ask it to end, as a service manager does; gives its exit code."""
        if self.process.poll() is None:
            self.process.terminate()
        return self._ended(20)

    def __enter__(self) -> "Server":
        assert self.answers
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _ended(self, seconds: float) -> int:
        code = self.process.wait(seconds)
        if self.process.stdin is not None:
            self.process.stdin.close()
        return code


def _cpu_seconds(pid: int) -> float:
    """User and system time of a process so far; 0 where it has ended."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _wait_for(process: subprocess.Popen[bytes], ports: Sequence[int]) -> bool:
    """Whether every port answers, in time. A port takes connections before it answers any."""
    until = time.monotonic() + PATIENT
    left = list(ports)
    while left and time.monotonic() < until and process.poll() is None:
        try:
            with socket.create_connection(("127.0.0.1", left[0]), timeout=PATIENT) as sock:
                sock.sendall(b"GET /static/mark.svg HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
                if sock.recv(1):
                    left.pop(0)
                    continue
        except OSError:
            pass
        time.sleep(0.01)
    return not left


class Client:
    """One browser without a screen: a cookie, a connection that is kept."""

    def __init__(self, port: int, cookie: str = "", timeout: float = 10.0) -> None:
        self.connection = http.client.HTTPConnection("127.0.0.1", port, timeout=timeout)
        self.headers = {"Origin": f"http://127.0.0.1:{port}"}
        if cookie:
            self.headers["Cookie"] = f"{COOKIE}={cookie}"

    def get(self, path: str) -> tuple[int, str]:
        self.connection.request("GET", path, headers=self.headers)
        answer = self.connection.getresponse()
        return answer.status, answer.read().decode()

    def post(self, path: str, fields: Mapping[str, str]) -> tuple[int, str, str]:
        """Status, where to, and what was said."""
        headers = self.headers | {"Content-Type": "application/x-www-form-urlencoded"}
        self.connection.request("POST", path, urlencode(fields), headers)
        answer = self.connection.getresponse()
        return answer.status, answer.getheader("location") or "", answer.read().decode()

    def close(self) -> None:
        self.connection.close()

    def __enter__(self) -> "Client":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
