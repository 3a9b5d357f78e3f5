"""The page Letters, one letter, and an order's letters: what waits and how every kind will read."""

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse, Response

from app.letters import by_hand, forming, lists, wording
from app.letters.rules import KINDS
from app.orders import order_store
from app.orders.facts import facts_of
from app.publishing import letter_previews, letters_worker
from app.publishing.letter_previews import TONES
from app.shared.errors import NotFound
from app.shared.web.forms import Filled, Form
from app.shared.web.templating import go, render
from app.studio.web import AskedId, Me, RowId, Shop
from app.studio.workshop import Workshop

router = APIRouter()
_UNHEARD_AFTER = 7 * 86_400
# A letter's HTML is a page of its own that may do nothing at all.
_INERT = "default-src 'none'; form-action 'none'; frame-ancestors 'none'; base-uri 'none'; sandbox"
Which = Literal["waits", "held", "dead", "went", "dropped"]
Kind = Annotated[str, Query(max_length=40)]


@router.get("/letters", name="letters")
def letters(request: Request, shop: Shop, which: Which = "waits", page: AskedId = 0) -> Response:
    """What waits, what went, what cannot go and why."""
    page = min(page, 10_000)
    studio, now = shop.studio(), shop.now()
    posting = letters_worker.posting_of(studio)
    with shop.house.reading() as db:
        rows = lists.page_of(db, which, page)
        context: dict[str, Any] = {
            "counts": lists.counts(db),
            "unheard": lists.unheard(db, now - _UNHEARD_AFTER),
            "waiting": lists.waiting(db, letters_worker.asked_of(shop), posting, now)
            if which == "waits" and not page
            else [],
        }
    context |= {
        "rows": rows[: lists.PAGE],
        "more": len(rows) > lists.PAGE,
        "page": page,
        "which": which,
        "off": letters_worker.off_since(shop) is not None,
        "obstacle": letters_worker.obstacle(shop),
        "posting": posting,
        "now": now,
        "zone": studio.settings.zone_info(),
    }
    return render(request, "letters/letters.html", context)


def _back(request: Request, form: Form) -> Response:
    """To the order's letters where the act was asked there, else to the list."""
    number = form.get("order")
    known = number.isascii() and number.isdecimal() and len(number) < 12
    return go(request, f"/orders/{number}/letters?done=saved" if known else "/letters?done=saved")


@router.post("/letters/{id_:int}/hold", name="letter_hold")
def hold(request: Request, shop: Shop, me: Me, id_: RowId, form: Filled) -> Response:
    """Hold a letter that waits."""
    by_hand.hold(shop.house, id_, me, shop.now())
    return _back(request, form)


@router.post("/letters/{id_:int}/again", name="letter_again")
def again(request: Request, shop: Shop, me: Me, id_: RowId, form: Filled) -> Response:
    """Let a letter go: a held one, a dead one once more, a waiting one now."""
    by_hand.send_again(shop.house, letters_worker.asked_of(shop), id_, me, shop.now())
    return _back(request, form)


@router.post("/letters/{id_:int}/drop", name="letter_drop")
def drop(request: Request, shop: Shop, me: Me, id_: RowId, form: Filled) -> Response:
    """Decide that a letter is not sent."""
    by_hand.drop(shop.house, id_, me, shop.now())
    return _back(request, form)


@router.post("/letters/news/{order_id:int}/hold", name="news_hold")
def hold_news(request: Request, shop: Shop, me: Me, order_id: RowId, form: Filled) -> Response:
    """Keep an order's news back."""
    by_hand.hold_news(shop.house, order_id, me, shop.now())
    return _back(request, form)


@router.post("/letters/news/{order_id:int}/go", name="news_go")
def news_go(request: Request, shop: Shop, me: Me, order_id: RowId, form: Filled) -> Response:
    """Let an order's held news go with its next letter."""
    by_hand.let_news_go(shop.house, order_id, me, shop.now())
    return _back(request, form)


@router.post("/letters/news/{order_id:int}/now", name="news_now")
def news_now(request: Request, shop: Shop, me: Me, order_id: RowId, form: Filled) -> Response:
    """Form an order's letter now, whatever the hour."""
    studio = shop.studio()
    forming.form_due(
        shop.house, letters_worker.asked_of(shop), letters_worker.posting_of(studio), shop.now(),
        letters_worker.domain_of(studio), only=order_id,
    )  # fmt: skip
    return _back(request, form)


@router.post("/letters/news/{id_:int}/stop", name="news_stop")
def news_stop(request: Request, shop: Shop, me: Me, id_: RowId, form: Filled) -> Response:
    """Let one piece of news, a reminder say, never go."""
    by_hand.stop_news(shop.house, id_, me, shop.now())
    return _back(request, form)


