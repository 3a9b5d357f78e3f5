"""My bench: where whoever makes the pieces lands, with the steps that they do, kept by browser."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from app.bench.mine import actions, lists, store
from app.flow import store as flow
from app.flow.rules import Kind
from app.flow.steps import STEPS, Step
from app.flow.store import Ref
from app.moving.effects import AskFirst
from app.moving.perform import Seen
from app.moving.rules import scanned
from app.orders.benches import moves, words
from app.orders.benches import store as benches
from app.orders.benches.aside import aside_of
from app.orders.benches.moves import TICKED, AskElsewhere, Press
from app.orders.benches.view import REDRAW_EVERY
from app.photos.faces import faces
from app.shared.errors import BadFields, NotAllowed, NotFound, Refused
from app.shared.people import Person
from app.shared.text import whole_number
from app.shared.web.forms import Filled
from app.shared.web.refusals import status_of
from app.shared.web.templating import go, is_partial, new_once, render
from app.staff import store as staff
from app.studio.web import Me, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()
PATH = "/my-bench"
KEPT = 400 * 86_400  # as long as browsers keep a cookie at most


@dataclass(frozen=True, slots=True)
class BenchAddress:
    """What an address asks to see: an open form to set aside, an act to undo, all that is next,
    the choice of steps."""

    aside: str = ""
    undo: int | None = None
    whole: bool = False
    choosing: bool = False

    @classmethod
    def read(cls, values: dict[str, str]) -> "BenchAddress":
        """From an address or a form. What makes no sense there is passed over."""
        aside = values.get("aside", "")
        try:
            opened = aside if aside == TICKED else str(Ref.read(aside)) if aside else ""
        except NotFound:
            opened = ""
        undo = whole_number(values.get("undo", ""))
        return cls(opened, undo, values.get("all") == "1", values.get("steps") == "1")

    def query(self, **more: object) -> str:
        """The end of an address: "" or "?all=1"."""
        values = {"all": "1" if self.whole else "", **more}
        return "&".join(f"{name}={value}" for name, value in values.items() if value)


@router.get(PATH, name="my_bench")
def my_bench(request: Request, workshop: TheWorkshop, me: Me) -> Response:
    """What I have, what I have set aside, and what comes next."""
    return _page(request, workshop, me, BenchAddress.read(dict(request.query_params)))


@router.get(f"{PATH}/lists", name="my_bench_lists")
def my_lists(request: Request, workshop: TheWorkshop, me: Me) -> Response:
    """The lists as they stand now, or 204 where nothing was written since the asker's version."""
    if request.query_params.get("v") == _stamp(request.state.version, workshop.now()):
        return Response(status_code=204)
    return _page(request, workshop, me, BenchAddress.read(dict(request.query_params)), part=True)


