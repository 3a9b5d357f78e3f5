"""The page Letters, one letter, and an order's letters: what waits and how every kind will read."""

from base64 import b64encode
from hashlib import sha256
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse, Response

from app.letters import by_hand, forming, lists, previews, wording, worker
from app.letters.forming import posting_of
from app.letters.previews import TONES
from app.letters.rules import KINDS
from app.orders.facts.gather import facts_of
from app.orders.facts.to_tell import new_days
from app.orders.order import store as order_store
from app.shared.errors import NotFound
from app.shared.text import whole_number
from app.shared.web.forms import Filled, Form
from app.shared.web.templating import go, render
from app.studio.web import AskedId, Me, RowId, TheWorkshop

router = APIRouter()
_UNHEARD_AFTER = 7 * 86_400
# A letter's HTML is a page of its own that may do nothing at all but look as a letter does.
_INERT = (
    "default-src 'none'; style-src {style}; form-action 'none'; frame-ancestors 'none'; "
    "base-uri 'none'; sandbox"
)
Which = Literal["waits", "held", "dead", "went", "dropped"]
Kind = Annotated[str, Query(max_length=40)]


@router.get("/letters", name="letters")
def letters(
    request: Request, workshop: TheWorkshop, which: Which = "waits", page: AskedId = 0
) -> Response:
    """What waits, what went, what cannot go and why."""
    page = min(page, 10_000)
    in_force, now = workshop.in_force(), workshop.now()
    posting = posting_of(in_force)
    with workshop.database.reading() as db:
        rows = lists.page_of(db, which, page)
        context: dict[str, Any] = {
            "counts": lists.counts(db),
            "unheard": lists.unheard(db, now - _UNHEARD_AFTER),
            "waiting": lists.waiting(db, in_force, now) if which == "waits" and not page else [],
        }
    context |= {
        "rows": rows[: lists.PAGE],
        "more": len(rows) > lists.PAGE,
        "page": page,
        "which": which,
        "off": worker.mail_state(workshop).off_since is not None,
        "obstacle": worker.obstacle(workshop),
        "posting": posting,
        "now": now,
        "zone": in_force.settings.zone_info(),
    }
    return render(request, "letters/letters.html", context)


def _back(request: Request, form: Form) -> Response:
    """To where the act was asked: the work list, the order's letters, or the list of letters."""
    if form.get("back") == "/waiting":
        return go(request, "/waiting?done=saved")
    number = whole_number(form.get("order"))
    of = f"/orders/{number}" if number is not None else ""
    return go(request, f"{of}/letters?done=saved")


@router.post("/letters/{id_:int}/hold", name="letter_hold")
def hold(request: Request, workshop: TheWorkshop, me: Me, id_: RowId, form: Filled) -> Response:
    """Hold a letter that waits."""
    by_hand.hold(workshop.database, id_, me, workshop.now())
    return _back(request, form)


@router.post("/letters/{id_:int}/again", name="letter_again")
def again(request: Request, workshop: TheWorkshop, me: Me, id_: RowId, form: Filled) -> Response:
    """Let a letter go: a held one, a dead one once more, a waiting one now."""
    by_hand.send_again(workshop.database, workshop.in_force(), id_, me, workshop.now())
    worker.look_again(workshop)
    return _back(request, form)


@router.post("/letters/{id_:int}/drop", name="letter_drop")
def drop(request: Request, workshop: TheWorkshop, me: Me, id_: RowId, form: Filled) -> Response:
    """Decide that a letter is not sent."""
    by_hand.drop(workshop.database, id_, me, workshop.now())
    worker.look_again(workshop)
    return _back(request, form)


@router.post("/letters/news/{order_id:int}/hold", name="news_hold")
def hold_news(
    request: Request, workshop: TheWorkshop, me: Me, order_id: RowId, form: Filled
) -> Response:
    """Keep an order's news back."""
    by_hand.hold_news(workshop.database, order_id, me, workshop.now())
    return _back(request, form)


@router.post("/letters/news/{order_id:int}/go", name="news_go")
def news_go(
    request: Request, workshop: TheWorkshop, me: Me, order_id: RowId, form: Filled
) -> Response:
    """Let an order's held news go with its next letter."""
    by_hand.let_news_go(workshop.database, order_id, me, workshop.now())
    return _back(request, form)


