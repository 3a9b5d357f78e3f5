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

Shop = TestWorkshop


def test_the_audit_finds_a_page_that_says_something_else(shop: Shop) -> None:
    _order, _ = linked_order(shop)
    rewrite_stale(shop)
    assert differences(shop) == []
    with shop.house.writing() as db:
        db.execute(update(animals).values(name="Maple"))
    assert differences(shop) == ["text"]
    want_all(shop)
    assert check_pages(shop.house.reading, shop.folder.pages, shop.studio(), NOW) == (0, [])


def test_the_audit_finds_a_page_under_no_link_and_a_link_without_a_page(shop: Shop) -> None:
    order, _token = linked_order(shop)
    rewrite_stale(shop)
    row = read_all(shop.folder.pages)[0]
    pages = PagesFile(shop.folder.pages)
    pages.replace([order.id], [])
    assert differences(shop) == ["link"]
    pages.replace([order.id], [row, replace(row, token_hash="0" * 64)])
    assert differences(shop) == ["link"]
    pages.close()
