"""A real mail server on loopback (aiosmtpd) that can be told what to answer to each verb.

with MailServer() as server:
    server.script["RCPT"] = ["451 later"]      # once; then as usual
    server.script["DOT"] = ["drop", "drop"]    # hang up after the letter, twice
    server.kept                                # the mails that it took over
"""

import asyncio
import socket
import ssl
import subprocess
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from aiosmtpd.smtp import SMTP, AuthResult, Envelope, Session

VERBS = ("CONNECT", "EHLO", "STARTTLS", "MAIL", "RCPT", "DATA", "DOT", "QUIT")


@dataclass(frozen=True)
class Certificate:
    """Where a certificate and its key lie."""

    cert: Path
    key: Path

    def server_context(self) -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(self.cert, self.key)
        return context

    def trusting(self) -> ssl.SSLContext:
        """What a client has that knows this certificate."""
        return ssl.create_default_context(cafile=str(self.cert))


def make_certificate(folder: Path, name: str = "IP:127.0.0.1") -> Certificate:
    made = Certificate(folder / "cert.pem", folder / "key.pem")
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "30", "-subj",
         "/CN=mail.example", "-addext", f"subjectAltName={name}", "-keyout", str(made.key),
         "-out", str(made.cert)],
        check=True, capture_output=True,
    )  # fmt: skip
    return made


class _Scripted(SMTP):
    """The server's side of one connection."""

    def __init__(self, owner: "MailServer", **more: Any) -> None:
        self.verb = "CONNECT"
        self.owner = owner
        super().__init__(owner, hostname="mail.example", **more)

    def connection_made(self, transport: Any) -> None:
        self.owner.lines.append(transport)
        super().connection_made(transport)

    async def push(self, status: Any) -> None:
        said = status.decode() if isinstance(status, bytes) else str(status)
        todo = self.owner.script.get(self.verb) or []
        told = todo.pop(0) if todo else ""
        if told == "drop":
            assert self.transport is not None
            self.transport.abort()
            return
        if told == "stall":
            await asyncio.sleep(self.owner.stall_seconds)
            return
        if self.verb == "DATA" and said.startswith("354") and not told:
            self.verb = "DOT"
        await super().push(told or status)


def _with_verb(verb: str) -> Callable[[_Scripted, str], Any]:
    base = getattr(SMTP, f"smtp_{verb}")

    async def run(self: _Scripted, arg: str) -> None:
        self.verb = verb
        self.owner.heard.append(f"{verb} {arg or ''}".strip())
        await base(self, arg)

    return run


for _verb in VERBS[1:]:
    if _verb != "DOT":
        setattr(_Scripted, f"smtp_{_verb}", _with_verb(_verb))


@dataclass
class Kept:
    """A mail that was taken over."""

    sender: str
    recipients: list[str]
    data: bytes


@dataclass
class MailServer:
    """Runs in a thread of its own. `tls`: "" for none, "offered" (STARTTLS) or "from the start".
    `login` is a name and a password without which it takes nothing."""

    certificate: Certificate | None = None
    tls: str = ""
    utf8: bool = True
    stall_seconds: float = 30.0
    script: dict[str, list[str]] = field(default_factory=dict)
    kept: list[Kept] = field(default_factory=list)
    heard: list[str] = field(default_factory=list)
    lines: list[Any] = field(default_factory=list)
    refuses_sender: Callable[[str], bool] = field(default=lambda _: False)
    on_kept: Callable[[], None] = field(default=lambda: None)
    login: tuple[str, str] | None = None

    async def handle_MAIL(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if self.refuses_sender(address):
            return f"553 5.7.1 <{address}>: not owned by the user who signed in"
        envelope.mail_from = address
        envelope.mail_options.extend(options)
        return "250 OK"

    async def handle_DATA(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        assert isinstance(envelope.content, bytes)
        self.kept.append(
            Kept(str(envelope.mail_from), [str(r) for r in envelope.rcpt_tos], envelope.content)
        )
        self.on_kept()
        return "250 taken"

    def _knows(self, *asked: Any) -> AuthResult:
        """Whether name and password are those of the mailbox."""
        given = asked[-1]
        mine = tuple(part.encode() for part in self.login or ())
        return AuthResult(success=(given.login, given.password) == mine, handled=False)

    @property
    def url(self) -> str:
        scheme = "smtps" if self.tls == "from the start" else "smtp"
        return f"{scheme}://127.0.0.1:{self.port}"

    def __enter__(self) -> Self:
        self._loop = asyncio.new_event_loop()
        self._door = socket.socket()
        self._door.bind(("127.0.0.1", 0))
        self.port = int(self._door.getsockname()[1])
        context = self.certificate.server_context() if self.certificate else None
        more: dict[str, Any] = {"enable_SMTPUTF8": self.utf8, "loop": self._loop, "timeout": 60}
        if self.tls == "offered":
            more["tls_context"] = context
        if self.login is not None:
            more |= {"authenticator": self._knows, "auth_required": True}
        direct = context if self.tls == "from the start" else None
        self._server = self._loop.run_until_complete(
            self._loop.create_server(lambda: _Scripted(self, **more), sock=self._door, ssl=direct)
        )
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, why: BaseException | None, tb: TracebackType | None
    ) -> None:
        async def end() -> None:
            self._server.close()
            others = [t for t in asyncio.all_tasks() if t is not asyncio.current_task()]
            for task in others:
                task.cancel()
            await asyncio.gather(*others, return_exceptions=True)
            for line in self.lines:
                line.abort()
            await asyncio.sleep(0.02)

        asyncio.run_coroutine_threadsafe(end(), self._loop).result(10)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)
        self._loop.close()
