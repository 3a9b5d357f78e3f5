"""The one place where refusals become HTTP: a status and a calm page, never a stack trace."""

import logging

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import Response

from app.shared.errors import (
    AlreadyMoved,
    BadFields,
    CannotWrite,
    NotAllowed,
    NotFound,
    Refused,
    TooBusy,
    TooLarge,
)
from app.shared.web.templating import render

log = logging.getLogger("likewright")

STATUS: tuple[tuple[type[Refused], int], ...] = (
    (NotFound, 404),
    (NotAllowed, 403),
    (AlreadyMoved, 409),
    (TooLarge, 413),
    (BadFields, 422),
    (CannotWrite, 503),
    (TooBusy, 503),
    (Refused, 409),
)


def status_of(refused: Refused) -> int:
    """The HTTP status that a refusal stands for."""
    return next(status for kind, status in STATUS if isinstance(refused, kind))


def install(app: FastAPI) -> None:
    """Teach an application to say no in words. Pages are made in threads, these too."""

    @app.exception_handler(Refused)
    def _refused(request: Request, why: Refused) -> Response:
        return sorry(request, str(why), status_of(why))

    @app.exception_handler(RequestValidationError)
    def _invalid(request: Request, why: RequestValidationError) -> Response:
        return sorry(request, "This address does not fit any page.", 404)

    @app.exception_handler(HTTPException)
    def _http(request: Request, why: HTTPException) -> Response:
        text = {404: "There is no such page.", 405: "This page cannot be opened that way."}.get(
            why.status_code, str(why.detail)
        )
        return sorry(request, text, why.status_code)

    @app.exception_handler(Exception)
    def _unforeseen(request: Request, why: Exception) -> Response:
        route = request.scope.get("route")
        log.error("unforeseen error at %s", getattr(route, "name", "?"), exc_info=why)
        text = "Something went wrong here. Nothing was changed. Try again, or tell the owner."
        return sorry(request, text, 500)


def sorry(request: Request, text: str, status: int) -> Response:
    """A page that says no; for htmx only the sentence, to be shown where the act was asked."""
    part = request.headers.get("hx-request") == "true"
    name = "shared/_refusal.html" if part else "shared/refusal.html"
    return render(request, name, {"text": text, "status": status}, status)
