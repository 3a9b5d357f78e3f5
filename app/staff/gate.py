"""The door of the staff site: who is this, and does the table let them through?

`gate` is a dependency of the whole application, so that no page can forget it.
"""

import logging
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from urllib.parse import quote

from fastapi import FastAPI, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from app.shared.errors import NotAllowed
from app.shared.people import Person, Role
from app.shared.web.refusals import sorry
from app.shared.web.templating import is_partial
from app.staff import permissions, rules, store
from app.staff.sessions import hash_of
from app.studio.workshop import Workshop

log = logging.getLogger("likewright.staff")

COOKIE = "__Host-likewright"
Banner = Callable[[Workshop], str | None]
Mark = Callable[[Workshop], int]

_SAFE = frozenset({"GET", "HEAD"})
_SIGNED_OUT = "You are not signed in here, so nothing was done. Sign in, then come back and repeat."


class SignInFirst(Exception):
    """Nobody is signed in, and the page is not open to everybody."""


class AlreadySignedIn(Exception):
    """The page is only for somebody who is not signed in."""


def install(
    app: FastAPI, banners: Sequence[Banner] = (), marks: Mapping[str, Mark] | None = None
) -> None:
    """Teach an application what to answer at the door.

    Before each page `banners` are asked for a sentence that every page has to say, or None, and
    `marks` how many things of a page, named by its route, somebody has to look at.
    """
    app.state.banners = tuple(banners)
    app.state.marks = dict(marks or {})

    @app.exception_handler(SignInFirst)
    async def _sign_in(request: Request, why: SignInFirst) -> Response:
        if request.method not in _SAFE or is_partial(request):
            return sorry(request, _SIGNED_OUT, 401)
        asked = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        onward = f"?next={quote(asked, safe='/')}" if rules.same_site(asked) != "/" else ""
        return RedirectResponse(f"/sign-in{onward}", 303)

    @app.exception_handler(AlreadySignedIn)
    async def _go_on(request: Request, why: AlreadySignedIn) -> Response:
        return RedirectResponse(rules.same_site(request.query_params.get("next", "/")), 303)


async def gate(request: Request) -> None:
    """Find out who asks, and refuse what permissions.TABLE does not give them.

    Sets request.state.person, session_id, may, studio, banners and marks. Raises SignInFirst,
    AlreadySignedIn or NotAllowed.
    """
    await run_in_threadpool(_recognise, request)
    name = str(getattr(request.scope.get("route"), "name", ""))
    if name not in permissions.TABLE:
        log.error("route %s is in no row of the permissions", name)
    if request.state.may(name):
        return
    if request.state.person is None:
        raise SignInFirst
    if permissions.TABLE.get(name) == permissions.NOBODY_SIGNED_IN:
        raise AlreadySignedIn
    log.warning("account %s refused at %s", request.state.person.account_id, name)
    raise NotAllowed(permissions.REFUSAL)


def _recognise(request: Request) -> None:
    workshop: Workshop = request.app.state.workshop
    now = workshop.now()
    token = request.cookies.get(COOKIE)
    found = None
    if token:
        with workshop.database.reading() as db:
            found = store.who(db, hash_of(token), now)
    state = request.state
    state.person = Person(found.account_id, Role(found.role), found.name) if found else None
    state.session_id = found.session_id if found else None
    state.may = partial(permissions.may, state.person.role if state.person else None)
    state.studio = workshop.in_force()
    said = (banner(workshop) for banner in request.app.state.banners) if found else ()
    state.banners = [sentence for sentence in said if sentence]
    marks = request.app.state.marks.items() if found else ()
    state.marks = {name: mark(workshop) for name, mark in marks if state.may(name)}
    # Looking at pages writes nothing; only an act keeps a session alive, now and then.
    acts = request.method not in _SAFE
    if found and acts and now - found.seen_at > rules.SEEN_EVERY:
        with workshop.database.writing() as db:
            store.seen(db, found.session_id, now)
