"""Set up: what is done and what is not, the address of customers' pages, the mail server, the
backups' place."""

from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from app.letters import worker
from app.letters.post import BadUrl
from app.set_up import actions, rules, store
from app.set_up.rules import InTheHouse, SetUpStep
from app.shared.countries import COUNTRIES
from app.shared.errors import BadFields
from app.shared.web.forms import Filled
from app.shared.web.templating import go, render
from app.studio import places
from app.studio.web import Me, TheWorkshop
from app.studio.workshop import Workshop
from app.upkeep.nightly import backups_folder, kept

router = APIRouter()
_AS_TYPED = ("mail_host", "mail_port", "mail_security", "mail_user")


def _found(workshop: Workshop) -> InTheHouse:
    with workshop.database.reading() as db:
        row = store.counted(db, workshop.now())
    own = any(own for _, _, own in workshop.pace().values())
    given = actions.given_by(workshop).keys
    return InTheHouse(**row._mapping, own_pace=own, given=given)


def next_step(request: Request) -> SetUpStep | None:
    """What an owner should set up next, for the pages that say it; None for everybody else, and
    where nothing is left to be done."""
    workshop: Workshop = request.app.state.workshop
    settings = workshop.in_force().settings
    if workshop.demo or settings.set_up_over or not request.state.may("set_up"):
        return None
    return rules.next_step(settings, _found(workshop))


@router.get("/set-up", name="set_up")
def set_up(request: Request, workshop: TheWorkshop) -> Response:
    """The list: what is done, what is not, each with its link and why."""
    return _set_up(request, workshop, {})


@router.post("/set-up/as-it-is", name="set_up_as_it_is")
def as_it_is(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """A step is right as it stands."""
    try:
        actions.leave_as_it_is(workshop, form["step"], me)
    except BadFields as why:
        return _set_up(request, workshop, why.fields, 422)
    return go(request, "/set-up?done=saved")


@router.post("/set-up/reminders", name="set_up_reminders")
def reminders(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """That will do: nobody is reminded any more; or again."""
    try:
        actions.remind(workshop, me, over=form["over"] == "1")
    except BadFields as why:
        return _set_up(request, workshop, why.fields, 422)
    return go(request, "/set-up?done=saved")


@router.post("/set-up/place", name="set_up_place")
def place(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Take the zone and the country that this machine seems to be in."""
    try:
        actions.take_place(workshop, form, me)
    except BadFields as why:
        return _set_up(request, workshop, {"": str(why)}, 422)
    return go(request, "/set-up?done=saved")


def _set_up(
    request: Request, workshop: Workshop, errors: dict[str, str], status: int = 200
) -> Response:
    settings = workshop.in_force().settings
    steps = rules.steps(settings, _found(workshop))
    zone, country = places.guessed()
    named = COUNTRIES.get(country, "")
    context = {
        "steps": steps,
        "open": [one for one in steps if one.is_open],
        "over": settings.set_up_over,
        "guess": {"zone": zone, "country": country, "named": named} if named else None,
        "errors": errors,
    }
    return render(request, "set_up/set_up.html", context, status)


# ---------------------------------------------------------------- the public address


@router.get("/set-up/address", name="set_up_address")
def address(request: Request, workshop: TheWorkshop) -> Response:
    """Where customers reach their pages."""
    typed = {"address": workshop.in_force().settings.public_address}
    return _address(request, workshop, typed, {})


@router.post("/set-up/address", name="set_up_address_save")
def address_save(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Look whether customers' pages answer there, and keep it."""
    try:
        found = actions.set_address(workshop, form, me)
    except BadFields as why:
        return _address(request, workshop, form.plain(), why.fields, 422)
    done = "saved" if found is None else "answers_ours" if found.opened else "answers"
    return go(request, f"/set-up/address?done={done}")


def _address(
    request: Request,
    workshop: Workshop,
    typed: dict[str, str],
    errors: dict[str, str],
    status: int = 200,
) -> Response:
    given = actions.given_by(workshop).address
    context = {"typed": typed, "errors": errors, "given": given}
    return render(request, "set_up/address.html", context, status)


# ---------------------------------------------------------------- the mail server


@router.get("/set-up/mail", name="set_up_mail")
def mail(request: Request, workshop: TheWorkshop) -> Response:
    """The mail server, without its password."""
    s = workshop.in_force().settings
    typed = {name: str(getattr(s, name)) for name in _AS_TYPED}
    typed |= {"mail_tagged": "1" if s.mail_tagged else "", "to": s.contact_mail}
    return _mail(request, workshop, typed, {})


@router.post("/set-up/mail", name="set_up_mail_save")
def mail_save(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Send a test letter by it, and keep it once the server has taken the letter."""
    try:
        tried = actions.set_mail_server(workshop, form, me)
    except BadFields as why:
        return _mail(request, workshop, form.plain(), why.fields, 422)
    return go(request, f"/set-up/mail?done={'mail_tried' if tried else 'saved'}")


def _mail(
    request: Request,
    workshop: Workshop,
    typed: dict[str, str],
    errors: dict[str, str],
    status: int = 200,
) -> Response:
    given = actions.given_by(workshop)
    context: dict[str, Any] = {
        "typed": typed,
        "errors": errors,
        "given": _server_words(workshop) if given.mail else "",
        "given_tagged": given.tagged,
        "has_password": workshop.folder.mail_password() is not None,
        "contact_mail": workshop.in_force().settings.contact_mail,
    }
    return render(request, "set_up/mail.html", context, status)


def _server_words(workshop: Workshop) -> str:
    """The mail server of the environment, without its password."""
    try:
        server = worker.server_of(workshop)
    except BadUrl:
        return "an address that cannot be read"
    if server is None:
        return ""
    return f"{server.host}, port {server.port}" + (f", as {server.user}" if server.user else "")


# ---------------------------------------------------------------- backups


@router.get("/set-up/backups", name="set_up_backups")
def backups(request: Request, workshop: TheWorkshop) -> Response:
    """Where the nightly backups go, and the last of them."""
    typed = {"backups_folder": workshop.in_force().settings.backups_folder}
    return _backups(request, workshop, typed, {})


@router.post("/set-up/backups", name="set_up_backups_save")
def backups_save(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Keep where the backups go."""
    try:
        actions.set_backups_folder(workshop, form, me)
    except BadFields as why:
        return _backups(request, workshop, form.plain(), why.fields, 422)
    return go(request, "/set-up/backups?done=saved")


def _backups(
    request: Request,
    workshop: Workshop,
    typed: dict[str, str],
    errors: dict[str, str],
    status: int = 200,
) -> Response:
    place = backups_folder(workshop)
    there = kept(place)
    context = {
        "typed": typed,
        "errors": errors,
        "given": actions.given_by(workshop).backups,
        "place": place,
        "last": there[-1][0] if there else None,
        "count": len(there),
        "one_disk": actions.on_the_data_disk(workshop, place),
    }
    return render(request, "set_up/backups.html", context, status)
