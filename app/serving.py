"""Both sites in one process, each on its own port; the workers live in the staff site's lifespan.

The sockets are bound before anything else starts, so that a busy port is said in words.
"""

import asyncio
import ipaddress
import resource
import signal
import socket
import ssl
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import uvicorn

from app.shared.errors import CannotStart
from app.shared.web.deadlines import patience

LOOPBACK = "127.0.0.1"
_LOOPBACK_NAMES = (LOOPBACK, "localhost", "[::1]")
_MANY_FILES = 4_096


class WrongUsage(ValueError):
    """What was asked for does not go together, in words for the prompt."""


@dataclass(frozen=True, slots=True)
class Way:
    """How the staff's site is reached: on which address, under which names, how it is guarded.

    `proxies` are the addresses of a proxy in front of it, and nobody else may connect then.
    """

    host: str = LOOPBACK
    names: tuple[str, ...] = ()
    certificate: Path | None = None
    certificate_key: Path | None = None
    proxies: tuple[str, ...] = ()

    @property
    def encrypted(self) -> bool:
        """Whether browsers come by TLS alone: by a certificate here, or a proxy's."""
        return self.certificate is not None or bool(self.proxies)

    def hosts(self) -> tuple[str, ...]:
        """Every name under which the site may be asked for."""
        own = f"[{self.host}]" if ":" in self.host else self.host
        return (*_LOOPBACK_NAMES, own, *self.names)

    def address(self, port: int) -> str:
        """What to type into a browser, without a slash at the end."""
        if self.proxies:
            return f"https://{self.names[0]}"
        own = f"[{self.host}]" if ":" in self.host else self.host
        scheme = "https" if self.certificate else "http"
        return f"{scheme}://{self.names[0] if self.names and self.certificate else own}:{port}"


def way(
    host: str,
    certificate: Path | None,
    certificate_key: Path | None,
    names: Sequence[str],
    behind_proxy: Sequence[str],
    proxies: Sequence[str],
) -> Way:
    """The way to the staff's site as asked for at the prompt.

    Beyond this machine it is only taken encrypted: over plain HTTP a password could be read on the
    way, and a browser would not keep the cookie anyway. Raises WrongUsage.
    """
    names = list(names)
    try:
        address = ipaddress.ip_address(LOOPBACK if host == "localhost" else host)
    except ValueError:
        address = _looked_up(host)
        names.insert(0, host)
    try:
        senders = [str(ipaddress.ip_address(proxy)) for proxy in proxies]
    except ValueError as why:
        raise WrongUsage(f"{why}. Write it like 192.168.1.20.") from why
    if (certificate is None) != (certificate_key is None):
        raise WrongUsage("--certificate and --certificate-key go together.")
    if certificate is not None and behind_proxy:
        raise WrongUsage("Give a certificate here or name a proxy that has one, not both.")
    if not address.is_loopback and certificate is None and not behind_proxy:
        raise WrongUsage(
            f"On {host} others could read along: passwords would travel in the clear. Give "
            "--certificate and --certificate-key, or put a proxy with a certificate in front and "
            "name it with --behind-proxy NAME."
        )
    if address.is_unspecified and certificate is not None and not names:
        raise WrongUsage(f"{host} is every address. Say with --name which one tablets use.")
    if behind_proxy and not address.is_loopback and not senders:
        raise WrongUsage("Give the address that the proxy connects from with --proxy-address.")
    if senders and not behind_proxy:
        raise WrongUsage("--proxy-address needs --behind-proxy NAME.")
    known = tuple(name.lower().partition(":")[0] for name in (*behind_proxy, *names))
    if behind_proxy:
        return Way(str(address), known, proxies=tuple(senders or ("127.0.0.1", "::1")))
    return Way(str(address), known, certificate, certificate_key)


def _looked_up(name: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address:
    """The address of a name, as this machine knows it. Raises WrongUsage."""
    try:
        found = ipaddress.ip_address(socket.getaddrinfo(name, None)[0][4][0])
    except (OSError, UnicodeError, ValueError) as why:
        raise WrongUsage(
            f"{name} is not an address, and this machine knows no such name. Write it like "
            "192.168.1.20, and give the name with --name."
        ) from why
    if found.is_loopback:
        raise WrongUsage(
            f"{name} means this computer alone ({found}) here, and no tablet would reach it. Write "
            "its address in your network, like 192.168.1.20, and give the name with --name."
        )
    return found


@dataclass(frozen=True, slots=True)
class Door:
    """A site, the socket on which it is asked for, and the way to it."""

    app: Any
    socket: socket.socket
    way: Way = Way()


def listen(host: str, port: int, what: str) -> socket.socket:
    """A bound socket. Raises CannotStart where the port is taken."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # asyncio sends small answers at once (TCP_NODELAY) only where the protocol is named.
    sock = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        sock.bind((host, port))
        sock.listen(256)
    except OSError as why:
        sock.close()
        raise CannotStart(
            f"The {what} cannot use port {port} on {host}: {why.strerror}. Choose another one."
        ) from why
    return sock


class _Server(uvicorn.Server):
    """A server that leaves signals to the one who runs it, and says when it answers."""

    def __init__(self, config: uvicorn.Config, ready: asyncio.Event) -> None:
        super().__init__(config)
        self.ready = ready

    def install_signal_handlers(self) -> None:
        """Signals are handled once for both servers."""

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self.ready.set()


async def _all_ready(events: list[asyncio.Event]) -> None:
    for event in events:
        await event.wait()


def _config(door: Door) -> uvicorn.Config:
    way = door.way
    return uvicorn.Config(
        door.app, log_level="warning", access_log=False, server_header=False,
        http=patience(way.proxies or None), ws="none",
        timeout_keep_alive=15, timeout_graceful_shutdown=5,
        ssl_certfile=way.certificate, ssl_keyfile=way.certificate_key,
        # A header that says who asks and how is believed from a named proxy alone.
        proxy_headers=bool(way.proxies), forwarded_allow_ips=list(way.proxies),
    )  # fmt: skip


def check_certificate(way: Way) -> None:
    """Raise CannotStart where the certificate and its key cannot be used."""
    if way.certificate is None:
        return
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(
            way.certificate, way.certificate_key
        )
    except (OSError, ssl.SSLError) as why:
        reason = getattr(why, "reason", None) or why.strerror or str(why)
        raise CannotStart(
            f"The certificate {way.certificate} cannot be used with the key "
            f"{way.certificate_key}: {reason}."
        ) from why


def _allow_many_connections() -> None:
    """Each connection is an open file: those who only wait must not use all of them up."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = _MANY_FILES if hard == resource.RLIM_INFINITY else min(_MANY_FILES, hard)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))


async def _serve(doors: list[Door], ready: Callable[[], None]) -> None:
    servers = [(_Server(_config(door), asyncio.Event()), door) for door in doors]

    def end() -> None:
        for server, _ in servers:
            server.should_exit = True

    loop = asyncio.get_running_loop()
    for sign in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(sign, end)
    tasks = [asyncio.create_task(server._serve(sockets=[door.socket])) for server, door in servers]
    waiting = _all_ready([server.ready for server, _ in servers])
    started = asyncio.create_task(waiting)
    await asyncio.wait({started, *tasks}, return_when=asyncio.FIRST_COMPLETED)
    if started.done():
        ready()
    else:
        started.cancel()
    await asyncio.gather(*tasks)


def serve(doors: list[Door], ready: Callable[[], None]) -> None:
    """Serve until told to end. `ready` is called once every door answers."""
    _allow_many_connections()
    asyncio.run(_serve(doors, ready))
