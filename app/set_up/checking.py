"""Whether customers' pages answer at an address: asked for as a stranger would, over https.

A link that nobody was given has to get the answer of our own site, and a link of a customer has to
open a page; its answer is not read.
"""

import http.client
import secrets
import socket
import ssl
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from urllib.parse import urlsplit

from app.status.site import NOT_FOUND

ANSWER_SECONDS = 10.0
_READ_AT_MOST = 4_096
_OURS = NOT_FOUND.strip().encode()


class NotOurs(Exception):
    """Customers' pages do not answer there, and why not, as a sentence."""


@dataclass(frozen=True, slots=True)
class Answers:
    """Customers' pages answer: of the `tried` links of customers `opened` opened one."""

    tried: int
    opened: int

    def __str__(self) -> str:
        if not self.tried:
            return (
                "Customers’ pages answer there. Whether they’re yours shows once an order has a "
                "link."
            )
        if not self.opened:
            return (
                "Customers’ pages answer there, but a customer’s link opens nothing: they belong "
                "to another workshop, or yours aren’t published there yet."
            )
        return "Your customers’ pages answer there."


def look(
    address: str,
    tokens: Sequence[str],
    context: Callable[[], ssl.SSLContext] = ssl.create_default_context,
) -> Answers:
    """Ask at an address (as `read_address` gives it). Raises NotOurs."""
    try:
        status, body, onward = _ask(address, f"{secrets.token_urlsafe(32)}/", "GET", context)
        if 300 <= status <= 399:
            raise NotOurs(f"It sends visitors on to {_shown(onward)}. Enter that address instead.")
        if status != 404 or _OURS not in body:
            raise NotOurs(f"Something else answers there ({status}), and not this program’s pages.")
        opened = sum(_ask(address, f"{one}/", "HEAD", context)[0] == 200 for one in tokens)
    except ssl.SSLCertVerificationError as why:
        raise NotOurs(f"Its certificate cannot be trusted: {why.verify_message}.") from None
    except ssl.SSLError as why:
        raise NotOurs(f"It does not speak https ({why.reason or 'TLS failed'}).") from None
    except TimeoutError:
        raise NotOurs("Nothing answered there within ten seconds.") from None
    except socket.gaierror:
        raise NotOurs("No server of that name is known.") from None
    except (OSError, http.client.HTTPException) as why:
        said = getattr(why, "strerror", None) or "the answer cannot be read"
        raise NotOurs(f"Nothing could be read there: {said}.") from None
    return Answers(len(tokens), opened)


def _ask(
    address: str, rest: str, method: str, context: Callable[[], ssl.SSLContext]
) -> tuple[int, bytes, str]:
    parts = urlsplit(address)
    host = parts.hostname or ""
    if parts.scheme == "https":
        line: http.client.HTTPConnection = http.client.HTTPSConnection(
            host, parts.port, timeout=ANSWER_SECONDS, context=context()
        )
    else:
        line = http.client.HTTPConnection(host, parts.port, timeout=ANSWER_SECONDS)
    try:
        line.request(method, f"{parts.path}/{rest}")
        answer = line.getresponse()
        return answer.status, answer.read(_READ_AT_MOST), answer.headers.get("location", "")
    finally:
        line.close()


def _shown(onward: str) -> str:
    """Where a server sends visitors, without the link that was tried."""
    parts = urlsplit(onward)
    return f"{parts.scheme}://{parts.netloc}" if parts.netloc else "another address"
