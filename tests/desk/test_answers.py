"""Ready texts: what a message asks for, and that no text promises what a piece's step no longer
allows, for every order that tests.status.rows knows and every step."""

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.desk.answers import answers
from app.desk.recognising import asked_for
from app.flow.steps import PHOTO_STEPS, PLACE, STEPS, Of, Step
from app.letters.wording import CALLED
from app.orders.facts.changeable import Detail, changeable
from app.orders.facts.order import OrderFacts, ParcelFacts
from app.status.voice import Days
from tests.making import DAY, NOW
from tests.status.rows import (
    KINDS,
    LONDON,
    PASSED,
    RANGE,
    ROWS,
    animal,
    copy,
    facts_at,
    in_tone,
    order,
)
from tests.status.rows_after import after_rows

DAYS = Days(LONDON, NOW)
MODEL_STEPS = [s for s in Step if STEPS[s].of is Of.MODEL]
COPY_STEPS = [
    s for s in Step if STEPS[s].of is Of.COPY and s not in (Step.REPLACED, Step.CANCELLED)
]
# Never said where an animal has died, and never where staff copy from.
HURTS = re.compile(
    r"\bpass(es|ed)?\b|\bpieces?\b|will (not )?do\b|good enough|turned? out|enjoy|looking forward|!",
    re.IGNORECASE,
)


def said(facts: OrderFacts, key: str) -> str:
    return next(text.text for text in answers(facts, DAYS, "") if text.key == key)


def at(model: Step, step: Step, *, confirmed: bool = True, tone: str = "plain") -> OrderFacts:
    parcels = ()
    where: dict[str, object] = {}
    if step in (Step.HANDED_OVER, Step.RECEIVED):
        parcels = (ParcelFacts(1, "carrier", "Tern Parcels", "RR1", NOW - DAY),)
        where = {"parcel_id": 1}
    one = copy(step, inscription="JUNIPER", spelling_confirmed=confirmed, **where)
    own = PASSED if model not in PHOTO_STEPS else {}
    return in_tone(order(animal(model, copies=(one,), **own), parcels=parcels), tone)


# ---------------------------------------------------------------- what can still change


@given(st.sampled_from(COPY_STEPS), st.booleans())
def test_what_is_past_never_comes_back_into_reach(step: Step, confirmed: bool) -> None:
    open_ = set(changeable(step, confirmed=confirmed))
    later = [other for other in COPY_STEPS if PLACE[other] >= PLACE[step]]
    assert all(set(changeable(other, confirmed=confirmed)) <= open_ for other in later)
    # Another pose is another version of the model, as long as its blank has not begun.
    assert (Detail.POSE in open_) == (step is Step.NOT_BEGUN)
    if step is not Step.NOT_BEGUN:
        assert not open_ & {Detail.POSE, Detail.SIZE}
    if PLACE[step] >= PLACE[Step.PAINTING]:
        assert Detail.BASE not in open_
        assert not confirmed or Detail.INSCRIPTION not in open_
    if PLACE[step] > PLACE[Step.PACKING]:
        assert not open_


@given(
    st.sampled_from(MODEL_STEPS), st.sampled_from(COPY_STEPS), st.booleans(), st.sampled_from(KINDS)
)
def test_a_ready_text_offers_what_the_steps_allow_and_nothing_else(
    model: Step, step: Step, confirmed: bool, tone: str
) -> None:
    facts = at(model, step, confirmed=confirmed, tone=tone)
    open_ = changeable(step, confirmed=confirmed)
    for key in ("change", "too_late"):
        text = said(facts, key)
        offered = re.search(r"we can still change the ([^.]*?)(, but not|\.)", text)
        named = set(re.findall(r"pose|size|base|inscription", offered.group(1) if offered else ""))
        assert named == {str(detail) for detail in open_}, text


def test_copies_of_which_not_the_same_is_so_are_told_apart() -> None:
    begun = copy(Step.SHAPING)
    other = copy(Step.NOT_BEGUN, number=2)
    text = said(order(animal(Step.READY, copies=(begun, other), **PASSED)), "change")
    assert "For the 80 mm copy of Juniper we can still change the base and inscription" in text
    assert (
        "For the 100 mm copy of Juniper we can still change the pose, size, base and inscription"
        in text
    )


