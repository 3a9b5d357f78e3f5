"""A letter as a mail: headers that nobody can smuggle anything into, text and its HTML twin.

Names and subjects with line breaks, controls or encoded words are refused before anything is built
(an encoded word in a name can carry a header of its own past the library), and what was built is
read again with a second parser: its headers have to be the ones that were meant, each once.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from email import policy
from email.errors import MessageError
from email.headerregistry import Address, HeaderRegistry, MessageIDHeader
from email.message import EmailMessage
from email.parser import Parser
from email.utils import format_datetime
from hashlib import sha256

from app.shared.text import problem

_LOCAL, _DOMAIN, _PATH, _LINE = 64, 255, 254, 998
_ATOM = re.compile(r"[^\s@<>()\[\]\\,;:\"]+")
# Where the older and the newer rules for names of domains part ways (RFC 5894 section 7.2).
_TWO_READINGS = frozenset("ßς\u200c\u200d")
_HEADERS = (
    "from", "to", "subject", "date", "message-id", "auto-submitted", "mime-version",
    "content-type",
)  # fmt: skip
_CONVERSATION = ("In-Reply-To", "References")
# As plain text a long one would be written as an encoded word, which no reader takes for an id.
_KINDS_OF_HEADER = HeaderRegistry()
for _header in _CONVERSATION:
    # The stubs ask for what the registry itself mixes in.
    _KINDS_OF_HEADER.map_to_type(_header.lower(), MessageIDHeader)  # type: ignore[arg-type]


class Unsendable(Exception):
    """This letter can never be sent as it is; the words say why, for the desk."""


@dataclass(frozen=True, slots=True)
class Mailbox:
    """A mail address with its domain as mail knows it. `plain` is False for a local part that
    only a server with SMTPUTF8 (RFC 6531) carries."""

    local: str
    domain: str

    @property
    def plain(self) -> bool:
        """Whether every mail server can carry it."""
        return self.local.isascii()

    def __str__(self) -> str:
        return f"{self.local}@{self.domain}"


@dataclass(frozen=True, slots=True)
class Envelope:
    """What stands on a letter besides its words. `formed_at` is UTC seconds; `tag` is empty
    where bounces come back to the studio's plain address. `first_id` is the Message-ID of the
    order's first letter, which all others answer, so that they are one conversation (RFC 5322
    section 3.6.4); empty or its own where it is the first."""

    from_name: str
    from_mail: str
    to_name: str
    to_mail: str
    subject: str
    message_id: str
    tag: str
    formed_at: int
    first_id: str = ""

    @property
    def conversation(self) -> dict[str, str]:
        """The headers that put it under the order's first letter."""
        is_first = self.first_id in ("", self.message_id)
        return {} if is_first else dict.fromkeys(_CONVERSATION, self.first_id)


@dataclass(frozen=True, slots=True)
class Mail:
    """A mail ready to be sent: its bytes, whom it is for, and whom a bounce goes back to."""

    data: bytes
    recipient: Mailbox
    sender: Mailbox

    @property
    def needs_utf8(self) -> bool:
        """Whether the server has to offer SMTPUTF8."""
        return not (self.recipient.plain and self.sender.plain)


def mailbox(address: str) -> Mailbox:
    """An address as mail carries it: its domain as A-labels, lengths by RFC 5321 section 4.5.3.1.

    Raises Unsendable.
    """
    local, at, domain = address.rpartition("@")
    if not at or not _ATOM.fullmatch(local) or not _ATOM.fullmatch(domain):
        raise Unsendable("There is no email address to write to.")
    if problem(address, _PATH) is not None or local[0] == "." or local[-1] == "." or ".." in local:
        raise Unsendable("That email address cannot be written to.")
    domain = _a_labels(domain)
    octets = len(local.encode()), len(domain)
    if octets[0] > _LOCAL or octets[1] > _DOMAIN or sum(octets) + 1 > _PATH:
        raise Unsendable("That email address is too long.")
    return Mailbox(local, domain)


def _a_labels(domain: str) -> str:
    if domain.isascii():
        return domain.lower()
    if _TWO_READINGS & set(domain):
        raise Unsendable(
            "The domain of that address is ambiguous. Enter its form that begins with xn--."
        )
    try:
        return domain.encode("idna").decode("ascii").lower()
    except UnicodeError:
        raise Unsendable("The domain of that email address does not exist as written.") from None


