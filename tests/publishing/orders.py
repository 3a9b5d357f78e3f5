"""Orders with links, for tests of publishing and of the customers' site."""

from sqlalchemy import insert

from app.orders import links
from app.studio.workshop import Workshop
from app.tables import forecasts
from tests.making import CAST, NOW, MadeOrder, Wanted, make_order, walk

TO_FINISHING = ("photos_counted", "build_started", "build_finished", "good")


def linked_order(shop: Workshop, *wanted: Wanted, **fields: object) -> tuple[MadeOrder, str]:
    """An order, and the text of its link."""
    order = make_order(shop.house, CAST.desk, NOW, wanted or (Wanted(),), **fields)
    with shop.house.writing() as db:
        db.execute(insert(forecasts).values(order_id=order.id, computed_at=NOW))
        token = links.make(db, shop.folder.key, order.id, None, NOW)
    return order, token


def passed_order(shop: Workshop, *wanted: Wanted) -> tuple[MadeOrder, str, int]:
    """An order whose photos have passed, its link, and the moment after."""
    order, token = linked_order(shop, *wanted)
    last = NOW
    for code in order.pieces:
        if len(code) == 1:
            last = walk(shop.house, order.model(code), CAST.desk, NOW, *TO_FINISHING)
    return order, token, last
