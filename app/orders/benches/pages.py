"""The Benches page: drawn whole, asked again every few seconds, moved on from by a tap."""

from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache, partial
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from jinja2 import Environment
from starlette.responses import RedirectResponse, Response

from app.flow.rules import Kind
from app.flow.steps import BENCHES, Step
from app.flow.store import Ref
from app.moving.effects import AskFirst
from app.orders.benches import moves, view, words
from app.orders.benches import store as benches_store
from app.orders.benches.aside import aside_of
from app.orders.benches.moves import AskElsewhere, DoneWords, Press
from app.orders.benches.view import SHOW_WORDS, Looking, Show
from app.shared.errors import BadFields, NotFound, Refused
from app.shared.people import Person
from app.shared.text import whole_number
from app.shared.web.forms import Filled
from app.shared.web.refusals import status_of
from app.shared.web.templating import go, is_partial, new_once, render
from app.studio.web import Me, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()


@dataclass(frozen=True, slots=True)
class Seeing:
    """What an address asks to see: which pieces, whose form is open, which act can be undone."""

    show: Show = Show.ALL
    by: date | None = None
    aside: str = ""
    undo: int | None = None
    bench: Step | None = None

    @classmethod
    def read(cls, values: dict[str, str]) -> "Seeing":
        """From an address or a form. What makes no sense there is passed over."""
        show, by, aside = values.get("show", ""), values.get("by", ""), values.get("aside", "")
        undo, bench = values.get("undo", ""), values.get("bench", "")
        try:
            day = date.fromisoformat(by)
        except ValueError:
            day = None
        try:
            piece = str(Ref.read(aside)) if aside else ""
        except NotFound:
            piece = ""
        known = Show(show) if show in tuple(Show) else Show.ALL
        alone = Step(bench) if bench in BENCHES else None
        return cls(known, day, piece, whole_number(undo), alone)

    def query(self, **more: object) -> str:
        """The filter as the end of an address: "" or "?show=mine"."""
        values: dict[str, object] = {}
        if self.bench is not None:
            values["bench"] = self.bench
        if self.show is not Show.ALL:
            values["show"] = self.show
        if self.by is not None:
            values["by"] = self.by.isoformat()
        values |= {name: value for name, value in more.items() if value}
        return f"?{urlencode(values)}" if values else ""


@router.get("/", name="benches")
def benches_page(request: Request, workshop: TheWorkshop, me: Me) -> Response:
    """The benches, as the address filters them."""
    return _page(request, workshop, me, Seeing.read(dict(request.query_params)))


@router.get("/benches/bands", name="benches_bands")
def bands(request: Request, workshop: TheWorkshop, me: Me) -> Response:
    """What the asker's page shows otherwise, or 204 where nothing was written since its version."""
    if request.query_params.get("v") == _stamp(request.state.version, workshop.now()):
        return Response(status_code=204)
    return _page(request, workshop, me, Seeing.read(dict(request.query_params)), part=True)


