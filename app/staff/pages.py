"""Sign-in, the links that let somebody in, one's own password, and the owner's accounts page."""

import asyncio
from collections.abc import Callable
from typing import Any
from urllib.parse import urlsplit

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.shared.database import Database
from app.shared.errors import BadFields, NotFound, Refused, TooBusy
from app.shared.people import Person, Role
from app.shared.text import whole_number
from app.shared.web.forms import Filled, Form
from app.shared.web.refusals import status_of
from app.shared.web.templating import render
from app.staff import actions, links, rules, sessions, store
from app.staff.gate import COOKIE, token_of
from app.studio.reach import is_loopback
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()

ROLES = [
    (Role.BENCH.value, "bench: makes the pieces"),
    (Role.DESK.value, "office: orders, customers, emails"),
    (Role.OWNER.value, "owner: everything, including accounts and settings"),
]
_TWICE = "The two are not the same. Type it twice, please."


# Signing in and out


@router.get("/sign-in", name="sign_in")
def sign_in(request: Request) -> Response:
    """The door."""
    onward = rules.same_site(request.query_params.get("next", "/"))
    return _door(request, {"next": onward}, {})


@router.post("/sign-in", name="sign_in_try")
async def sign_in_try(request: Request, workshop: TheWorkshop, form: Filled) -> Response:
    """A name and a password. Whoever was signed in in this browser is signed out."""
    try:
        with request.app.state.turns.one(workshop.now()):
            return await run_in_threadpool(_look_at, request, workshop, form)
    except TooBusy as why:
        await asyncio.sleep(rules.REFUSED_AFTER)
        answer = _door(request, _typed(form), {"": str(why)}, status_of(why))
        answer.headers["retry-after"] = str(why.seconds)
        return answer


def _typed(form: Form) -> dict[str, str]:
    plain = form.plain()
    return {"name": plain.get("name", ""), "next": plain.get("next", "/")}


def _look_at(request: Request, workshop: Workshop, form: Form) -> Response:
    typed = _typed(form)
    try:
        token = sessions.sign_in(workshop.database, form["name"], form["password"], workshop.now())
        onward = rules.same_site(form["next"])
    except BadFields as why:
        return _door(request, typed, why.fields, 422)
    except sessions.SlowDown as why:
        answer = _door(request, typed, {"password": str(why)}, 429)
        answer.headers["retry-after"] = str(why.seconds)
        return answer
    return _signed_in(request, workshop, token, onward)


def _door(
    request: Request, typed: dict[str, str], errors: dict[str, str], status: int = 200
) -> Response:
    typed["next"] = rules.same_site(typed["next"])
    return render(request, "staff/sign_in.html", {"typed": typed, "errors": errors}, status)


def _signed_in(request: Request, workshop: Workshop, token: str, onward: str = "/") -> Response:
    if before := token_of(request):
        sessions.sign_out(workshop.database, before, workshop.now())
    with workshop.database.reading() as db:
        found = store.who(db, token, workshop.now())
    onward = rules.landing(Role(found.role), onward) if found else onward
    return _with_cookie(request, onward, token)


def _with_cookie(request: Request, onward: str, token: str) -> Response:
    answer = RedirectResponse(onward, 303)
    answer.set_cookie(
        request.app.state.cookie(),
        token,
        max_age=rules.ABSOLUTE,
        path="/",
        secure=True,
        httponly=True,
        samesite="lax",
    )
    return answer


# Another name at the same bench


@router.get("/switch/{account_id}", name="switch_person")
def switch_person(request: Request, workshop: TheWorkshop, account_id: RowId) -> Response:
    """The four digits of a name, where the owner wants them."""
    return _pin_page(request, workshop, account_id, {})


@router.post("/switch", name="switch_person_do")
async def switch_person_do(request: Request, workshop: TheWorkshop, form: Filled) -> Response:
    """Go on as somebody else of the bench in this browser."""
    try:
        with request.app.state.turns.one(workshop.now()):
            return await run_in_threadpool(_switch, request, workshop, form)
    except TooBusy as why:
        await asyncio.sleep(rules.REFUSED_AFTER)
        answer = _pin_page(request, workshop, _account(form), {"pin": str(why)}, status_of(why))
        answer.headers["retry-after"] = str(why.seconds)
        return answer