# ---------------------------------------------------------------- five more kinds of message


def test_a_move_is_answered_by_where_the_parcels_are() -> None:
    assert "Nothing has left the workshop yet" in said(facts_at("painting"), "moving")
    gone = said(at(Step.READY, Step.HANDED_OVER), "moving")
    assert "It went to the address we had then" in gone
    assert "Tern Parcels" in gone
    assert "new address, and the day" not in gone
    assert "already arrived" in said(at(Step.READY, Step.RECEIVED), "moving")


def test_cancelling_is_offered_until_it_has_left_and_calmly_for_the_remembered() -> None:
    assert "haven’t started the work by hand" in said(
        at(Step.PHOTOS_WANTED, Step.NOT_BEGUN), "cancel"
    )
    assert "started on the model" in said(at(Step.FINISHING, Step.NOT_BEGUN), "cancel")
    assert "already started the work by hand" in said(at(Step.READY, Step.PAINTING), "cancel")
    assert "can’t stop it any more" in said(at(Step.READY, Step.HANDED_OVER), "cancel")
    calm = said(at(Step.READY, Step.PAINTING, tone="remembered"), "cancel")
    assert "There’s no hurry" in calm
    paused = order(
        animal(Step.READY, copies=(copy(Step.PAINTING, hold_whose="customer"),), **PASSED)
    )
    assert "we can pause" not in said(paused, "cancel")


def test_damage_is_answered_with_what_to_keep_only_where_something_has_left() -> None:
    assert "Nothing from this order has left" in said(at(Step.READY, Step.PAINTING), "damaged")
    on_its_way = said(at(Step.READY, Step.HANDED_OVER), "damaged")
    assert "Keep everything" in on_its_way
    assert "as soon as you can" in on_its_way
    arrived = said(at(Step.READY, Step.RECEIVED), "damaged")
    assert "by 8 March at the latest" in arrived


def test_whether_it_is_too_late_follows_the_model_and_the_copy() -> None:
    early = said(at(Step.FINISHING, Step.NOT_BEGUN), "too_late")
    assert "It isn’t too late to add a copy" in early
    late = said(at(Step.READY, Step.PAINTING), "too_late")
    assert "too late for another copy to travel with these" in late
    assert "too far on to change" in late


def test_of_a_cancelled_order_every_text_says_so_and_promises_nothing() -> None:
    stopped = order(animal(Step.CANCELLED, copies=(copy(Step.CANCELLED),)))
    texts = [text.text for text in answers(stopped, DAYS, "")]
    assert all("has been cancelled" in text for text in texts)
    assert not any("working out" in text or "we can still" in text for text in texts)


def test_what_a_person_should_tell_is_offered_only_where_it_is_so() -> None:
    plain = {text.key for text in answers(at(Step.READY, Step.PAINTING), DAYS, "")}
    assert not plain & {"held", "made_again", "cancelled"}
    held = order(
        animal(Step.READY, copies=(copy(Step.PAINTING, hold_whose="studio"),), **PASSED),
        shown=RANGE,
    )
    assert "We’ve paused work on" in said(held, "held")
    assert "the dates can move" in said(held, "held")
    again = in_tone(ROWS["remake"], "remembered")
    assert "You should hear this from us." in said(again, "made_again")
    stopped = order(animal(Step.CANCELLED, copies=(copy(Step.CANCELLED),)))
    assert "If that comes as a surprise" in said(stopped, "cancelled")


# ---------------------------------------------------------------- words


@pytest.mark.parametrize("row", ROWS)
def test_no_ready_text_for_the_remembered_says_what_hurts(row: str) -> None:
    for text in answers(facts_at(row, "remembered"), DAYS, ""):
        assert not HURTS.search(text.text), text.text


