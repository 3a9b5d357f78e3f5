"""The page that a monitor asks for."""

from fastapi import APIRouter
from starlette.responses import PlainTextResponse, Response

from app.studio.web import TheWorkshop
from app.upkeep.health import answers

router = APIRouter()


@router.get("/health", name="health")
def health(workshop: TheWorkshop) -> Response:
    """200 where the house answers, else 503; for anybody, since it says nothing else."""
    if answers(workshop):
        return PlainTextResponse("well\n")
    return PlainTextResponse("not well\n", 503)
