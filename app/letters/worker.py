"""The worker that forms letters and lets them go, and what keeps letters from going at all."""

import logging
import random
import threading
from functools import cache
from urllib.parse import urlsplit
from weakref import WeakKeyDictionary

from sqlalchemy import Connection

from app.letters import forming, outbox, post, trouble
from app.letters.lists import KeptLetter, counts
from app.letters.message import Unsendable, mailbox
from app.letters.sending import Linked, Office, Round, send_due
from app.letters.trouble import MailState
from app.letters.wording import LetterWords, words_of
from app.orders.order import links
from app.owner.today.rules import InOrder
from app.shared.errors import CannotStart
from app.shared.settings import Environment
from app.shared.web import words
from app.studio.reach import is_loopback, without_secret
from app.studio.workshop import Workshop

LOOK_EVERY = 5.0
FORM_EVERY = 60
REST_SECONDS = 60
_KNOWN_FOR = 60
_log = logging.getLogger("likewright.letters")
# Not for secrets: tries of several letters shall not fall on the same second.
_CHANCE = random.Random()  # noqa: S311
_state: WeakKeyDictionary[Workshop, tuple[int, MailState]] = WeakKeyDictionary()


def linked_of(workshop: Workshop) -> Linked:
    """The links of orders, made from the key when they are asked for."""

    def linked(db: Connection, order_id: int) -> str | None:
        token = links.current(db, workshop.folder.key, order_id)
        return f"{workshop.status_url}/{token}/" if token else None

    return linked


@cache
def smtp_url() -> str:
    """The mail server's address, as the house was started with."""
    return Environment.read().smtp_url.strip()


def set_up() -> None:
    """Raise CannotStart where the environment names a mail server that cannot be read."""
    try:
        if smtp_url():
            post.read_url(smtp_url())
    except post.BadUrl as why:
        said = without_secret(smtp_url())
        raise CannotStart(f"LIKEWRIGHT_SMTP_URL cannot be used: {why}. It says “{said}”.") from why


def server_of(workshop: Workshop) -> post.Server | None:
    """The mail server: the environment's, else the one that was typed in. Raises BadUrl."""
    if smtp_url():
        return post.read_url(smtp_url())
    s = workshop.in_force().settings
    if not s.mail_host:
        return None
    password = workshop.folder.mail_password() if s.mail_user else ""
    return post.Server(
        s.mail_host, s.mail_port, s.mail_security == "tls", s.mail_user, password or ""
    )


def words_of_kept(workshop: Workshop, db: Connection, kept: KeptLetter) -> LetterWords | None:
    """A letter as it went or will go, with its link as it is now; None where the text is gone."""
    if kept.letter is None:
        return None
    link = linked_of(workshop)(db, kept.order_id)
    return words_of(kept.letter, kept.line.subject, link)


def way_of(workshop: Workshop) -> post.Way:
    """The way letters leave. An invented studio writes to nobody. Raises BadUrl."""
    server = None if workshop.demo else server_of(workshop)
    return post.Smtp(server) if server else post.Folder(workshop.folder.letters)


def takes_tags(workshop: Workshop) -> bool:
    """Whether the mail server also takes a sender with a letter's tag in it."""
    said = Environment.read().tagged_sender
    return workshop.in_force().settings.mail_tagged if said is None else said


# ---------------------------------------------------------------- what keeps letters from going


def mail_state(workshop: Workshop) -> MailState:
    """How the mail stands; looked up once a minute."""
    now = workshop.now()
    known = _state.get(workshop)
    if known is None or not 0 <= now - known[0] < _KNOWN_FOR:
        with workshop.database.reading() as db:
            known = _state[workshop] = (now, trouble.mail_state(db))
    return known[1]


def look_again(workshop: Workshop) -> None:
    """Letters went or died, or somebody did something about them: look it up anew."""
    _state.pop(workshop, None)


def obstacle(workshop: Workshop) -> str:
    """Why no email is sent at all, as a sentence; empty where they do."""
    since = mail_state(workshop).off_since
    if since is not None:
        zone = workshop.in_force().settings.zone_info()
        when = words.when(since, workshop.now(), zone)
        return (
            f"No email is being sent: the workshop was restored from a backup ({when}). "
            "The owner can turn sending on again on the Emails page."
        )
    if workshop.demo:
        return ""
    host = urlsplit(workshop.public_url).hostname or ""
    if not host or is_loopback(host):
        return (
            "No email is being sent: customers’ links would open nothing, as the workshop has no "
            "public address yet. The owner can enter it under Settings, Set up."
        )
    why = no_way_out(workshop)
    return f"No email is being sent. {why}" if why else ""


