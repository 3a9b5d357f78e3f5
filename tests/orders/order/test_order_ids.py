"""Each field of the order's page has an id of its own, and a form that comes back fills no other."""

import re
from collections import Counter

from app.flow.steps import Step
from app.orders.order.asking import FROM_HERE
from tests.making import CAST, NOW, Wanted, make_order
from tests.staff.browser import Browser, ClockedWorkshop
from tests.whole_site import owner, the_form, workshop

__all__ = ["owner", "workshop"]


def test_no_id_stands_twice_on_a_page_with_everything_on_it(
    workshop: ClockedWorkshop, owner: Browser
) -> None:
    goats = [Wanted("Juniper", 2), Wanted("Otis", 1, step=Step.FINISHING)]
    order = make_order(workshop.database, CAST.desk, NOW, goats, paid="all")
    where = f"/orders/{order.number}"
    for asked in ("Which eye is blue?", "Which ear hangs?"):
        typed = {"topic": "limits", "asked": asked, "about": "order", "waits": FROM_HERE}
        assert owner.post(f"{where}/ask", typed).status_code == 303
    contact = {"told": "Soon.", "from_day": "2026-04-01", "to_day": "2026-04-20"}
    assert owner.post(f"{where}/contact", contact).status_code == 303
    page = owner.get(where).text
    for form in ("hold", "cancel", "ask", "contact", "deadline", "photos"):
        assert f'action="{where}/{form}"' in page
    assert page.count(f'action="{where}/copies/') == 2
    for text in (page, owner.post(f"{where}/cancel", {"about": "order", "whose": "studio"}).text):
        ids = Counter(re.findall(r'\bid="([^"]+)"', text))
        assert [one for one, count in ids.items() if count > 1] == []
        assert set(re.findall(r'(?:for|aria-describedby)="([^"]+)"', text)) <= set(ids)


def test_what_is_wrong_with_a_cancellation_is_not_said_of_a_hold(
    workshop: ClockedWorkshop, owner: Browser
) -> None:
    order = make_order(workshop.database, CAST.desk, NOW, [Wanted("Juniper")])
    page = owner.post(f"/orders/{order.number}/cancel", {"about": "order", "whose": "supplier"})
    assert page.status_code == 422
    assert page.text.count('class="say"') == 1
    cancel = the_form(page.text, f"/orders/{order.number}/cancel")
    assert cancel.fields["whose"] == "supplier"
    assert the_form(page.text, f"/orders/{order.number}/hold").fields["whose"] == "customer"