def _account(form: Form) -> int:
    account_id = whole_number(form.get("account"))
    if account_id is None:
        raise NotFound("Nobody of the bench has that name now. Load the page again.")
    return account_id


def _switch(request: Request, workshop: Workshop, form: Form) -> Response:
    account_id, state = _account(form), request.state
    try:
        token = sessions.switch(
            workshop.database, state.session_id, token_of(request) or "", account_id,
            form.get("pin"), workshop.now(),
        )  # fmt: skip
    except BadFields as why:
        return _pin_page(request, workshop, account_id, why.fields, 422)
    except sessions.SlowDown as why:
        answer = _pin_page(request, workshop, account_id, {"pin": str(why)}, 429)
        answer.headers["retry-after"] = str(why.seconds)
        return answer
    return _with_cookie(request, rules.MY_BENCH, token)


def _pin_page(
    request: Request, workshop: Workshop, account_id: int, errors: dict[str, str], status: int = 200
) -> Response:
    with workshop.database.reading() as db:
        people = {person.id: person for person in store.bench_people(db)}
    if account_id not in people:
        raise NotFound("Nobody of the bench has that name now. Load the page again.")
    context = {"who": people[account_id], "errors": errors, "length": rules.PIN_LENGTH}
    return render(request, "staff/switch.html", context, status)


@router.post("/sign-out", name="sign_out")
def sign_out(request: Request, workshop: TheWorkshop) -> Response:
    """The end of a session, here and on the server."""
    if token := token_of(request):
        sessions.sign_out(workshop.database, token, workshop.now())
    answer = RedirectResponse("/sign-in", 303)
    for name in {request.app.state.cookie(), COOKIE} & request.cookies.keys():
        answer.delete_cookie(name, path="/", secure=True, httponly=True, samesite="lax")
    return answer


# Links that let somebody in


@router.get("/in/{token}", name="link")
def link(request: Request, workshop: TheWorkshop, token: str) -> Response:
    """What a link is for, with the button that uses it. Looking at it uses nothing."""
    return _link_page(request, workshop, token, {}, {})


@router.post("/in/{token}", name="link_use")
def link_use(request: Request, workshop: TheWorkshop, token: str, form: Filled) -> Response:
    """Use the link."""
    studio_name = workshop.in_force().settings.name
    try:
        if form["again"] != form["password"]:
            raise BadFields({"again": _TWICE})
        with workshop.database.reading() as db:
            purpose = links.look_at_link(db, token, workshop.now(), demo=workshop.demo).purpose
        session = links.use_link(
            workshop.database, token, form["name"], form["password"], studio_name,
            workshop.now(), demo=workshop.demo,
        )  # fmt: skip
    except BadFields as why:
        return _link_page(
            request, workshop, token, {"name": form.plain().get("name", "")}, why.fields, 422
        )
    onward = rules.SET_UP if purpose == "first" else "/"
    return _signed_in(request, workshop, session, onward)


def _link_page(
    request: Request,
    workshop: Workshop,
    token: str,
    typed: dict[str, str],
    errors: dict[str, str],
    status: int = 200,
) -> Response:
    with workshop.database.reading() as db:
        found = links.look_at_link(db, token, workshop.now(), demo=workshop.demo)
    context = {
        "purpose": found.purpose,
        "name": found.name,
        "role": found.role,
        "hint": rules.PASSWORD_HINT,
        "longest": rules.LONGEST_PASSWORD,
        "typed": typed,
        "errors": errors,
    }
    return render(request, "staff/link.html", context, status)


# One's own password


@router.get("/me", name="own_password")
def own_password(request: Request) -> Response:
    """One's own account: a new password."""
    return _own(request, {})


