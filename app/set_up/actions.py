"""Setting up: what the owner types about how the workshop is reached, how it sends, where its
backups go. Each public function is one act."""

import os
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field

from app.flow.changes import note
from app.letters import trial, worker
from app.letters.message import Unsendable, mailbox
from app.letters.post import Server, Smtp
from app.letters.rules import KINDS
from app.letters.sending import Office
from app.set_up import checking, rules, store
from app.set_up.checking import Answers, NotOurs
from app.shared.countries import COUNTRIES
from app.shared.errors import BadFields
from app.shared.people import Person
from app.shared.settings import Environment
from app.shared.text import problem, tidy
from app.shared.web.fields import Fields, Mail, Tick
from app.shared.web.forms import Form, check
from app.studio import actions as studio
from app.studio.reach import is_loopback, read_address, read_host
from app.studio.rules import line
from app.studio.workshop import Workshop
from app.upkeep.nightly import Backups

_LINKS_TRIED = 3
_LONGEST_PASSWORD = 500
_KIND = next(iter(KINDS))
_BY_ENVIRONMENT = "It is set by {} where the program is started, which counts more than this page."


@dataclass(frozen=True, slots=True)
class GivenBy:
    """What the machine's environment says, and stands above what is typed; empty where nothing."""

    address: str
    mail: bool
    tagged: bool
    backups: str

    @property
    def keys(self) -> frozenset[str]:
        """The steps of setting up that the environment has done."""
        said = {"address": self.address, "mail": self.mail, "backups": self.backups}
        return frozenset(key for key, value in said.items() if value)


def given_by(workshop: Workshop) -> GivenBy:
    """What the environment says of how the workshop is reached, sends and is backed up."""
    said = Environment.read()
    place = Backups.read().backups
    return GivenBy(
        workshop.given_url, bool(worker.smtp_url()), said.tagged_sender is not None,
        str(place) if place else "",
    )  # fmt: skip


def leave_as_it_is(workshop: Workshop, key: str, me: Person) -> None:
    """Note that a step of setting up is right as it stands. Raises BadFields for no such step."""
    if key not in rules.KEYS:
        raise BadFields({"": "There is no such step. Load the page again."})
    left = workshop.in_force().settings.set_up_fine.split()
    said = " ".join(dict.fromkeys([*left, key]))
    _save(workshop, {"set_up_fine": said}, me)


def remind(workshop: Workshop, me: Person, *, over: bool) -> None:
    """Say the next step on Benches and Today no more, or again."""
    _save(workshop, {"set_up_over": over}, me)


class _PlaceFields(Fields):
    zone: Annotated[str, Field(default="")]
    country: Annotated[str, Field(default="")]


def take_place(workshop: Workshop, form: Form, me: Person) -> None:
    """Keep a zone and a country. Raises BadFields."""
    typed = check(_PlaceFields, form.plain())
    if typed.country not in COUNTRIES:
        raise BadFields({"": "There is no such country. Choose one in Settings."})
    _save(workshop, {"zone": typed.zone, "country": typed.country}, me)


def _save(workshop: Workshop, typed: dict[str, object], me: Person) -> None:
    studio.save_some(workshop.database, typed, me, workshop.now())
    workshop.forget()
    workshop.changed.set()


# ---------------------------------------------------------------- the public address


def look_at_address(workshop: Workshop, address: str) -> Answers:
    """Ask whether customers' pages answer at an address. Raises NotOurs."""
    with workshop.database.reading() as db:
        tokens = store.live_tokens(db, workshop.folder.key, workshop.now(), _LINKS_TRIED)
    return checking.look(address, tokens)


def set_address(workshop: Workshop, form: Form, me: Person) -> Answers | None:
    """Keep the address of customers' pages, once they were seen to answer there or unasked; gives
    what was seen.

    Raises BadFields: an address that will not do, or why it was not kept.
    """
    try:
        address = read_address(form["address"])
    except ValueError as why:
        raise BadFields({"address": str(why)}) from None
    if given_by(workshop).address:
        raise BadFields({"address": _BY_ENVIRONMENT.format("LIKEWRIGHT_PUBLIC_URL")})
    found = None
    if address and form.get("act") != "unseen":
        if is_loopback(urlsplit(address).hostname or ""):
            raise BadFields({"address": "That is this computer: no customer can reach it."})
        try:
            found = look_at_address(workshop, address)
        except NotOurs as why:
            raise BadFields({"address": f"{why} Nothing was saved."}) from None
        if found.tried and not found.opened:
            raise BadFields({"address": f"{found} Nothing was saved."})
    _save(workshop, {"public_address": address}, me)
    return found


# ---------------------------------------------------------------- the mail server


def _host(value: str) -> str:
    return read_host(tidy(value))


