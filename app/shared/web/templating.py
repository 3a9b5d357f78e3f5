"""Pages from templates: strict about what is missing, escaping everywhere, no inline anything."""

import secrets
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from app.shared.places import shipped
from app.shared.web import words

# What a page says after an act that led to it, by the short word in its address.
NOTICES = {
    "saved": "Saved.",
    "listed": "On the waiting list. The customer’s page and an email say so.",
    "told": "Their page says the new week, and an email goes with the next ones.",
    "struck": "Off the waiting list. Their page and an email say so.",
    "brought_in": "Brought in. No email was written.",
    "taken_back": "Taken back: all that came with it is gone.",
    "moved": "Moved.",
    "undone": "Undone.",
    "corrected": "Corrected. The figures use the right line. Nothing was sent to the customer.",
    "held": "On hold.",
    "lifted": "No longer on hold.",
    "cancelled": "Cancelled.",
    "asked": "The question is logged.",
    "answered": "The answer is logged.",
    "noted": "Noted.",
    "to_go": "It goes out with the next emails.",
    "already": "Already done: nothing happened twice.",
    "link": "The link was replaced. The old one no longer opens anything.",
    "revoked": "The link is revoked.",
    "test_sent": "The test email was sent.",
    "mail_tried": "Saved. The mail server took a test email: see whether it arrives.",
    "answers": "Saved. Customers’ pages answer there. Whether they’re yours shows once an order "
    "has a link.",
    "answers_ours": "Saved. Your customers’ pages answer there.",
    "erased": "Erased, for good.",
    "released": "It will be on the customer's page within seconds.",
}


@cache
def environment(folder: Path | None = None) -> Environment:
    """The one way in which templates are set up: every suffix is escaped, missing names raise.
    A template is compiled once in a process, whoever asks for it."""
    env = Environment(
        loader=FileSystemLoader(folder or shipped("templates")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    env.globals["words"] = words
    return env


def new_once() -> str:
    """A one-time key for a form, so that a double tap does nothing twice."""
    return secrets.token_urlsafe(12)


def is_partial(request: Request) -> bool:
    """Whether htmx asks for a part of the page rather than a whole one."""
    return request.headers.get("hx-request") == "true" and "hx-boosted" not in request.headers


def render(request: Request, name: str, context: dict[str, Any], status: int = 200) -> HTMLResponse:
    """A page of the staff site. `request.state` carries what every page is given: what costs a
    look, as functions that only a page calls. `now` is said in the studio's `zone`."""
    env: Environment = request.app.state.templates
    studio = getattr(request.state, "studio", lambda: None)()
    frame: dict[str, Any] = {
        "person": getattr(request.state, "person", None),
        "may": getattr(request.state, "may", lambda _: False),
        "studio": studio,
        "now": getattr(request.state, "now", lambda: 0)(),
        "zone": studio and studio.settings.zone_info(),
        "banners": getattr(request.state, "banners", list)(),
        "counts_beside": getattr(request.state, "marks", dict)(),
        "next_step": getattr(request.state, "next_step", lambda: None),
        "path": request.url.path,
        "notice": NOTICES.get(request.query_params.get("done", ""), ""),
        "once": new_once(),
        "fresh_once": new_once,
    }
    body = env.get_template(name).render({**frame, **context})
    return HTMLResponse(body, status, headers={"vary": "HX-Request"})


def sent(jpeg: bytes) -> Response:
    """A picture for the staff, which no browser keeps: a tablet is shared, and is signed out of."""
    headers = {"cache-control": "no-store", "content-disposition": "inline"}
    return Response(jpeg, media_type="image/jpeg", headers=headers)


def go(request: Request, address: str) -> Response:
    """To another page of ours after an act: a redirect, or what htmx takes for one."""
    if is_partial(request):
        return Response(headers={"HX-Redirect": address})
    return RedirectResponse(address, 303)