@router.post("/benches/move", name="benches_move")
def move(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """A tap: a move, several ticked ones, a setting aside, or a form to be opened for it."""
    typed = form.plain()
    seeing = Seeing.read({name: typed.get(name, "") for name in ("show", "by", "bench")})
    ticks = frozenset(form.many("tick"))
    if "open" in form:
        opened = Seeing.read({**typed, "aside": typed["open"]})
        return _page(request, workshop, me, opened, ticks=ticks)
    pressed = form.get("move")
    if not pressed:
        return _back(request, workshop, me, seeing)
    try:
        press = Press.read(pressed, form.many("tick"))
        aside = aside_of(form, workshop) if press.what is Kind.ASIDE else None
        done = moves.carry_out(workshop, press, me, form.get("once"), aside)
    except BadFields as why:
        stays = replace(seeing, aside=typed.get("piece", ""))
        said = moves.Said(why.fields.get("", ""), errors=why.fields, typed=typed)
        return _page(request, workshop, me, stays, said, ticks=ticks, status=422)
    except AskElsewhere as why:
        return go(request, why.address)
    except AskFirst as why:
        said = moves.Said(str(why), press.yes(why.about), why.label)
        return _page(request, workshop, me, seeing, said, ticks=ticks, status=status_of(why))
    except Refused as why:
        # The bands as they stand now, with the reason above them: nothing that was ticked is lost.
        said = moves.Said(str(why))
        return _page(request, workshop, me, seeing, said, ticks=ticks, status=status_of(why))
    if is_partial(request):
        kept = ticks if press.step is None else frozenset()
        return _page(request, workshop, me, replace(seeing, undo=done.act), ticks=kept)
    notices = {Kind.START: "noted", Kind.ASIDE: "noted", Kind.LIFT: "lifted"}
    notice = notices.get(press.what, "moved") if isinstance(press.what, Kind) else "moved"
    return RedirectResponse("/" + seeing.query(done=notice, undo=done.act), 303)


def _back(request: Request, workshop: Workshop, me: Person, seeing: Seeing) -> Response:
    """Nothing was pressed: the same page again."""
    if is_partial(request):
        return _page(request, workshop, me, seeing)
    return RedirectResponse("/" + seeing.query(), 303)


def _stamp(version: int, now: int) -> str:
    return f"{version}-{now // view.REDRAW_EVERY}"


def _page(
    request: Request,
    workshop: Workshop,
    me: Person,
    seeing: Seeing,
    said: moves.Said | None = None,
    *,
    ticks: frozenset[str] = frozenset(),
    part: bool = False,
    status: int = 200,
) -> Response:
    """The whole page, or for htmx the bands alone: those that its page does not show already."""
    now, in_force = workshop.now(), workshop.in_force()
    with workshop.database.reading() as db:
        version = benches_store.version(db)
        lines = benches_store.lines(db)
        asked = benches_store.asked(db)
        undo = moves.just_done(db, seeing.undo, now)
    zone, blank_on = in_force.calendar.zone, in_force.settings.blank_on
    look = Looking(
        me, now, zone, workshop.pace(), workshop.chances(), blank_on, seeing.show, seeing.by,
        seeing.aside, seeing.bench,
    )  # fmt: skip
    context = _context(request, seeing, view.assemble(lines, asked, look), undo)
    context |= {
        "said": said or moves.Said(),
        "ticks": ticks,
        # What is wrong in an open form is no part of its band, which then is sent in any case.
        "shown": [] if said and said.errors else request.headers.get("bands-shown", "").split(),
        "untils": words.untils(now, in_force.calendar) if seeing.aside else [],
        "poll": "/benches/bands"
        + seeing.query(v=_stamp(version, now), aside=seeing.aside, undo=undo and undo.act),
    }
    name = (
        "orders/benches/_bands.html"
        if part or is_partial(request)
        else "orders/benches/benches.html"
    )
    return render(request, name, context, status)


def _context(
    request: Request, seeing: Seeing, page: view.Benches, undo: DoneWords | None
) -> dict[str, Any]:
    env: Environment = request.app.state.templates

    return {
        "page": page,
        "seeing": seeing,
        "shows": [
            (Seeing(show, bench=seeing.bench).query(), show, said)
            for show, said in SHOW_WORDS.items()
        ],
        "whole": replace(seeing, bench=None, aside="").query(),
        "alone": lambda step: replace(seeing, bench=step, aside="").query(),
        "undo": undo,
        "age": partial(_bar, env),
        "once": new_once(),
        "reasons": words.ASIDE_REASONS,
    }


@lru_cache(maxsize=4096)
def _bar(env: Environment, tenths: int, usual: float, slow: float, scale: str) -> str:
    """An age bar. Ages are told in tenths of a day, so that a bar drawn once serves many rows."""
    macros: Any = env.get_template("shared/_macros.html").module
    bar: str = macros.age(tenths / 10, usual, slow, scale)  # escaped already
    return bar
