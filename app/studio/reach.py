"""How a studio is reached and how it sends: its public address and its mail server. Pure."""

import re
from ipaddress import ip_address
from urllib.parse import SplitResult, urlsplit

_LONGEST = 200
_LABEL = r"[a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?"
_HOST = re.compile(rf"{_LABEL}(?:\.{_LABEL})*\.?", re.IGNORECASE)

# Behind a host's name only a port is sure to be no secret.
_UNSURE = re.compile(r"(?<=:)(?!\d{1,5}(?:/|$)).*")


def is_loopback(host: str) -> bool:
    """Whether a host's name or number is this machine itself."""
    bare = host.strip("[]").lower().rstrip(".")
    if bare == "localhost" or bare.endswith(".localhost"):
        return True
    try:
        return ip_address(bare).is_loopback
    except ValueError:
        return False


def is_host(name: str) -> bool:
    """Whether something can be a host's name (RFC 1123 section 2.1) or number."""
    try:
        ip_address(name.strip("[]"))
    except ValueError:
        return len(name) <= 253 and _HOST.fullmatch(name) is not None
    return True


def read_address(text: str) -> str:
    """The address under which customers reach their pages, without a slash at its end.

    https, for the address of a page is the key to it; plain http only at this machine itself.
    Raises ValueError with a sentence that quotes nothing.
    """
    text = text.strip()
    if not text:
        return ""
    if len(text) > _LONGEST or not text.isascii() or not text.isprintable() or " " in text:
        raise ValueError("That is not a web address. One looks like https://pages.house.example.")
    try:
        parts = urlsplit(text)
        host, port = parts.hostname or "", parts.port
    except ValueError:
        raise ValueError("Its host or port cannot be read.") from None
    if why := _wrong(parts, host):
        raise ValueError(why)
    path = parts.path.rstrip("/")
    named = f"[{host}]" if ":" in host else host
    return f"{parts.scheme}://{named}{f':{port}' if port else ''}{path}"


def _wrong(parts: SplitResult, host: str) -> str:
    if parts.scheme != "https" and not (parts.scheme == "http" and is_loopback(host)):
        return "It has to begin with https://, so that nobody can read along."
    if not is_host(host):
        return "Its host cannot be read. One looks like https://pages.house.example."
    if parts.username or parts.password or parts.query or parts.fragment:
        return "Only the address itself, please: no name, no password, nothing after ? or #."
    return ""


def read_host(text: str) -> str:
    """A mail server's name or number. Raises ValueError."""
    name = text.strip()
    if name and not is_host(name):
        raise ValueError("That is not a server’s name. One looks like mail.house.example.")
    return name


def without_secret(url: str) -> str:
    """What was read as a server's address, to be quoted: its password is left out, and what
    might be one."""
    scheme, slashes, rest = url.partition("://")
    if not slashes:
        return _UNSURE.sub("…", url)
    who, at, host = rest.rpartition("@")
    if not at:
        return f"{scheme}://{_UNSURE.sub('…', rest)}"
    return f"{scheme}://{who.partition(':')[0]}:…@{host}"
