"""The door of the staff site: who is this, and does the table let them through?

`gate` is a dependency of the whole application, so that no page can forget it.
"""

import logging
from collections.abc import Callable, Mapping, Sequence
from functools import cache, partial
from typing import Any
from urllib.parse import quote

from fastapi import FastAPI, Request
from sqlalchemy import Row
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.shared.errors import NotAllowed
from app.shared.people import Person, Role
from app.shared.tokens import key_fingerprint
from app.shared.web.refusals import sorry
from app.shared.web.templating import is_partial
from app.staff import passwords, permissions, rules, store
from app.studio.workshop import Workshop

log = logging.getLogger("likewright.staff")

# What a cookie was called before each studio had a name of its own: who has one stays signed in.
COOKIE = "__Host-likewright"
_SIGNS = 8
Banner = Callable[[Workshop], str | None]
Mark = Callable[[Workshop], int]

_SAFE = frozenset({"GET", "HEAD"})
_SIGNED_OUT = "You are not signed in, so nothing was done. Sign in, then do it again."


class SignInFirst(Exception):
    """Nobody is signed in, and the page is not open to everybody."""


class AlreadySignedIn(Exception):
    """The page is only for somebody who is not signed in."""


def install(
    app: FastAPI, banners: Sequence[Banner] = (), marks: Mapping[str, Mark] | None = None
) -> None:
    """Teach an application what to answer at the door.

    `banners` are asked for each page for a sentence that every page has to say, or None, and
    `marks` how many things of a page, named by its route, somebody has to look at.
    """
    app.state.banners = tuple(banners)
    app.state.marks = dict(marks or {})
    app.state.turns = passwords.Turns()
    app.state.next_step = lambda request: None
    app.state.served_at = ""
    app.state.cookie = cache(partial(cookie_name, app.state.workshop))

    @app.exception_handler(SignInFirst)
    async def _sign_in(request: Request, why: SignInFirst) -> Response:
        if request.method not in _SAFE or is_partial(request):
            return sorry(request, _SIGNED_OUT, 401)
        asked = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        onward = f"?next={quote(asked, safe='/')}" if rules.same_site(asked) != "/" else ""
        return RedirectResponse(f"/sign-in{onward}", 303)

    @app.exception_handler(AlreadySignedIn)
    async def _go_on(request: Request, why: AlreadySignedIn) -> Response:
        onward = rules.same_site(request.query_params.get("next", "/"))
        return RedirectResponse(rules.landing(request.state.person.role, onward), 303)


def cookie_name(workshop: Workshop) -> str:
    """What a studio's cookie is called. A browser keeps cookies by host and not by port: with one
    name for all, two studios on one machine would sign each other out."""
    return f"{COOKIE}-{key_fingerprint(workshop.folder.key)[:_SIGNS]}"


def token_of(request: Request) -> str | None:
    """The text of the cookie that a browser sent for this studio, or None."""
    return request.cookies.get(request.app.state.cookie()) or request.cookies.get(COOKIE)


def may(role: Role | None, route_name: str) -> bool:
    """Whether the table lets somebody with this role (None: not signed in) use a route."""
    row = permissions.TABLE.get(route_name)
    if isinstance(row, frozenset):
        return role in row
    return row == permissions.PUBLIC or (row == permissions.NOBODY_SIGNED_IN and role is None)


async def gate(request: Request) -> None:
    """Find out who asks, and refuse what permissions.TABLE does not give them.

    Sets request.state.person, session_id, version (of the house), may, and the functions studio,
    now, banners, marks and next_step. Raises SignInFirst, AlreadySignedIn or NotAllowed.
    """
    state, token = request.state, token_of(request)
    # Who brings no cookie takes no thread here.
    found = await run_in_threadpool(_session, request, token) if token else None
    person = state.person = (
        Person(found.account_id, Role(found.role), found.name) if found else None
    )
    state.session_id = found.session_id if found else None
    state.version = found.version if found else None
    state.may = partial(may, person.role if person else None)
    state.studio = request.app.state.workshop.in_force
    state.now = request.app.state.workshop.now
    state.banners = partial(_banners, request)
    state.marks = partial(_marks, request)
    state.next_step = partial(request.app.state.next_step, request)
    name = str(getattr(request.scope.get("route"), "name", ""))
    if state.may(name):
        return
    if name not in permissions.TABLE:
        log.error("route %s is in no row of the permissions", name)
    if person is None:
        raise SignInFirst
    if permissions.TABLE.get(name) == permissions.NOBODY_SIGNED_IN:
        raise AlreadySignedIn
    log.warning("account %s refused at %s", person.account_id, name)
    raise NotAllowed(permissions.REFUSAL)


def _session(request: Request, token: str) -> Row[Any] | None:
    workshop: Workshop = request.app.state.workshop
    now = workshop.now()
    with workshop.database.reading() as db:
        found = store.who(db, token, now)
    # Looking at pages writes nothing; only an act keeps a session alive, now and then.
    acts = request.method not in _SAFE
    if found and acts and now - found.seen_at > rules.SEEN_EVERY:
        with workshop.database.writing() as db:
            store.seen(db, found.session_id, now)
    return found


def _banners(request: Request) -> list[str]:
    """What every page has to say to somebody who is signed in."""
    if request.state.person is None:
        return []
    said = (banner(request.app.state.workshop) for banner in request.app.state.banners)
    return [sentence for sentence in said if sentence]


def _marks(request: Request) -> dict[str, int]:
    """How many things of a page, by its route, somebody who may see that page has to look at."""
    state = request.state
    if state.person is None:
        return {}
    marks = request.app.state.marks.items()
    return {name: mark(request.app.state.workshop) for name, mark in marks if state.may(name)}
