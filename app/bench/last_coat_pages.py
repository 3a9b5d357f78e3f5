"""Done at painting for one or several pieces at once: their last coat, asked once for all."""

from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from app.bench.curing import CoatFields, choices, read_coat
from app.flow.steps import MoveKey
from app.moving.effects import MoveDetails
from app.moving.names import named
from app.moving.perform import Seen, perform
from app.shared.errors import BadFields, NotAllowed, NotFound, Refused
from app.shared.web.fields import Line
from app.shared.web.forms import Filled, check
from app.shared.web.refusals import status_of
from app.shared.web.templating import go, new_once, render
from app.staff.rules import same_site
from app.studio.curing import COATED
from app.studio.web import Me, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()
MOST = 100


class LastCoatFields(CoatFields):
    """The last coat of some pieces."""

    once: Line


@router.get("/last-coat", name="last_coat")
def last_coat(
    request: Request,
    workshop: TheWorkshop,
    piece: Annotated[tuple[str, ...], Query()] = (),
    back: str = "/",
) -> Response:
    """What is on the pieces last. `piece` names each with the version that was seen of it, `back`
    the page to go back to."""
    return _page(request, workshop, piece, {"back": back})


@router.post("/last-coat", name="last_coat_done")
def last_coat_done(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """They are painted: all of them or none."""
    pieces, typed = form.many("piece"), form.plain()
    try:
        fields = check(LastCoatFields, typed)
        coat = read_coat(workshop.in_force(), fields, workshop.now())
        said = MoveDetails(coat=coat)
        done = perform(workshop, _seen(pieces), MoveKey.PAINTED, said, me, fields.once)
    except BadFields as why:
        return _page(request, workshop, pieces, typed, why.fields, 422)
    except (NotFound, NotAllowed):
        raise
    except Refused as why:
        return _page(request, workshop, pieces, typed, {"": str(why)}, status_of(why))
    back = same_site(typed.get("back", "/"))
    return go(request, f"{back}{'&' if '?' in back else '?'}done=moved&undo={done.act}")


def _seen(pieces: Sequence[str]) -> list[Seen]:
    seen = [Seen.read(one) for one in dict.fromkeys(pieces)]
    if not seen:
        raise NotFound("Which pieces? Tick them on the benches.")
    if len(seen) > MOST:
        raise Refused(f"At most {MOST} pieces at once, please.")
    return seen


def _page(
    request: Request, workshop: Workshop, pieces: Sequence[str],
    typed: dict[str, str] | None = None, errors: dict[str, str] | None = None, status: int = 200,
) -> Response:  # fmt: skip
    seen = _seen(pieces)
    in_force, now = workshop.in_force(), workshop.now()
    with workshop.database.reading() as db:
        names = [named(db, one.ref).words for one in seen]
    context: dict[str, Any] = {
        "pieces": [f"{one.ref}:{one.version}" for one in seen],
        "names": names,
        "coats": choices(in_force, COATED, now),
        "typed": typed or {},
        "back": same_site((typed or {}).get("back", "/")),
        "errors": errors or {},
        "once": new_once(),
    }
    return render(request, "bench/last_coat.html", context, status)