@router.post("/me", name="own_password_change")
def own_password_change(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Change one's password; other browsers are signed out."""
    try:
        if form["again"] != form["password"]:
            raise BadFields({"again": _TWICE})
        sessions.change_password(
            workshop.database, me, request.state.session_id, form["current"],
            form["password"], workshop.in_force().settings.name, workshop.now(),
        )  # fmt: skip
    except BadFields as why:
        return _own(request, why.fields, 422)
    except sessions.SlowDown as why:
        return _own(request, {"current": str(why)}, 429)
    return RedirectResponse("/me?done=saved", 303)


def _own(request: Request, errors: dict[str, str], status: int = 200) -> Response:
    context = {"errors": errors, "hint": rules.PASSWORD_HINT, "longest": rules.LONGEST_PASSWORD}
    return render(request, "staff/own_password.html", context, status)


# Accounts


@router.get("/accounts", name="accounts")
def accounts(request: Request, workshop: TheWorkshop) -> Response:
    """Who can sign in, and who is invited."""
    return _accounts(request, workshop)


@router.post("/accounts", name="account_invite")
def account_invite(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Invite somebody. The link is shown this once: only its hash is kept."""
    try:
        path = actions.invite(workshop.database, me, form["name"], form["role"], workshop.now())
    except BadFields as why:
        return _accounts(request, workshop, 422, typed=form.plain(), errors=why.fields)
    served = _served_at(request)
    invited = {
        "name": form["name"].strip(),
        "address": served + path,
        "here_only": is_loopback(urlsplit(served).hostname or ""),
    }
    return _accounts(request, workshop, invited=invited)


def _served_at(request: Request) -> str:
    """The address that colleagues type: as this page was asked for, or, where that was on this
    machine itself, the one that the house is served at."""
    here = is_loopback(request.base_url.hostname or "")
    served: str = request.app.state.served_at if here else ""
    return served or str(request.base_url).rstrip("/")


@router.post("/accounts/invitations/{link_id}/take-back", name="invitation_take_back")
def invitation_take_back(workshop: TheWorkshop, me: Me, link_id: RowId) -> Response:
    """Take an invitation back."""
    actions.take_back_invitation(workshop.database, me, link_id)
    return RedirectResponse("/accounts?done=saved", 303)


@router.post("/accounts/{account_id}/role", name="account_role")
def account_role(
    request: Request, workshop: TheWorkshop, me: Me, account_id: RowId, form: Filled
) -> Response:
    """Give somebody another role."""

    def change(database: Database, by: Person, account: int, now: int) -> None:
        actions.change_role(database, by, account, form["role"], now)

    return _at_row(request, workshop, me, account_id, change)


@router.post("/accounts/{account_id}/off", name="account_off")
def account_off(request: Request, workshop: TheWorkshop, me: Me, account_id: RowId) -> Response:
    """Switch an account off."""
    return _at_row(request, workshop, me, account_id, actions.switch_off)


@router.post("/accounts/{account_id}/on", name="account_on")
def account_on(request: Request, workshop: TheWorkshop, me: Me, account_id: RowId) -> Response:
    """Switch an account on again."""
    return _at_row(request, workshop, me, account_id, actions.switch_on)


@router.post("/accounts/{account_id}/pin", name="account_pin")
def account_pin(
    request: Request, workshop: TheWorkshop, me: Me, account_id: RowId, form: Filled
) -> Response:
    """Give a name of the bench a PIN, or take it away."""

    def change(database: Database, by: Person, account: int, now: int) -> None:
        actions.set_pin(database, by, account, form["pin"], now)

    return _at_row(request, workshop, me, account_id, change)


def _at_row(
    request: Request,
    workshop: Workshop,
    me: Person,
    account_id: int,
    act: Callable[[Database, Person, int, int], None],
) -> Response:
    try:
        act(workshop.database, me, account_id, workshop.now())
    except Refused as why:
        # What the owner may not do is said at the account's own row.
        return _accounts(request, workshop, status_of(why), refused={account_id: str(why)})
    return RedirectResponse("/accounts?done=saved", 303)


def _accounts(request: Request, workshop: Workshop, status: int = 200, **more: Any) -> Response:
    now = workshop.now()
    with workshop.database.reading() as db:
        everybody = store.every_account(db)
        invitations = store.open_invitations(db, now)
    context = {
        "accounts": everybody,
        "invitations": invitations,
        "roles": ROLES,
        "invited": None,
        "refused": {},
        "typed": {"role": Role.BENCH.value},
        "errors": {},
    }
    return render(request, "staff/accounts.html", {**context, **more}, status)
