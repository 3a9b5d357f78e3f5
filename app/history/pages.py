"""Bringing in earlier orders: choose a file, say what its columns are, look, do it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect
from starlette.responses import RedirectResponse, Response

from app.history import actions, files, rules, running, store, table
from app.history.columns import DAY_FIELDS, FIELDS, Choices, RowIs, guess, problems
from app.history.days import DayOrder, evidence
from app.photos.intake.upload import receive
from app.photos.pictures.files import Incoming
from app.shared.errors import BadFields, NotFound
from app.shared.web.as_csv import csv_file
from app.shared.web.forms import Filled, Form
from app.shared.web.templating import go, render
from app.studio.web import Me, RowId, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()
BODY_AT_MOST = table.MOST_BYTES + 2**20
PREVIEW = 10
SHOWN = 60


@router.get("/history", name="history")
def history(request: Request, workshop: TheWorkshop) -> Response:
    """What was brought in, and the form for one more file."""
    return _first(request, workshop, {})


def _first(
    request: Request, workshop: Workshop, errors: Mapping[str, str], status: int = 200,
    typed: Mapping[str, str] | None = None,
) -> Response:  # fmt: skip
    with workshop.database.reading() as db:
        rows = store.brought_in(db)
    waiting = files.waiting(workshop.folder)
    context = {
        "imports": rows,
        "waiting": waiting,
        "typed": typed or {},
        "errors": errors,
        "most": table.MOST_ROWS,
    }
    return render(request, "history/history.html", context, status)


@router.post("/history", name="history_send")
async def send(request: Request, workshop: TheWorkshop) -> Response:
    """Take a file; on to what its columns are."""
    keys: list[str] = []

    def finished(file: Incoming, name: str) -> None:
        if not keys and file.size:
            data = file.path.read_bytes()
            keys.append(files.keep(workshop.folder, data, name))

    try:
        kind = request.headers.get("content-type", "")
        await receive(request.stream(), kind, workshop.folder.pictures, finished)
        if not keys:
            raise BadFields({"file": "Choose a file first."})
    except ClientDisconnect:
        return Response(status_code=400)
    except BadFields as why:
        return await run_in_threadpool(_first, request, workshop, why.fields, 422)
    return RedirectResponse(f"/history/sheets/{keys[0]}", 303)


@router.post("/history/pasted", name="history_paste")
def paste(request: Request, workshop: TheWorkshop, form: Filled) -> Response:
    """Take a table that was copied out of another program; on to what its columns are."""
    pasted = form.get("pasted")
    try:
        if not pasted.strip():
            raise BadFields({"pasted": "Paste a table first, its header too."})
        data = pasted.encode()
        table.read(data)
        key = files.keep(workshop.folder, data, "Pasted table", "pasted")
    except table.NotASheet as why:
        return _first(request, workshop, {"pasted": str(why)}, 422, form.plain())
    except BadFields as why:
        return _first(request, workshop, why.fields, 422, form.plain())
    return RedirectResponse(f"/history/sheets/{key}", 303)


@router.get("/history/sheets/{key}", name="history_sheet")
def sheet(request: Request, workshop: TheWorkshop, key: str, sheet: str = "") -> Response:
    """What the columns of a sheet are, guessed, to be put right by a person."""
    file = files.find(workshop.folder, key)
    try:
        found = table.read(file.data, sheet[:200])
    except table.NotASheet as why:
        return _first(request, workshop, {"file": f"{file.name}: {why}"}, 422)
    with workshop.database.reading() as db:
        kept = store.choices_before(db)
    choices = guess(found, workshop.in_force().settings.country, kept)
    return _match(request, _Asked(file, found, choices, []))


@router.post("/history/sheets/{key}", name="history_look")
def look(request: Request, workshop: TheWorkshop, key: str, form: Filled) -> Response:
    """What would come of it: pieces, orders, bad rows, doubles. Nothing is brought in."""
    asked = _asked(workshop, key, form)
    if asked.wrong:
        return _match(request, asked, 422)
    reading = actions.read_sheet(workshop, asked.found, asked.choices)
    return _looked(request, workshop, asked, reading, form)


@router.post("/history/sheets/{key}/bad", name="history_bad")
def bad(request: Request, workshop: TheWorkshop, key: str, form: Filled) -> Response:
    """The bad rows of a sheet as a file to mend."""
    asked = _asked(workshop, key, form)
    if asked.wrong:
        return _match(request, asked, 422)
    reading = actions.read_sheet(workshop, asked.found, asked.choices)
    return csv_file(rules.bad_rows(asked.found, reading), "rows-to-mend")


@router.post("/history/sheets/{key}/bring", name="history_bring")
def bring(request: Request, workshop: TheWorkshop, me: Me, key: str, form: Filled) -> Response:
    """Bring the sheet in: all of it, or nothing."""
    asked = _asked(workshop, key, form)
    if asked.wrong:
        return _match(request, asked, 422)
    reading = actions.read_sheet(workshop, asked.found, asked.choices)
    ticks = {name: form.get(name) == "1" for name in ("without_bad", "with_doubles", "with_pages")}
    if reading.faults and not ticks["without_bad"]:
        said = "There are bad rows. Mend them first, or tick that they are to be left out."
        return _looked(request, workshop, asked, reading, form, {"without_bad": said})
    what = running.BringingIn(asked.file, reading, asked.choices, me, **ticks)
    run = running.begin(workshop, what)
    if not run.ended.wait(running.PATIENCE):
        return RedirectResponse(f"/history/going-on/{key}", 303)
    if run.refused:
        return _looked(request, workshop, asked, reading, form, {"": run.refused})
    return RedirectResponse("/history?done=brought_in", 303)


@router.get("/history/going-on/{key}", name="history_going_on")
def going_on(request: Request, workshop: TheWorkshop, key: str) -> Response:
    """How far an import is, and what came of it."""
    run = running.of(workshop, key)
    if run is None:
        raise NotFound("No import is going on.")
    if run.ended.is_set() and not run.refused:
        return go(request, "/history?done=brought_in")
    return render(request, "history/going_on.html", {"run": run})


@router.post("/history/{import_id:int}/take-back", name="history_take_back")
def take_back(workshop: TheWorkshop, me: Me, import_id: RowId) -> Response:
    """Take out all that an import brought."""
    actions.take_back(workshop, import_id, me)
    return RedirectResponse("/history?done=taken_back", 303)


@dataclass(frozen=True, slots=True)
class _Asked:
    """A file, its sheet, how that is to be read, and what is not yet clear about it."""

    file: files.SentSheet
    found: table.Sheet
    choices: Choices
    wrong: list[str]


def _asked(workshop: Workshop, key: str, form: Form) -> _Asked:
    """What a form asks for.

    Raises NotFound where the file is gone, and BadFields where the form is of another sheet.
    """
    file = files.find(workshop.folder, key)
    try:
        found = table.read(file.data, form.get("sheet")[:200])
    except table.NotASheet as why:
        raise BadFields({"": str(why)}) from why
    typed = form.plain()
    columns, orders = {}, {}
    for place, name in enumerate(found.header):
        field = typed.get(f"c{place}", "")
        if field not in FIELDS:
            continue
        columns[name] = field
        order = typed.get(f"o{place}", "")
        if order in list(DayOrder):
            orders[name] = DayOrder(order)
        elif field in DAY_FIELDS and not evidence(found.column(name)).matters:
            orders[name] = DayOrder.DAY_FIRST
    row_is = typed.get("row_is", "")
    choices = Choices(
        found.name, RowIs(row_is) if row_is in list(RowIs) else RowIs.COPY, columns, orders
    )
    return _Asked(file, found, choices, problems(choices, found))


def _match(request: Request, asked: _Asked, status: int = 200) -> Response:
    found = asked.found
    context = {
        "file": asked.file,
        "found": found,
        "sheets": table.sheet_names(asked.file.data),
        "choices": asked.choices,
        "fields": FIELDS,
        "of_days": DAY_FIELDS,
        "matters": [evidence(found.column(name)).matters for name in found.header],
        "rows_are": _ROWS_ARE,
        "preview": found.rows[:PREVIEW],
        "wrong": asked.wrong,
    }
    return render(request, "history/match.html", context, status)


_ROWS_ARE = {
    RowIs.COPY: "one copy",
    RowIs.ANIMAL: "one animal, with its copies counted",
    RowIs.ORDER: "one order, with all its animals in one cell",
}


def _looked(
    request: Request, workshop: Workshop, asked: _Asked, reading: rules.Reading, form: Form,
    errors: Mapping[str, str] | None = None,
) -> Response:  # fmt: skip
    choices, place = asked.choices, {name: n for n, name in enumerate(asked.found.header)}
    hidden: dict[str, Any] = {"sheet": asked.found.name, "row_is": choices.row_is}
    hidden |= {f"c{place[name]}": field for name, field in choices.columns.items()}
    hidden |= {f"o{place[name]}": order for name, order in choices.orders.items()}
    context = {
        "file": asked.file,
        "reading": reading,
        "plan": actions.plan(workshop, reading, with_doubles=form.get("with_doubles") == "1"),
        "hidden": hidden,
        "shown": SHOWN,
        "typed": form.plain(),
        "errors": errors or {},
    }
    return render(request, "history/look.html", context, 422 if errors else 200)
