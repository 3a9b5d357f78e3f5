"""Orders with links, for tests of publishing and of the customers' site."""

import time
from collections.abc import Callable
from html.parser import HTMLParser

from sqlalchemy import insert

from app.orders.order import links
from app.publishing.checking import check_pages
from app.publishing.pages_file import read_all
from app.shared.tokens import token_hash
from app.studio.workshop import Workshop
from app.tables import forecasts
from tests.making import CAST, NOW, MadeOrder, Wanted, make_order, walk

TO_FINISHING = ("photos_counted", "build_started", "build_finished", "good")


def linked_order(workshop: Workshop, *wanted: Wanted, **fields: object) -> tuple[MadeOrder, str]:
    """An order, and the text of its link."""
    order = make_order(workshop.database, CAST.desk, NOW, wanted or (Wanted(),), **fields)
    with workshop.database.writing() as db:
        db.execute(insert(forecasts).values(order_id=order.id, computed_at=NOW))
        token = links.make(db, workshop.folder.key, order.id, None, NOW)
    return order, token


def passed_order(workshop: Workshop, *wanted: Wanted) -> tuple[MadeOrder, str, int]:
    """An order whose photos have passed, its link, and the moment after."""
    order, token = linked_order(workshop, *wanted)
    last = NOW
    for code in order.pieces:
        if len(code) == 1:
            last = walk(workshop.database, order.model(code), CAST.desk, NOW, *TO_FINISHING)
    return order, token, last


def said(workshop: Workshop, token: str) -> str:
    """The text of a page, or "" where there is none."""
    found = {row.token_hash: row for row in read_all(workshop.folder.pages)}
    row = found.get(token_hash(token))
    return text_of(row.html) if row else ""


def text_of(html: bytes) -> str:
    """What a page says, without its tags."""
    parser = _Text()
    parser.feed(html.decode())
    return "".join(parser.parts)


class _Text(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.parts: list[str] = []

    def handle_data(self, data: str) -> None:
        self.parts.append(data)


def differences(workshop: Workshop) -> list[str]:
    count, found = check_pages(
        workshop.database.reading, workshop.folder.pages, workshop.in_force(), workshop.now()
    )
    assert count or found
    return [difference.field for difference in found]


def until(workshop: Workshop, what: Callable[[], bool]) -> None:
    end = time.monotonic() + 5
    while not what():
        assert time.monotonic() < end, "the worker did not get there"
        workshop.changed.set()
        time.sleep(0.02)
