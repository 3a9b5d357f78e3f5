"""A letter to oneself: an example of a kind, sent at once by the way that all letters go."""

import secrets
from dataclasses import replace
from typing import Annotated

from pydantic import AfterValidator

from app.letters import previews, store, worker
from app.letters.forming import domain_of
from app.letters.message import Envelope, Unsendable, build
from app.letters.post import MailRefused, Smtp, TryAgain
from app.letters.rules import KINDS
from app.letters.sending import Office
from app.shared.errors import BadFields
from app.shared.people import Person
from app.shared.web.fields import Fields, Mail
from app.shared.web.forms import Form, check
from app.studio.workshop import Workshop

# A person waits for the answer; no letter of an order is at stake.
_ANSWER_SECONDS, _LAST_ANSWER_SECONDS = 10.0, 30.0


def _known(kind: str) -> str:
    if kind not in KINDS:
        raise ValueError("There is no such email.")
    return kind


class _Trial(Fields):
    """Where a test letter goes, and which kind it shows."""

    to: Mail
    kind: Annotated[str, AfterValidator(_known)]


def send(workshop: Workshop, form: Form, me: Person) -> None:
    """Send a test letter to the address in a form, and note who did.

    Raises BadFields: an address that will not do, or why the letter did not go, in words.
    """
    typed = check(_Trial, form.plain())
    if not typed.to:
        raise BadFields({"to": "Which address should it go to?"})
    if why := worker.no_way_out(workshop):
        raise BadFields({"to": why})
    deliver(workshop, worker.office_of(workshop), typed.to, typed.kind, me)


def deliver(workshop: Workshop, office: Office, to: str, kind: str, me: Person) -> None:
    """Send a test letter of a kind to an address by an office's way, and note who did.

    Raises BadFields with what the mail server said where it does not go.
    """
    in_force, now = workshop.in_force(), workshop.now()
    way = office.way
    if isinstance(way, Smtp):
        way = replace(way, answer_seconds=_ANSWER_SECONDS, last_answer_seconds=_LAST_ANSWER_SECONDS)
    words = previews.trial(kind, me.name, in_force, now)
    message_id = f"<{secrets.token_hex(16)}@{domain_of(in_force)}>"
    envelope = Envelope(
        office.name, office.mail, me.name, to, words.subject, message_id,
        f"test{now}" if office.tagged else "", now,
    )  # fmt: skip
    try:
        way(build(envelope, words.text, words.html), f"test-{now}")
    except (Unsendable, MailRefused, TryAgain) as why_not:
        raise BadFields({"to": f"It could not be sent. {why_not}"}) from None
    with workshop.database.writing() as db:
        store.note(db, me, now, None, 0, "test email sent")
