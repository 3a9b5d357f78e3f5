"""How a request may arrive: in good time, and with one length. uvicorn itself waits for ever.

Headers have ten seconds from their first byte, or from the connection being made. A body has
twenty, and more for each piece of it that comes, so that a large one over a slow line gets through
and one that trickles does not. What is late is cut off; so is the longest wait of all when too
many wait at once. Nobody is cut off while their answer is being made.
"""

import asyncio
from collections.abc import Collection
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol, RequestResponseCycle

HEADERS_SECONDS = 10.0
BODY_SECONDS = 20.0
BYTES_A_SECOND = 16_384
MOST_WAITING = 300
_LENGTHS = {b"content-length", b"transfer-encoding"}


class OneLength(h11.Connection):
    """HTTP where a body's end is said once: with two lengths, a proxy could see another request
    in the bytes behind it (RFC 9112, section 6.1). Such a request is refused and nothing read on.
    """

    def next_event(self) -> Any:
        event = super().next_event()
        if isinstance(event, h11.Request) and {name for name, _ in event.headers} >= _LENGTHS:
            raise h11.RemoteProtocolError("a length, and chunks too")
        return event


class Patience(H11Protocol):
    """A connection whose requests have to arrive in time.

    `senders` are the addresses that may connect, or None for any; `waiting` holds the connections
    of one server whose request is still on its way, the longest waiting first.
    """

    senders: Collection[str] | None = None
    waiting: dict["Patience", None]

    def __init__(self, *args: Any, **named: Any) -> None:
        super().__init__(*args, **named)
        self.conn = OneLength(h11.SERVER)
        self._alarm: asyncio.TimerHandle | None = None
        self._of: RequestResponseCycle | None = None
        self._until = 0.0

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        if self.senders is not None and (not self.client or self.client[0] not in self.senders):
            transport.abort()
            return
        self._wait(HEADERS_SECONDS)
        if len(self.waiting) > MOST_WAITING:
            next(iter(self.waiting))._cut_off()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        cycle = self._arriving()
        if self.transport.is_closing():
            self._at_ease()
        elif cycle is not None and cycle is self._of:
            self._until += len(data) / BYTES_A_SECOND
        elif cycle is not None:
            self._of = cycle
            self._wait(BODY_SECONDS)
        elif self.cycle is not None and not self.cycle.response_complete:
            self._at_ease()
        elif self._alarm is None:
            self._wait(HEADERS_SECONDS)

    def _arriving(self) -> RequestResponseCycle | None:
        """The request whose body is on its way, or None."""
        cycle = self.cycle
        under_way = cycle is not None and cycle.more_body and not cycle.response_complete
        return cycle if under_way else None

    def on_response_complete(self) -> None:
        # Between two requests uvicorn's own, shorter patience for an idle connection holds.
        self._at_ease()
        super().on_response_complete()

    def connection_lost(self, exc: Exception | None) -> None:
        self._at_ease()
        super().connection_lost(exc)

    def _wait(self, seconds: float) -> None:
        self._at_ease()
        self.waiting[self] = None
        self._until = self.loop.time() + seconds
        self._alarm = self.loop.call_later(seconds, self._is_it_late)

    def _is_it_late(self) -> None:
        left = self._until - self.loop.time()
        if left > 0:
            self._alarm = self.loop.call_later(left, self._is_it_late)
        else:
            self._cut_off()

    def _cut_off(self) -> None:
        self._at_ease()
        self.transport.abort()

    def _at_ease(self) -> None:
        self.waiting.pop(self, None)
        if self._alarm is not None:
            self._alarm.cancel()
            self._alarm = None


def patience(senders: Collection[str] | None = None) -> type[Patience]:
    """The protocol for one server, taking connections from these addresses or from any."""
    return type("PatienceOfOneServer", (Patience,), {"senders": senders, "waiting": {}})
