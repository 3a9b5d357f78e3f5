"""Letters of the past: rows only, and the news they told, so that opening the demo mails nothing.

What happened in the last day before the demo was made is left to be told: its letters go with the
next posting window, as files.
"""

from collections.abc import Iterable

from app.demo.floor import DemoFloor
from app.demo.ledger import Job, Row
from app.flow.rules import State
from app.flow.steps import Of, Step
from app.letters import rules
from app.letters.letter import Part, parts_to_json
from app.letters.rules import GRACE, Posting
from app.letters.wording import CALLED
from app.shared.calendar import DAY

_FRESH = DAY
_DOMAIN = "letters.invalid"


def write_letters(floor: DemoFloor) -> None:
    """Settle the news of the past with a letter for each order and posting window."""
    ledger = floor.ledger
    news = ledger.rows["news"]
    by_order: dict[int, list[Row]] = {}
    for row in news:
        by_order.setdefault(row["order_id"], []).append(row)
    mails = {
        row["customer_id"]: row["mail"]
        for row in ledger.rows.get("customer_mails", ())
        if row["receives"]
    }
    names = {row["id"]: row["name"] for row in ledger.rows.get("customers", ())}
    posting = Posting(floor.calendar, 10, 17)
    found: list[tuple[int, Job, list[Row]]] = []
    for job in floor.jobs:
        own = [*_asking(floor, job, posting), *by_order.get(job.id, ())]
        past = [row for row in own if row["at"] < floor.now - _FRESH]
        found += _letters(floor, job, past, posting)
    for goes, job, told in sorted(found, key=lambda one: one[0]):
        customer = job.row["customer_id"]
        letter = _letter(floor, job, told, goes, mails.get(customer, ""), names.get(customer, ""))
        for row in told:
            row["told_at"], row["letter_id"] = goes, letter


def _asking(floor: DemoFloor, job: Job, posting: Posting) -> list[Row]:
    """That the order is in, what was asked, and the reminders of photos that are wanted."""
    if job.row["imported"]:
        return []
    at = job.row["recorded_at"]
    found = [_news(floor, job, "order_in", "", 0, at)]
    for row in floor.ledger.rows.get("questions", ()):
        if row["order_id"] == job.id and row["channel"] == "letter" and row["asked"]:
            found.append(_news(floor, job, "question", "", row["id"], row["asked_at"]))
    asked_on = floor.calendar.day_of(posting.next(at + GRACE))
    for model in job.models:
        if not _still_wanted(model.state) or model.animal["life"] == "remembered":
            continue
        for number, day in enumerate(rules.reminder_days(asked_on, floor.calendar), start=1):
            moment = posting.opens(day) - GRACE
            if moment < floor.now - _FRESH:
                found.append(_news(floor, job, "photo_reminder", model.letter, number, moment))
    return found


def _still_wanted(state: State) -> bool:
    wanted = state.of is Of.MODEL and state.step is Step.PHOTOS_WANTED and not state.attempts
    return wanted and state.told_at is None and not state.held


def _news(floor: DemoFloor, job: Job, kind: str, letter: str, round_: int, at: int) -> Row:
    return floor.ledger.note("news", order_id=job.id, letter=letter, kind=kind, round=round_, at=at)


def _letters(
    floor: DemoFloor, job: Job, past: Iterable[Row], posting: Posting
) -> list[tuple[int, Job, list[Row]]]:
    """What each letter told, and when: one for each day on which there was something to tell."""
    windows: dict[int, list[Row]] = {}
    for row in sorted(past, key=lambda row: row["at"]):
        goes = posting.next(row["at"] + GRACE)
        windows.setdefault(floor.calendar.day_of(goes).toordinal(), []).append(row)
    return [(posting.next(told[-1]["at"] + GRACE), job, told) for told in windows.values()]


def _letter(floor: DemoFloor, job: Job, told: list[Row], goes: int, mail: str, name: str) -> int:
    kinds = sorted({row["kind"] for row in told}, key=rules.KINDS.index)
    parts = [
        Part(
            kind,
            tuple(sorted({r["letter"] for r in told if r["kind"] == kind and r["letter"]})),
            max(row["round"] for row in told if row["kind"] == kind),
        )
        for kind in kinds
    ]
    animals = {model.letter: model.animal for model in job.models}
    about = " and ".join(dict.fromkeys(animal["name"] for animal in animals.values()))
    plain = f"{about or 'Your order'}: {CALLED[kinds[0]]}"
    number = floor.ledger.take_id("letters")
    floor.ledger.note(
        "letters", id=number, order_id=job.id, state="sent", kind=kinds[0],
        parts=parts_to_json(parts), recipient=mail, to_name=name, gift=job.row["gift"],
        subject=f"Your order {job.row['number']}" if job.row["gift"] else plain,
        remembered="".join(k for k, a in animals.items() if a["life"] == "remembered"),
        message_id=f"<past{number}@{_DOMAIN}>", tag=f"p{number}", formed_at=goes, next_at=goes,
        tries=1, sent_at=goes + 4,
    )  # fmt: skip
    return number