@router.post("/letters/on", name="letters_on")
def turn_on(request: Request, shop: Shop, me: Me) -> Response:
    """The owner's yes after a restore."""
    by_hand.turn_on(shop.house, me, shop.now())
    letters_worker.forget_off(shop)
    return go(request, "/letters?which=held&done=saved")


# ---------------------------------------------------------------- one letter


@router.get("/letters/{id_:int}", name="letter")
def letter(request: Request, shop: Shop, id_: RowId) -> Response:
    """One letter as it went or will go, in text."""
    with shop.house.reading() as db:
        kept = lists.one(db, id_)
        said = _words(shop, db, kept)
    context = {
        "kept": kept,
        "said": said,
        "now": shop.now(),
        "zone": shop.studio().settings.zone_info(),
    }
    return render(request, "letters/letter.html", context)


@router.get("/letters/{id_:int}/html", name="letter_html")
def letter_html(shop: Shop, id_: RowId) -> Response:
    """The HTML twin of one letter, alone."""
    with shop.house.reading() as db:
        said = _words(shop, db, lists.one(db, id_))
    if said is None:
        raise NotFound("The words of this letter were not kept.")
    return inert(said.html)


def _words(shop: Workshop, db: Any, kept: lists.KeptLetter) -> wording.Words | None:
    if kept.facts is None or not kept.parts:
        return None
    link = letters_worker.linked_of(shop)(db, kept.order_id)
    return wording.words_of(kept.parts, kept.facts, link)


def inert(html: str) -> Response:
    """A letter's HTML with headers under which it can load, run and send nothing."""
    return HTMLResponse(html, headers={"content-security-policy": _INERT})


# ---------------------------------------------------------------- an order's letters


@router.get("/orders/{number:int}/letters", name="order_letters")
def order_letters(
    request: Request, shop: Shop, number: RowId, kind: Kind = "order_in", tone: Kind = "own"
) -> Response:
    """What waits for an order's customer and how it will read, what went, and every kind."""
    _known(kind, tone)
    studio, now = shop.studio(), shop.now()
    posting, asked = letters_worker.posting_of(studio), letters_worker.asked_of(shop)
    with shop.house.reading() as db:
        order_id = order_store.by_number(db, number)
        link = letters_worker.linked_of(shop)(db, order_id)
        order = facts_of(db, order_id, studio, now)
        waiting = lists.waiting(db, asked, posting, now, order_id)
        context: dict[str, Any] = {
            "order": order,
            "waiting": waiting[0] if waiting else None,
            "written": lists.letters_of(db, order_id),
            "next": letter_previews.next_letter(db, order_id, asked, posting, link, now),
        }
    context |= {
        "number": number,
        "kind": kind,
        "tone": tone,
        "kinds": letter_previews.kinds(),
        "said": letter_previews.preview(order, kind, tone, studio, now, link),
        "new_days": letter_previews.new_days(order, studio, now),
        "now": now,
        "zone": studio.settings.zone_info(),
        "today": studio.calendar.day_of(now),
    }
    return render(request, "letters/order.html", context)


@router.get("/orders/{number:int}/letters/html", name="order_letter_html")
def order_letter_html(
    shop: Shop, number: RowId, kind: Kind = "order_in", tone: Kind = "own"
) -> Response:
    """The HTML twin of a preview, alone; `kind` "next" is the letter that waits."""
    studio, now = shop.studio(), shop.now()
    with shop.house.reading() as db:
        order_id = order_store.by_number(db, number)
        link = letters_worker.linked_of(shop)(db, order_id)
        if kind == "next":
            asked, posting = letters_worker.asked_of(shop), letters_worker.posting_of(studio)
            found = letter_previews.next_letter(db, order_id, asked, posting, link, now)
            if found is None:
                raise NotFound("Nothing waits to be told.")
            return inert(found.words.html)
        _known(kind, tone)
        order = facts_of(db, order_id, studio, now)
    return inert(letter_previews.preview(order, kind, tone, studio, now, link).html)


@router.post("/orders/{number:int}/letters/later", name="letter_later")
def running_later(request: Request, shop: Shop, me: Me, number: RowId) -> Response:
    """Tell the customer that it takes longer: a person's yes to the new days."""
    with shop.house.reading() as db:
        order_id = order_store.by_number(db, number)
    letter_previews.tell_running_later(shop, order_id, me)
    return go(request, f"/orders/{number}/letters?done=noted")


def _known(kind: str, tone: str) -> None:
    if kind not in KINDS or tone not in ("own", *TONES):
        raise NotFound("There is no such letter.")
