"""Bringing in earlier orders: choose a file, say what its columns are, look, do it."""

from collections.abc import Mapping
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from app.history import actions, files, rules, running, store, table
from app.history.columns import DAY_FIELDS, FIELDS, Choices, RowIs, guess, problems
from app.history.days import DayOrder, evidence
from app.photos.intake.upload import receive
from app.photos.pictures.files import Incoming
from app.shared.errors import BadFields, NotFound
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
            keys.append(files.keep(workshop.folder, data, name, workshop.now()))

    try:
        kind = request.headers.get("content-type", "")
        await receive(request.stream(), kind, workshop.folder.pictures, finished)
        if not keys:
            raise BadFields({"file": "Choose a file first."})
    except BadFields as why:
        return _first(request, workshop, why.fields, 422)
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
        key = files.keep(workshop.folder, data, "Pasted table", workshop.now(), "pasted")
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
    return _match(request, file, found, choices, [])


@router.post("/history/sheets/{key}", name="history_look")
def look(request: Request, workshop: TheWorkshop, key: str, form: Filled) -> Response:
    """What would come of it: pieces, orders, bad rows, doubles. Nothing is brought in."""
    file, found, choices, wrong = _asked(workshop, key, form)
    if wrong:
        return _match(request, file, found, choices, wrong, 422)
    return _looked(request, workshop, file, found, choices, form)


@router.post("/history/sheets/{key}/bad", name="history_bad")
def bad(request: Request, workshop: TheWorkshop, key: str, form: Filled) -> Response:
    """The bad rows of a sheet as a file to mend."""
    file, found, choices, wrong = _asked(workshop, key, form)
    if wrong:
        return _match(request, file, found, choices, wrong, 422)
    return _as_file(rules.bad_rows(found, _read(workshop, found, choices)), "rows-to-mend.csv")


@router.post("/history/sheets/{key}/bring", name="history_bring")
def bring(request: Request, workshop: TheWorkshop, me: Me, key: str, form: Filled) -> Response:
    """Bring the sheet in: all of it, or nothing."""
    file, found, choices, wrong = _asked(workshop, key, form)
    if wrong:
        return _match(request, file, found, choices, wrong, 422)
    reading = _read(workshop, found, choices)
    ticks = {name: form.get(name) == "1" for name in ("without_bad", "with_doubles", "with_pages")}
    if reading.faults and not ticks["without_bad"]:
        said = "There are bad rows. Mend them first, or tick that they are to be left out."
        return _looked(request, workshop, file, found, choices, form, {"without_bad": said}, 422)
    run = running.begin(workshop, running.BringingIn(file, reading, choices, me, **ticks))
    request.app.state.bringing_in = run
    if not run.ended.wait(running.PATIENCE):
        return RedirectResponse(f"/history/going-on/{key}", 303)
    if run.refused:
        return _looked(request, workshop, file, found, choices, form, {"": run.refused}, 422)
    return RedirectResponse("/history?done=brought_in", 303)


@router.get("/history/going-on/{key}", name="history_going_on")
def going_on(request: Request, key: str) -> Response:
    """How far an import is, and what came of it."""
    run: running.RunningImport | None = getattr(request.app.state, "bringing_in", None)
    if run is None or run.key != key:
        raise NotFound("No import is going on.")
    if run.ended.is_set() and not run.refused:
        return go(request, "/history?done=brought_in")
    return render(request, "history/going_on.html", {"run": run})


@router.post("/history/{import_id:int}/take-back", name="history_take_back")
def take_back(workshop: TheWorkshop, me: Me, import_id: RowId) -> Response:
    """Take out all that an import brought."""
    actions.take_back(workshop, import_id, me)
    return RedirectResponse("/history?done=taken_back", 303)


def _as_file(text: str, name: str) -> Response:
    """A .csv to keep, with the mark by which a spreadsheet knows its encoding."""
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(text.encode("utf-8-sig"), media_type="text/csv; charset=utf-8", headers=headers)


def _read(workshop: Workshop, found: table.Sheet, choices: Choices) -> rules.Reading:
    return rules.read(found, choices, workshop.in_force().calendar.day_of(workshop.now()))


def _asked(
    workshop: Workshop, key: str, form: Form
) -> tuple[files.SentSheet, table.Sheet, Choices, list[str]]:
    """The file, its sheet, and how the form says that it is to be read, with what is wrong there.

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
    return file, found, choices, problems(choices, found)


def _match(
    request: Request, file: files.SentSheet, found: table.Sheet, choices: Choices, wrong: list[str],
    status: int = 200,
) -> Response:  # fmt: skip
    context = {
        "file": file,
        "found": found,
        "sheets": table.sheet_names(file.data),
        "choices": choices,
        "fields": FIELDS,
        "of_days": DAY_FIELDS,
        "matters": [evidence(found.column(name)).matters for name in found.header],
        "rows_are": _ROWS_ARE,
        "preview": found.rows[:PREVIEW],
        "wrong": wrong,
    }
    return render(request, "history/match.html", context, status)


_ROWS_ARE = {
    RowIs.COPY: "one copy",
    RowIs.ANIMAL: "one animal, with its copies counted",
    RowIs.ORDER: "one order, with all its animals in one cell",
}


def _looked(
    request: Request, workshop: Workshop, file: files.SentSheet, found: table.Sheet,
    choices: Choices, form: Form, errors: Mapping[str, str] | None = None, status: int = 200,
) -> Response:  # fmt: skip
    reading = _read(workshop, found, choices)
    with_doubles = form.get("with_doubles") == "1"
    place = {name: n for n, name in enumerate(found.header)}
    hidden: dict[str, Any] = {"sheet": found.name, "row_is": choices.row_is}
    hidden |= {f"c{place[name]}": field for name, field in choices.columns.items()}
    hidden |= {f"o{place[name]}": order for name, order in choices.orders.items()}
    context = {
        "file": file,
        "found": found,
        "reading": reading,
        "plan": actions.plan(workshop, reading, with_doubles=with_doubles),
        "hidden": hidden,
        "shown": SHOWN,
        "typed": form.plain(),
        "errors": errors or {},
    }
    return render(request, "history/look.html", context, status)