@router.post(f"{PATH}/steps", name="my_bench_steps")
def choose_steps(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Keep in this browser which steps this person does."""
    chosen = [step for step in lists.CHOICES if step in form.many("step")]
    if not chosen:
        seeing, said = BenchAddress(choosing=True), moves.Said(errors={"step": "Tick what you do."})
        return _page(request, workshop, me, seeing, said, status=422)
    answer = go(request, PATH)
    answer.set_cookie(
        _cookie(me), ".".join(chosen), max_age=KEPT, path=PATH, secure=True, httponly=True,
        samesite="lax",
    )  # fmt: skip
    return answer


def _cookie(me: Person) -> str:
    """Several people share a tablet: each has a cookie of their own, which holds steps alone."""
    return f"bench-{me.account_id}"


def _steps(request: Request, me: Person) -> frozenset[Step]:
    kept = request.cookies.get(_cookie(me), "").split(".")
    return frozenset(step for step in lists.CHOICES if step in kept)


@router.post(f"{PATH}/move", name="my_bench_move")
def move(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """A press: start, set aside or done, of one piece or of those ticked."""
    typed = form.plain()
    seeing = BenchAddress.read({"all": typed.get("all", "")})
    ticks = form.many("tick")
    if "open" in form:
        opened = replace(seeing, aside=BenchAddress.read({"aside": typed["open"]}).aside)
        return _page(request, workshop, me, opened, ticks=ticks)
    pressed = form.get("move")
    if not pressed:
        return _back(request, workshop, me, seeing)
    try:
        sets = pressed.startswith(f"{Kind.ASIDE}:")
        aside = aside_of(form, workshop, by_button=True) if sets else None
        done = actions.carry_out(workshop, pressed, ticks, me, form.get("once"), aside)
    except BadFields as why:
        stays = replace(seeing, aside=BenchAddress.read({"aside": typed.get("piece", "")}).aside)
        said = moves.Said(why.fields.get("", ""), errors=why.fields, typed=typed)
        return _page(request, workshop, me, stays, said, ticks=ticks, status=422)
    except Refused as why:
        return _refused(request, workshop, me, seeing, why, ticks)
    if is_partial(request):
        kept = () if pressed.endswith(f":{TICKED}") else ticks
        return _page(request, workshop, me, replace(seeing, undo=done.act), ticks=kept)
    return RedirectResponse(f"{PATH}?{seeing.query(undo=done.act)}", 303)


def _refused(
    request: Request,
    workshop: Workshop,
    me: Person,
    seeing: BenchAddress,
    why: Refused,
    ticks: Sequence[str] = (),
) -> Response:
    """The lists as they stand now with the reason above them: nothing that was ticked is lost."""
    if isinstance(why, AskElsewhere):
        address, _, place = why.address.partition("#")
        more = f"{'&' if '?' in address else '?'}back={PATH}"
        return go(request, f"{address}{more}{f'#{place}' if place else ''}")
    said = moves.Said(str(why))
    if isinstance(why, AskFirst) and why.about is not None:
        said = moves.Said(str(why), Press(Kind.START, (), sure=False).yes(why.about), why.label)
    return _page(request, workshop, me, seeing, said, ticks=ticks, status=status_of(why))


def _back(request: Request, workshop: Workshop, me: Person, seeing: BenchAddress) -> Response:
    """Nothing was pressed: the same page again."""
    if is_partial(request):
        return _page(request, workshop, me, seeing)
    return RedirectResponse(f"{PATH}?{seeing.query()}".rstrip("?"), 303)


@router.post(f"{PATH}/scan", name="my_bench_scan")
def scan(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """A job ticket that was scanned here: its piece is taken in hand.

    Where it is already in these hands, or can only be taken on its own page, that page opens.
    """
    text = form.get("scan")
    which = scanned(text)
    if which is None:
        said = moves.Said(
            "That is no job ticket. Scan the square code on it.",
            errors={"scan": "no job ticket"}, typed={"scan": text[:200]},
        )  # fmt: skip
        return _page(request, workshop, me, BenchAddress(), said, status=422)
    ref = Ref.read(which)
    with workshop.database.reading() as db:
        piece = flow.load(db, ref)
    mine = piece.state.in_hand and piece.state.hand_id == me.account_id
    if mine or not STEPS[piece.state.step].take:
        return go(request, f"/pieces/{ref.of}/{ref.id}")
    try:
        press = Press(Kind.START, (Seen(ref, piece.version),), sure=False)
        done = moves.carry_out(workshop, press, me, form.get("once"))
    except (NotFound, NotAllowed):
        raise
    except Refused as why:
        return _refused(request, workshop, me, BenchAddress(), why)
    return go(request, f"{PATH}?undo={done.act}")


# ---------------------------------------------------------------- the page


def _stamp(version: int, now: int) -> str:
    return f"{version}-{now // REDRAW_EVERY}"


def _page(
    request: Request,
    workshop: Workshop,
    me: Person,
    seeing: BenchAddress,
    said: moves.Said | None = None,
    *,
    ticks: Sequence[str] = (),
    part: bool = False,
    status: int = 200,
) -> Response:
    """The whole page, or its lists alone where htmx asks."""
    now, in_force = workshop.now(), workshop.in_force()
    steps = _steps(request, me)
    with workshop.database.reading() as db:
        version = benches.version(db)
        look = actions.looking(workshop, me, seeing.aside)
        mine = lists.assemble(benches.lines(db), benches.asked(db), look, steps, whole=seeing.whole)
        shown = store.shown(db, [row.line for row in mine.rows])
        pictures = faces(workshop, db, [of.model for of in shown.values()])
        undo = moves.just_done(db, seeing.undo, now)
        people = staff.bench_people(db) if request.state.may("switch_person") else []
    partly = part or is_partial(request)
    context: dict[str, Any] = {
        "mine": mine,
        "marks": {ref: of.marks for ref, of in shown.items()},
        "faces": {ref: pictures.get(of.model) for ref, of in shown.items()},
        "seeing": seeing,
        "steps": steps,
        "choices": [(step, STEPS[step].name) for step in lists.CHOICES],
        "step_name": {str(step): STEPS[step].name for step in Step},
        "people": [person for person in people if person.id != me.account_id],
        "undo": undo,
        "said": said or moves.Said(),
        "ticks": frozenset(ticks),
        "once": new_once(),
        "reasons": words.ASIDE_REASONS,
        "untils": words.untils(now, in_force.calendar) if seeing.aside else [],
        "back": f"{PATH}?{seeing.query()}".rstrip("?"),
        "poll": f"{PATH}/lists?"
        + seeing.query(v=_stamp(version, now), aside=seeing.aside, undo=undo.act if undo else ""),
    }
    name = "bench/mine/_lists.html" if partly else "bench/mine/my_bench.html"
    return render(request, name, context, status)
