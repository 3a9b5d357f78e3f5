"""Both sites in one process, each on its own port; the workers live in the staff site's lifespan.

The sockets are bound before anything else starts, so that a busy port is said in words.
"""

import asyncio
import signal
import socket
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import uvicorn

from app.shared.errors import CannotStart


@dataclass(frozen=True, slots=True)
class Door:
    """A site and the socket on which it is asked for."""

    app: Any
    socket: socket.socket


def listen(host: str, port: int, what: str) -> socket.socket:
    """A bound socket. Raises CannotStart where the port is taken."""
    sock = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        sock.bind((host, port))
        sock.listen(256)
    except OSError as why:
        sock.close()
        raise CannotStart(
            f"The {what} cannot use port {port} on {host}: {why.strerror}. Name another one."
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


async def _serve(doors: list[Door], ready: Callable[[], None]) -> None:
    servers: list[tuple[_Server, Door]] = []
    for door in doors:
        config = uvicorn.Config(
            door.app, log_level="warning", access_log=False, server_header=False,
            timeout_keep_alive=15, timeout_graceful_shutdown=5,
        )  # fmt: skip
        servers.append((_Server(config, asyncio.Event()), door))

    def end() -> None:
        for server, _ in servers:
            server.should_exit = True

    loop = asyncio.get_running_loop()
    for sign in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(sign, end)
    tasks = [asyncio.create_task(server._serve(sockets=[door.socket])) for server, door in servers]
    waiting = _all_ready([server.ready for server, _ in servers])
    started = asyncio.create_task(waiting)  # noqa: RUF006  (awaited just below)
    await asyncio.wait({started, *tasks}, return_when=asyncio.FIRST_COMPLETED)
    if started.done():
        ready()
    else:
        started.cancel()
    await asyncio.gather(*tasks)


def serve(doors: list[Door], ready: Callable[[], None]) -> None:
    """Serve until told to end. `ready` is called once every door answers."""
    asyncio.run(_serve(doors, ready))
