"""What the check says of a model's set: the page, its progress, and a panel for other pages."""

import json
from dataclasses import asdict, dataclass, field
from typing import Any

from fastapi import APIRouter, Request
from sqlalchemy import Connection
from starlette.responses import Response, StreamingResponse

from app.flow.steps import Of, Step
from app.flow.store import Ref, load
from app.orders.order import store as order_store
from app.photos import store
from app.photos.check import thresholds_kept, worker
from app.photos.check.thresholds import Thresholds
from app.photos.check.worker import UnderWay
from app.photos.hand_out import originals as handing_out
from app.photos.intake import actions
from app.photos.verdicts import ASPECTS, FITS, FLAWS
from app.shared.errors import BadFields, NotFound
from app.shared.web.forms import Filled
from app.shared.web.templating import go, render
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()
VERDICTS = {
    "will do": "These photos are usable.",
    "doubtful": "It’s doubtful whether these photos are usable.",
    "will not do": "These photos are not usable.",
    "nothing readable": "None of these photos can be read.",
    "": "The check failed. That says nothing about the photos.",
}
OF_REMEMBERED = {
    "will do": "These photos are good to work from.",
    "doubtful": "A build from these photos may fail.",
    "will not do": "A machine can’t build from these photos, so the model is sculpted by eye.",
}
MOST_SHOWN = 12
STAGES = {
    "beginning": "Starting", "reading": "Reading the photos one by one",
    "matching": "Comparing the photos with each other", "judged": "Judging the set",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class ReasonShown:
    """A reason with the pictures that it is about, as far as they are shown."""

    text: str
    weight: str
    pictures: list[tuple[int, str]]
    more: int


@dataclass(frozen=True, slots=True)
class CheckAnswer:
    """A check's answer as a page says it. `advice` is numbered lines; `flaws` by picture's id."""

    id: int
    sentence: str
    verdict: str
    ended_at: int
    pictures: int
    version: str
    remembered: bool
    reasons: list[ReasonShown] = field(default_factory=list)
    aspects: list[tuple[str, str]] = field(default_factory=list)
    advice: list[str] = field(default_factory=list)
    cannot_tell: list[str] = field(default_factory=list)
    flaws: dict[int, str] = field(default_factory=dict)
    graph: str = ""


@dataclass(frozen=True, slots=True)
class SetOfModel:
    """The panel of a model: how many pictures are here, a few to show, the newest check."""

    model_id: int
    many: int
    first: list[int]
    check: CheckAnswer | None
    fresh: bool


def pictures_of(db: Connection, model_id: int) -> SetOfModel:
    """The pictures of a model and what the check said of them, for photos/check/_panel.html."""
    pictures = store.of_model(db, model_id)
    model_id = pictures[0]["for_model"] if pictures else model_id
    row = store.last_check(db, model_id)
    fresh = row is not None and row["set_key"] == store.set_key(db, model_id)
    step = max(1, len(pictures) // 6)
    some = [picture["id"] for picture in pictures[::step]][:6]
    return SetOfModel(model_id, len(pictures), some, said(row) if row is not None else None, fresh)


def said(row: Any) -> CheckAnswer:
    """A row of photo_checks in words."""
    result = json.loads(row["result"])
    sentence = VERDICTS.get(row["verdict"], VERDICTS[""])
    if row["remembered"]:
        sentence = OF_REMEMBERED.get(row["verdict"], sentence)
    ids: dict[str, int] = result.get("ids", {})
    return CheckAnswer(
        id=row["id"],
        sentence=sentence,
        verdict=row["verdict"],
        ended_at=row["ended_at"],
        pictures=row["pictures"],
        version=row["thresholds_version"],
        remembered=bool(row["remembered"]),
        reasons=[_told(reason, ids) for reason in result.get("reasons", [])],
        aspects=[(ASPECTS.get(k, k), FITS.get(v, v)) for k, v in result.get("aspects", {}).items()],
        advice=[line["text"] for line in result.get("advice", [])],
        cannot_tell=result.get("cannot_tell", []),
        flaws=_flaws(result.get("pictures", []), ids),
        graph=row["graph"],
    )


def _told(reason: dict[str, Any], ids: dict[str, int]) -> ReasonShown:
    about = [(ids[name], name) for name in reason["pictures"] if name in ids]
    return ReasonShown(
        reason["text"], reason["weight"], about[:MOST_SHOWN], max(0, len(about) - MOST_SHOWN)
    )


def _flaws(pictures: list[dict[str, Any]], ids: dict[str, int]) -> dict[int, str]:
    found = {}
    for one in pictures:
        words = [FLAWS.get(flaw, flaw) for flaw in one.get("flaws", [])]
        words += [one["problem"]] if "problem" in one else []
        if one.get("copy_of"):
            words.append(f"the same as {one['copy_of']}")
        if words and one["name"] in ids:
            found[ids[one["name"]]] = ", ".join(words)
    return found


@router.get("/photos/check/{model_id:int}", name="photo_check")
def check_page(request: Request, workshop: TheWorkshop, model_id: RowId) -> Response:
    """A model's set: verdict, reasons with their pictures, advice, and every picture of it."""
    return render(request, "photos/check/check.html", _context(workshop, model_id))


@router.get("/photos/check/{model_id:int}/now", name="photo_check_now")
def progress(request: Request, workshop: TheWorkshop, model_id: RowId, v: str = "") -> Response:
    """How far the check is; 204 while nothing has changed since `v`."""
    context = _context(workshop, model_id)
    if context["v"] == v:
        return Response(status_code=204)
    return render(request, "photos/check/_check.html", context)


@router.post("/photos/check/{model_id:int}", name="photo_check_again")
def again(request: Request, workshop: TheWorkshop, me: Me, model_id: RowId) -> Response:
    """Check the set once more."""
    actions.check_again(workshop, model_id)
    return go(request, f"/photos/check/{model_id}")


@router.get("/photos/check/{model_id:int}/sheet", name="photo_sheet")
def sheet(workshop: TheWorkshop, model_id: RowId) -> Response:
    """The contact sheet of the newest check: a JPEG without metadata."""
    with workshop.database.reading() as db:
        row = store.last_check(db, model_id)
    path = workshop.folder.pictures / worker.sheet_place(row["id"] if row is not None else 0)
    try:
        jpeg = path.read_bytes()
    except OSError:
        raise NotFound("There is no contact sheet for these photos.") from None
    return Response(jpeg, media_type="image/jpeg", headers={"content-disposition": "inline"})


@router.get("/photos/check/{model_id:int}/set", name="photo_set")
def whole_set(workshop: TheWorkshop, model_id: RowId) -> Response:
    """The set's originals in one zip for the machine that builds, without their positions."""
    with workshop.database.reading() as db:
        code, originals = handing_out.set_of(db, model_id, workshop.folder.pictures)
    headers = {
        "content-disposition": f'attachment; filename="{code}.zip"', "cache-control": "no-store",
    }  # fmt: skip
    return StreamingResponse(handing_out.zip_of(originals), 200, headers, "application/zip")


@router.get("/photos/thresholds", name="photo_thresholds")
def thresholds(request: Request, workshop: TheWorkshop) -> Response:
    """Where the check draws its lines."""
    return _thresholds(request, workshop)


@router.post("/photos/thresholds", name="photo_thresholds_save")
def move_thresholds(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Change them, by a person's decision."""
    try:
        thresholds_kept.save(workshop, thresholds_kept.read(form.plain()), me)
    except BadFields as why:
        return _thresholds(request, workshop, form.plain(), why.fields, 422)
    return go(request, "/photos/thresholds?done=saved")


def _thresholds(
    request: Request,
    workshop: Workshop,
    typed: dict[str, str] | None = None,
    errors: dict[str, str] | None = None,
    status: int = 200,
) -> Response:
    with workshop.database.reading() as db:
        now = thresholds_kept.load(db)
    defaults = asdict(Thresholds())
    context = {
        "movable": thresholds_kept.MOVABLE,
        "defaults": defaults,
        "version": now.version,
        "typed": typed
        or {
            name: f"{value:g}"
            for name, value in asdict(now).items()
            if name in {one.name for one in thresholds_kept.MOVABLE}
        },
        "errors": errors or {},
    }
    return render(request, "photos/check/thresholds.html", context, status)


def _context(workshop: Workshop, model_id: int) -> dict[str, Any]:
    with workshop.database.reading() as db:
        piece = load(db, Ref(Of.MODEL, model_id))
        order = order_store.rows_of(db, piece.order_id)
        set_ = pictures_of(db, model_id)
        pictures = store.of_model(db, model_id)
        with_pictures = store.with_pictures(db, [row["model_id"] for row in order.animals])
    animal = next((a for a in order.animals if a["letter"] == piece.letter), order.animals[0])
    now = worker.under_way(workshop, model_id)
    return {
        "piece": piece,
        "order": order,
        "animal": animal,
        "set": set_,
        "others": [
            (row["name"], row["model_id"])
            for row in order.animals
            if row["model_id"] in with_pictures and row["model_id"] != model_id
        ],
        "check": set_.check,
        "pictures": pictures,
        "running": now,
        "stage": STAGES.get(now.stage, "Comparing the photos with each other") if now else "",
        "waiting": _waiting(piece.state.step, set_, now),
        "judging": piece.state.step is Step.ASSESSING,
        "may_ask": piece.state.step in (Step.ASSESSING, Step.PHOTOS_IN, Step.FINISHING),
        "v": _version(set_, now),
    }


def _waiting(step: Step, set_: SetOfModel, now: UnderWay | None) -> bool:
    """Whether a check of this set is about to begin."""
    checked = step in (Step.PHOTOS_WANTED, Step.PHOTOS_IN, Step.BUILDING, Step.ASSESSING)
    return now is None and bool(set_.many) and not set_.fresh and checked


def _version(set_: SetOfModel, now: UnderWay | None) -> str:
    """What the page shows, in a word: another word means there is something new to show."""
    return (
        f"{set_.many}-{set_.check.id if set_.check else 0}-{set_.fresh}-{now.beat if now else ''}"
    )