def sender_for(from_mail: str, tag: str) -> Mailbox:
    """The address that a bounce comes back to: the studio's, with the letter's tag (RFC 5233)
    where there is one and room for it."""
    own = mailbox(from_mail)
    tagged = f"{own.local}+{tag}"
    return Mailbox(tagged, own.domain) if tag and len(tagged.encode()) <= _LOCAL else own


def build(envelope: Envelope, text: str, html: str, pictures: Sequence[bytes] = ()) -> Mail:
    """The mail, with its pictures (JPEG) after the text. Raises Unsendable where a header could be
    read in more than one way."""
    for value in (envelope.from_name, envelope.to_name, envelope.subject):
        if problem(value, 250) is not None:
            raise Unsendable("A name or the subject has something in it that email would misread.")
    sender, recipient = mailbox(envelope.from_mail), mailbox(envelope.to_mail)
    utf8 = not (sender.plain and recipient.plain)
    rules = policy.SMTPUTF8 if utf8 else policy.SMTP
    message = EmailMessage(rules.clone(header_factory=_KINDS_OF_HEADER))
    try:
        message["From"] = Address(envelope.from_name, sender.local, sender.domain)
        message["To"] = Address(envelope.to_name, recipient.local, recipient.domain)
        message["Subject"] = envelope.subject
        message["Date"] = format_datetime(datetime.fromtimestamp(envelope.formed_at, UTC))
        message["Message-ID"] = envelope.message_id
        for name, value in envelope.conversation.items():
            message[name] = value
        # RFC 3834: no robot shall answer it.
        message["Auto-Submitted"] = "auto-generated"
        message.set_content(text, cte="quoted-printable")
        message.add_alternative(html, subtype="html", cte="quoted-printable")
        for number, jpeg in enumerate(pictures, start=1):
            name = f"picture-{number}.jpg"
            message.add_attachment(
                jpeg, maintype="image", subtype="jpeg", filename=name, disposition="inline"
            )
        # Sent twice it is the same to the byte. "=_" stands nowhere in what is quoted or base64.
        mark = sha256(envelope.message_id.encode()).hexdigest()[:32]
        parts = (part for part in message.walk() if part.is_multipart())
        for depth, part in enumerate(parts):
            part.set_boundary(f"=_{depth}{mark}" if depth else f"=_{mark}")
        data = message.as_bytes()
    except (ValueError, MessageError, UnicodeError) as why:
        raise Unsendable(
            "A name or the subject has something in it that email would misread."
        ) from why
    _read_again(data, envelope, str(sender), str(recipient))
    return Mail(data, recipient, sender_for(envelope.from_mail, envelope.tag))


def _read_again(data: bytes, meant: Envelope, sender: str, recipient: str) -> None:
    """Compare what another reader finds with what was meant. Raises Unsendable."""
    head, _, _ = data.partition(b"\r\n\r\n")
    lines = head.split(b"\r\n")
    names = sorted(_name(line) for line in lines if not line.startswith((b" ", b"\t")))
    expected = sorted([*_HEADERS, *(name.lower() for name in meant.conversation)])
    read = Parser(policy=policy.SMTPUTF8).parsestr(data.decode("utf-8"))
    found = (
        names == expected
        and sorted(name.lower() for name in read) == expected
        and _addresses(read["from"]) == [(meant.from_name, sender)]
        and _addresses(read["to"]) == [(meant.to_name, recipient)]
        and str(read["subject"]) == meant.subject
        and read["message-id"] == meant.message_id
        and all(read[name] == value for name, value in meant.conversation.items())
        and not any(part.defects for part in read.walk())
        and all(len(line) <= _LINE for line in data.split(b"\r\n"))
    )
    if not found:
        raise Unsendable("Read back, this email's head says something other than it should.")


def _name(line: bytes) -> str:
    return line.partition(b":")[0].decode("latin-1").lower()


def _addresses(header: object) -> Sequence[tuple[str, str]]:
    found = getattr(header, "addresses", ())
    return [(one.display_name, one.addr_spec) for one in found]
