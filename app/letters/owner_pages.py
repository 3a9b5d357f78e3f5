"""What the owner sets about letters: the studio's own words in them, and a letter to oneself."""

from dataclasses import replace

from fastapi import APIRouter, Request
from starlette.responses import Response

from app.letters import own_words, previews, trial
from app.letters.rules import KINDS
from app.letters.wording import LetterWords
from app.shared.errors import BadFields
from app.shared.web.forms import Filled, Form
from app.shared.web.templating import go, render
from app.studio import actions, as_form, store
from app.studio.web import Me, TheWorkshop
from app.studio.workshop import Workshop

router = APIRouter()
_FIRST = "order_in"


@router.get("/settings/letters", name="own_words")
def words(request: Request, workshop: TheWorkshop) -> Response:
    """The studio's own words in its letters."""
    return _words(request, workshop, None, {})


@router.post("/settings/letters", name="own_words_save")
def words_save(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Save the words, or show how a letter would read with them and save nothing."""
    try:
        new = own_words.read(form)
        if form.get("act") == "look":
            return _words(request, workshop, form, {}, new)
        actions.save_elsewhere(
            workshop.database, "own_words", new, form.get("seen"), me, workshop.now()
        )
    except BadFields as why:
        return _words(request, workshop, form, why.fields)
    workshop.forget()
    return go(request, "/settings/letters?done=saved")


def _words(
    request: Request,
    workshop: Workshop,
    form: Form | None,
    errors: dict[str, str],
    tried: dict[str, str] | None = None,
) -> Response:
    with workshop.database.reading() as db:
        stands = store.load(db).own_words
    plain = form.plain() if form is not None else {}
    kind = plain.get("kind", _FIRST)
    kind = kind if kind in KINDS else _FIRST
    fresh = form is None or actions.MEANWHILE in errors.values()
    context = {
        "typed": {**stands, **plain},
        "errors": errors,
        "seen": as_form.digest(stands) if fresh else plain.get("seen", ""),
        "longest": own_words.LONGEST,
        "kinds": previews.kinds(),
        "kind": kind,
        "tried": tried is not None,
        "said": _in_each_tone(workshop, kind, stands if tried is None else tried),
    }
    return render(request, "letters/own_words.html", context, 422 if errors else 200)


def _in_each_tone(
    workshop: Workshop, kind: str, own: dict[str, str]
) -> list[tuple[str, LetterWords]]:
    """An example of a kind in every tone, with these words in it."""
    in_force, now = workshop.in_force(), workshop.now()
    settings = in_force.settings.model_copy(update={"own_words": own})
    with_them = replace(in_force, settings=settings)
    link = f"{workshop.status_url}/…/"
    sample = previews.sample_order(now)
    return [
        (tone, previews.preview(sample, kind, tone, with_them, now, link))
        for tone in previews.TONES
    ]


# ---------------------------------------------------------------- a letter to oneself


@router.get("/letters/test", name="test_letter")
def test_letter(request: Request, workshop: TheWorkshop) -> Response:
    """Where a test letter goes, and of which kind."""
    own = workshop.in_force().settings.contact_mail
    return _test_letter(request, {"to": own, "kind": _FIRST}, {})


@router.post("/letters/test", name="test_letter_send")
def test_letter_send(request: Request, workshop: TheWorkshop, me: Me, form: Filled) -> Response:
    """Send it now, and say in words if it does not go."""
    try:
        trial.send(workshop, form, me)
    except BadFields as why:
        return _test_letter(request, form.plain(), why.fields, 422)
    return go(request, "/letters/test?done=test_sent")


def _test_letter(
    request: Request, typed: dict[str, str], errors: dict[str, str], status: int = 200
) -> Response:
    context = {"typed": typed, "errors": errors, "kinds": previews.kinds()}
    return render(request, "letters/test.html", context, status)
