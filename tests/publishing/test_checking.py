"""The audit's look at the pages: what it finds, and what is no difference."""

from dataclasses import replace

from sqlalchemy import update

from app.publishing.checking import check_pages
from app.publishing.pages_file import PagesFile, read_all
from app.publishing.worker import rewrite_stale, want_all
from app.tables import animals
from tests.making import NOW
from tests.publishing.conftest import TestWorkshop
from tests.publishing.orders import differences, linked_order

ClockedWorkshop = TestWorkshop


def test_the_audit_finds_a_page_that_says_something_else(workshop: ClockedWorkshop) -> None:
    _order, _ = linked_order(workshop)
    rewrite_stale(workshop)
    assert differences(workshop) == []
    with workshop.database.writing() as db:
        db.execute(update(animals).values(name="Maple"))
    assert differences(workshop) == ["text"]
    want_all(workshop)
    assert check_pages(
        workshop.database.reading, workshop.folder.pages, workshop.in_force(), NOW
    ) == (0, [])


def test_the_audit_finds_a_page_under_no_link_and_a_link_without_a_page(
    workshop: ClockedWorkshop,
) -> None:
    order, _token = linked_order(workshop)
    rewrite_stale(workshop)
    row = read_all(workshop.folder.pages)[0]
    pages = PagesFile(workshop.folder.pages)
    pages.replace([order.id], [])
    assert differences(workshop) == ["link"]
    pages.replace([order.id], [row, replace(row, token_hash="0" * 64)])
    assert differences(workshop) == ["link"]
    pages.close()