def _password(value: str) -> str:
    if len(value) > _LONGEST_PASSWORD or not value.isprintable():
        raise ValueError("That can’t be a password: it is too long, or has a line break in it.")
    return value


class MailServerFields(Fields):
    """The mail server as typed. An empty password leaves the one that is kept."""

    mail_host: Annotated[str, Field(default=""), AfterValidator(_host)]
    mail_port: Annotated[int, Field(default=587, ge=1, le=65_535)]
    mail_security: Annotated[Literal["starttls", "tls"], Field(default="starttls")]
    mail_user: Annotated[str, Field(default=""), AfterValidator(line(254))]
    mail_tagged: Tick
    password: Annotated[str, Field(default=""), AfterValidator(_password)]
    to: Mail


def set_mail_server(workshop: Workshop, form: Form, me: Person) -> bool:
    """Keep the mail server, once it has taken a test letter or unasked; whether one was sent.

    Raises BadFields with what will not do, or with the server's own words; nothing is kept then.
    """
    typed = check(MailServerFields, form.plain())
    if given_by(workshop).mail:
        raise BadFields({"": _BY_ENVIRONMENT.format("LIKEWRIGHT_SMTP_URL")})
    settings = workshop.in_force().settings
    password = typed.password
    if typed.mail_host and typed.mail_user and not password:
        kept = workshop.folder.mail_password()
        same = (typed.mail_host, typed.mail_user) == (settings.mail_host, settings.mail_user)
        if kept is None or not same:
            # A password goes to the server that it was typed for, and to no other.
            raise BadFields({"password": "Type the password that goes with this server and name."})
        password = kept
    tried = bool(typed.mail_host) and form.get("act") != "unseen"
    if tried:
        _try_out(workshop, typed, password, me)
    workshop.folder.keep_mail_password(password if typed.mail_host and typed.mail_user else "")
    _save(workshop, typed.model_dump(exclude={"password", "to"}), me)
    if typed.password:
        with workshop.database.writing() as db:
            note(db, me.account_id, workshop.now(), "settings", "mail_password")
    worker.look_again(workshop)
    return tried


def _try_out(workshop: Workshop, typed: MailServerFields, password: str, me: Person) -> None:
    settings = workshop.in_force().settings
    to = typed.to or settings.contact_mail
    if not to:
        raise BadFields({"to": "Which address should the test email go to?"})
    try:
        mailbox(settings.contact_mail)
    except Unsendable:
        raise BadFields({"": worker.no_way_out(workshop)}) from None
    server = Server(
        typed.mail_host, typed.mail_port, typed.mail_security == "tls", typed.mail_user, password
    )
    way = worker.way_of(workshop) if workshop.demo else Smtp(server)
    office = Office(
        settings.name, settings.contact_mail, way, worker.linked_of(workshop),
        workshop.folder.pictures, typed.mail_tagged,
    )  # fmt: skip
    trial.deliver(workshop, office, to, _KIND, me)


# ---------------------------------------------------------------- backups


def set_backups_folder(workshop: Workshop, form: Form, me: Person) -> None:
    """Keep where the nightly backups go; empty puts them beside the data.

    Raises BadFields for a folder that cannot be written, or that lies in the data.
    """
    typed = tidy(form["backups_folder"])
    if given_by(workshop).backups:
        raise BadFields({"backups_folder": _BY_ENVIRONMENT.format("LIKEWRIGHT_BACKUPS")})
    if (wrong := problem(typed, 300)) is not None:
        raise BadFields({"backups_folder": wrong})
    if typed:
        _refuse_folder(Path(typed), workshop.folder.path.resolve())
    _save(workshop, {"backups_folder": typed}, me)


def on_the_data_disk(workshop: Workshop, place: Path) -> bool:
    """Whether backups lie on the disk of the data, so that one fault takes both."""
    there = next((one for one in (place, *place.parents) if one.exists()), place)
    try:
        return there.stat().st_dev == workshop.folder.path.stat().st_dev
    except OSError:
        return False


def _refuse_folder(place: Path, data: Path) -> None:
    if not place.is_absolute():
        raise BadFields({"backups_folder": "The whole path, please, as in /mnt/disk/backups."})
    try:
        place = place.resolve()
        if place == data or data in place.parents:
            raise BadFields(
                {"backups_folder": "Not inside the workshop’s own data: it could go with it."}
            )
        place.mkdir(mode=0o700, exist_ok=True)
        with tempfile.TemporaryFile(dir=place) as trial_file:
            trial_file.write(b"Likewright")
            os.fsync(trial_file.fileno())
    except (OSError, ValueError, RuntimeError) as why:
        said = getattr(why, "strerror", None) or "it cannot be read"
        raise BadFields({"backups_folder": f"Nothing can be written there: {said}."}) from None