def no_way_out(workshop: Workshop) -> str:
    """Why not even a test letter can leave, as a sentence; empty where one can."""
    if workshop.demo:
        return ""
    try:
        mailbox(workshop.in_force().settings.contact_mail)
        way_of(workshop)
    except Unsendable:
        return "The workshop has no email address yet. Enter one in Settings."
    except post.BadUrl as why:
        return f"LIKEWRIGHT_SMTP_URL cannot be used: {why}."
    typed_in = workshop.in_force().settings
    if typed_in.mail_user and not smtp_url() and workshop.folder.mail_password() is None:
        return (
            "The mail server’s password is not on this computer, as no backup holds it. The owner "
            "can enter it again under Settings, Set up."
        )
    return ""


def office_of(workshop: Workshop) -> Office:
    """The studio as it writes. Raises BadUrl."""
    settings = workshop.in_force().settings
    return Office(
        settings.name, settings.contact_mail or "desk@letters.invalid", way_of(workshop),
        linked_of(workshop), workshop.folder.pictures, takes_tags(workshop),
    )  # fmt: skip


def banner(workshop: Workshop) -> str | None:
    """What every staff page says of letters: that none leave, or that they become files."""
    if why := obstacle(workshop):
        return why
    if workshop.demo:
        return "This is a made-up workshop: its emails are saved as files and go to nobody."
    if server_of(workshop) is None:
        return (
            "There is no mail server yet, so emails are saved as files in "
            f"{workshop.folder.letters} and reach nobody. The owner can enter one under Settings, "
            "Set up."
        )
    return None


def trouble_banner(workshop: Workshop) -> str | None:
    """What every staff page says of letters that do not get out."""
    state, now = mail_state(workshop), workshop.now()
    said = []
    if state.trouble is not None and state.trouble.is_said(now) and not obstacle(workshop):
        since = words.when(state.trouble.since, now, workshop.in_force().settings.zone_info())
        said.append(f"Emails have been waiting since {since}. {state.trouble.why}")
    if state.dead:
        them = f"{words.count(state.dead, 'email')} could not be sent"
        said.append(f"{words.capital(them)}. See Emails, “Failed”.")
    return " ".join(said) or None


def dead_letters(workshop: Workshop) -> int:
    """How many letters wait for somebody to see why they cannot go."""
    return mail_state(workshop).dead


def in_order(workshop: Workshop) -> list[InOrder]:
    """How many emails have not gone out, as the owner's page says it."""
    if why := obstacle(workshop) or trouble_banner(workshop):
        return [InOrder(why, good=False, address="/letters")]
    with workshop.database.reading() as db:
        count = counts(db)
    parts = [
        f"{words.count(count[name], 'email')} {what}"
        for name, what in (("waits", "about to go out"), ("held", "held back by somebody"))
        if count[name]
    ]
    said = words.capital(words.listed(parts)) if parts else "No email waits to be sent"
    return [InOrder(f"{said}.", good=not count["held"], address="/letters")]


# ---------------------------------------------------------------- the worker


def form_round(workshop: Workshop) -> int:
    """Note what time brings and form what is due; gives how many letters were formed."""
    in_force, now = workshop.in_force(), workshop.now()
    forming.note_what_time_brings(workshop.database, forming.posting_of(in_force), now)
    formed = forming.form_due(workshop.database, in_force, now)
    if formed:
        look_again(workshop)
    return formed


def send_round(workshop: Workshop, stop: threading.Event | None = None) -> Round:
    """Send what waits, unless something keeps every letter from going."""
    if obstacle(workshop):
        return Round({})
    office = office_of(workshop)
    stopping = stop.is_set if stop is not None else lambda: False
    done = send_due(workshop.database, office, workshop.now, _CHANCE.random, stopping)
    if done.tried:
        trouble.note(workshop.database, done.trouble)
    if done.became:
        look_again(workshop)
    return done


def run(workshop: Workshop, stop: threading.Event) -> None:
    """Form and send letters until `stop` is set. Meant for a thread of the staff server."""
    outbox.release_leases(workshop.database, workshop.now())
    form_at = rest_until = 0
    while not stop.is_set():
        now = workshop.now()
        try:
            # A clock that was put back must not stop the post for an hour.
            if not form_at - FORM_EVERY <= now < form_at:
                form_round(workshop)
                form_at = now + FORM_EVERY
            rests = rest_until - REST_SECONDS <= now < rest_until
            if not rests and not send_round(workshop, stop).reached:
                rest_until = now + REST_SECONDS
        except Exception:
            # Nothing is lost: what was not marked is taken up the next time.
            _log.exception("emails could not be written or sent; trying again")
        stop.wait(LOOK_EVERY)