@router.post("/letters/news/{order_id:int}/now", name="news_now")
def news_now(
    request: Request, workshop: TheWorkshop, me: Me, order_id: RowId, form: Filled
) -> Response:
    """Form an order's letter now, whatever the hour."""
    forming.form_due(workshop.database, workshop.in_force(), workshop.now(), only=order_id)
    return _back(request, form)


@router.post("/letters/news/{id_:int}/stop", name="news_stop")
def news_stop(
    request: Request, workshop: TheWorkshop, me: Me, id_: RowId, form: Filled
) -> Response:
    """Let one piece of news, a reminder say, never go."""
    by_hand.stop_news(workshop.database, id_, me, workshop.now())
    return _back(request, form)


@router.post("/letters/on", name="letters_on")
def turn_on(request: Request, workshop: TheWorkshop, me: Me) -> Response:
    """The owner's yes after a restore."""
    by_hand.turn_on(workshop.database, me, workshop.now())
    worker.look_again(workshop)
    return go(request, "/letters?which=held&done=saved")


# ---------------------------------------------------------------- one letter


@router.get("/letters/{id_:int}", name="letter")
def letter(request: Request, workshop: TheWorkshop, id_: RowId) -> Response:
    """One letter as it went or will go, in text."""
    with workshop.database.reading() as db:
        kept = lists.one(db, id_)
        said = worker.words_of_kept(workshop, db, kept)
    context = {
        "kept": kept,
        "said": said,
        "now": workshop.now(),
        "zone": workshop.in_force().settings.zone_info(),
    }
    return render(request, "letters/letter.html", context)


@router.get("/letters/{id_:int}/html", name="letter_html")
def letter_html(workshop: TheWorkshop, id_: RowId) -> Response:
    """The HTML twin of one letter, alone."""
    with workshop.database.reading() as db:
        said = worker.words_of_kept(workshop, db, lists.one(db, id_))
    if said is None:
        raise NotFound("The text of this email was not kept.")
    return inert(said.html)


def inert(html: str) -> Response:
    """A letter's HTML with headers under which it can load, run and send nothing."""
    digest = b64encode(sha256(wording.style().encode()).digest()).decode()
    policy = _INERT.format(style=f"'sha256-{digest}'")
    return HTMLResponse(html, headers={"content-security-policy": policy})


# ---------------------------------------------------------------- an order's letters


@router.get("/orders/{number:int}/letters", name="order_letters")
def order_letters(
    request: Request,
    workshop: TheWorkshop,
    number: RowId,
    kind: Kind = "order_in",
    tone: Kind = "own",
) -> Response:
    """What waits for an order's customer and how it will read, what went, and every kind."""
    _known(kind, tone)
    in_force, now = workshop.in_force(), workshop.now()
    with workshop.database.reading() as db:
        order_id = order_store.by_number(db, number)
        link = worker.linked_of(workshop)(db, order_id)
        order = facts_of(db, order_id, in_force, now)
        waiting = lists.waiting(db, in_force, now, order_id)
        context: dict[str, Any] = {
            "order": order,
            "waiting": waiting[0] if waiting else None,
            "written": lists.letters_of(db, order_id),
            "next": previews.next_letter(db, order, in_force, link, now),
        }
    context |= {
        "number": number,
        "kind": kind,
        "tone": tone,
        "kinds": previews.kinds(),
        "said": previews.preview(order, kind, tone, in_force, now, link),
        "new_days": new_days(order, in_force, now),
        "now": now,
        "zone": in_force.settings.zone_info(),
        "today": in_force.calendar.day_of(now),
    }
    return render(request, "letters/order.html", context)


@router.get("/orders/{number:int}/letters/html", name="order_letter_html")
def order_letter_html(
    workshop: TheWorkshop, number: RowId, kind: Kind = "order_in", tone: Kind = "own"
) -> Response:
    """The HTML twin of a preview, alone; `kind` "next" is the letter that waits."""
    in_force, now = workshop.in_force(), workshop.now()
    with workshop.database.reading() as db:
        order_id = order_store.by_number(db, number)
        link = worker.linked_of(workshop)(db, order_id)
        order = facts_of(db, order_id, in_force, now)
        if kind == "next":
            found = previews.next_letter(db, order, in_force, link, now)
            if found is None:
                raise NotFound("Nothing is waiting to be sent.")
            return inert(found.html)
    _known(kind, tone)
    return inert(previews.preview(order, kind, tone, in_force, now, link).html)


def _known(kind: str, tone: str) -> None:
    if kind not in KINDS or tone not in ("own", *TONES):
        raise NotFound("There is no such email.")