@given(st.sampled_from(MODEL_STEPS), st.sampled_from(COPY_STEPS), st.booleans())
def test_nothing_that_hurts_is_said_at_any_step(model: Step, step: Step, confirmed: bool) -> None:
    for text in answers(at(model, step, confirmed=confirmed, tone="remembered"), DAYS, ""):
        assert not HURTS.search(text.text), text.text


def test_the_desk_calls_no_email_by_a_word_that_hurts() -> None:
    assert [said for said in CALLED.values() if HURTS.search(said)] == []


def test_a_gift_is_answered_as_plainly_as_any_order() -> None:
    facts = at(Step.READY, Step.PAINTING)
    gift = replace(facts, gift=True)
    assert [t.text for t in answers(gift, DAYS, "")] == [t.text for t in answers(facts, DAYS, "")]


# ---------------------------------------------------------------- pasted messages

MESSAGES = {
    "Hello, did the photos of Juniper arrive? I sent them on Monday with a link.": "arrived",
    "Have you received my pictures yet? There were about eighty.": "arrived",
    "Are the photos any good? Some of them came out blurry.": "usable",
    "Can you work from these or shall I take some more of her left side?": "usable",
    "Hi, how long will it take from here? No rush at all.": "how_long",
    "Any news of Juniper? It has been a while since I heard from you.": "how_long",
    "My sister saw the page and would like one too. Could I order another copy for her?": "add",
    "We would love an extra copy in the smaller size, is that possible?": "add",
    "Could it be here before the 21st? It is for my mother's birthday.": "by_a_day",
    "Do you think she will be ready in time for Easter?": "by_a_day",
    "Could we change the pose after all? We think lying down suits her better.": "change",
    "I would like a different base, walnut in place of oak.": "change",
    "You have the name spelt wrong, it should be JUNIPER with one P.": "change",
    "Where is my parcel? The tracking has said the same thing for four days.": "parcel",
    "Has it been posted yet, and which carrier is it coming with?": "parcel",
    "Just to let you know that we are moving house on the 3rd of May.": "moving",
    "Our new address from next week is 4 Ferry Lane, Saltmarsh.": "moving",
    "I am sorry but I have to cancel the order, things are tight at the moment.": "cancel",
    "We have decided to call it off. What happens to the deposit?": "cancel",
    "She arrived today and one ear is broken off. The box had a dent.": "damaged",
    "I am disappointed, the blaze is the wrong colour and the base is loose.": "damaged",
    "Is it too late to add a copy for my brother?": "too_late",
    "Is there still time to change the inscription?": "too_late",
    "Do you still have my collar? I would love to have it back one day.": "lent",
    "Please tell me that the ashes are safe with you.": "lent",
    "Thank you so much for everything, she would have been thirty this week.": "",
}  # fmt: skip
# What the text must say of an order whose copy is being painted and whose dates are known.
TRUE_OF_PAINTING = {
    "arrived": "We counted them in", "usable": "good to work from", "how_long": "between",
    "add": "as an order of its own", "by_a_day": "between", "change": "too far on to change",
    "parcel": "hasn’t left the workshop yet", "moving": "Nothing has left the workshop yet",
    "cancel": "already started the work by hand", "damaged": "Nothing from this order has left",
    "too_late": "too late for another copy to travel with these",
    "lent": "there’s nothing of yours here with us",
}  # fmt: skip


def test_what_was_lent_is_here_or_it_is_said_how_it_went() -> None:
    facts = after_rows()["a collar here"]
    assert "We have Juniper’s collar here, and it comes back to you" in said(facts, "lent")
    facts = after_rows()["a collar in the parcel"]
    assert "Juniper’s collar left us with the parcel on Monday." in said(facts, "lent")
    facts = after_rows()["a collar given back by hand"]
    assert "We gave Juniper’s collar back to you on Monday." in said(facts, "lent")


@pytest.mark.parametrize(("message", "key"), MESSAGES.items())
def test_a_pasted_message_finds_its_answer_and_the_answer_is_true(message: str, key: str) -> None:
    assert asked_for(message) == key
    facts = replace(ROWS["painting"], copy_deadline=None)
    if key:
        assert TRUE_OF_PAINTING[key] in said(facts, key)
