"""What tests of letters lean on: a shop that writes, customers with addresses, letters read back."""

import json
from email import policy
from email.message import EmailMessage
from email.parser import BytesParser
from pathlib import Path

from sqlalchemy import insert, update

from app.flow import news_rows as news
from app.letters import worker as letters_worker
from app.orders.order import links
from app.shared.places import DataFolder
from app.studio.workshop import Workshop
from app.tables import customer_mails, orders, settings, views_asked
from tests.making import CAST, HOUR, NOW, MadeOrder, Wanted, make_order, rows

MINUTE = 60
MAIL = "imre@castellan.example"
STUDIO_MAIL = "desk@fernlight.example"


class LetterShop(Workshop):
    """A workshop whose moment is set by hand."""

    def __init__(self, folder: DataFolder) -> None:
        super().__init__(folder, public_url="https://pages.fernlight.example")
        self.moment = NOW

    def now(self) -> int:
        return self.moment

    def introduce(self, **more: object) -> None:
        """Give the studio its name, mail address, and whatever else is set."""
        said = {"name": "Fernlight", "contact_mail": STUDIO_MAIL, **more}
        with self.database.writing() as db:
            for name, value in said.items():
                row = {"name": name, "value": json.dumps(value), "changed_at": NOW}
                db.execute(insert(settings).values(row))
        self.forget()

    def post(self, after: int = 0) -> int:
        """Let time pass, then form and send; gives how many letters left."""
        self.moment += after
        letters_worker.form_round(self)
        return letters_worker.send_round(self).sent

    def day_by_day(self, until: int) -> None:
        """Form and send every half hour until a moment."""
        while self.moment < until:
            self.moment += HOUR // 2
            letters_worker.form_round(self)
            letters_worker.send_round(self)


def ordered(
    workshop: LetterShop, wanted: list[Wanted] | None = None, *, mail: str = MAIL, **fields: object
) -> MadeOrder:
    """An order taken in now, whose customer has an address and a link, with its first news."""
    imported = bool(fields.get("imported", False))
    made = make_order(workshop.database, CAST.desk, workshop.moment, wanted or [Wanted()], **fields)
    with workshop.database.writing() as db:
        if mail:
            db.execute(
                insert(customer_mails).values(
                    customer_id=made.customer_id, mail=mail, mail_key=mail.casefold(), receives=1
                )
            )
        links.make(db, workshop.folder.key, made.id, None, workshop.moment)
        if not imported:
            news.write(db, made.id, "order_in", workshop.moment)
    return made


def change_order(workshop: LetterShop, order: MadeOrder, **fields: object) -> None:
    """Change columns of an order as an edit would."""
    with workshop.database.writing() as db:
        db.execute(update(orders).where(orders.c.id == order.id).values(**fields))


def ask_views(workshop: LetterShop, order: MadeOrder, attempt: int, *wishes: str) -> None:
    """The numbered views of a request for more."""
    with workshop.database.writing() as db:
        for number, wish in enumerate(wishes, start=1):
            db.execute(
                insert(views_asked).values(
                    model_id=order.model().id, attempt=attempt, number=number, wish=wish,
                    asked_at=workshop.moment,
                )
            )  # fmt: skip


def files(workshop: LetterShop) -> list[Path]:
    """The files that letters became, in the order of their ids."""
    return sorted(workshop.folder.letters.glob("*.eml"))


def read(data: bytes | Path) -> EmailMessage:
    """A mail as another program reads it."""
    raw = data.read_bytes() if isinstance(data, Path) else data
    found = BytesParser(policy=policy.default).parsebytes(raw)
    assert isinstance(found, EmailMessage)
    return found


def text_of(mail: EmailMessage) -> str:
    """A mail's words with its line breaks undone."""
    part = mail.get_body(("plain",))
    assert part is not None
    return " ".join(part.get_content().split())


def letters(workshop: LetterShop) -> list[tuple[object, ...]]:
    """id, state, kind, tries, why of every letter."""
    return rows(workshop.database, "SELECT id, state, kind, tries, why FROM letters ORDER BY id")


def kinds(workshop: LetterShop) -> list[str]:
    """What the letters told, one line for each: "photos_passed making_begun"."""
    found = rows(
        workshop.database, "SELECT parts FROM letters WHERE state <> 'dropped' ORDER BY id"
    )
    return [" ".join(part["kind"] for part in json.loads(str(raw))) for (raw,) in found]
