"""Today's table beside its floor: `PYTHONPATH=. python tests/benchmarks/bench_packing.py`.

The floor is the same as that of the Benches page (`bench_benches.py`): a bare application that reads
raw rows and writes the same bytes through Jinja2 with autoescape. All of 400 pieces stand at packing.
"""

import asyncio
import gc
import sqlite3
import tempfile
from pathlib import Path
from typing import Any

from fastapi import Depends, FastAPI, Request
from jinja2 import DictLoader, Environment
from sqlalchemy import insert
from starlette.applications import Starlette
from starlette.responses import HTMLResponse
from starlette.routing import Route

from app.flow.steps import Step
from app.orders.benches import store as benches_store
from app.parcels import packing_pages
from app.shared.web import refusals
from app.shared.web.headers import Guard
from app.shared.web.templating import environment
from app.staff import gate
from app.tables import accounts
from app.tables.migrating import migrate
from tests.benchmarks.bench_benches import ask, cpu, side_by_side
from tests.making import CAST, DAY, MADE_AT, NOW, Wanted, make_order
from tests.orders.benches.site import TestShop, open_shop

PIECES = 400
FLOOR_ROW = """\
{% for r in rows %}<form class="address" method="post" action="/parcels/begin"><h3>{{ r[1] }}</h3>
<p class="where">To {{ r[1] }}</p><h4><a href="/orders/{{ r[2] }}">Order {{ r[2] }}</a></h4><ul class="plain">
<li class="packed"><label class="tick"><input type="checkbox" name="copy" value="{{ r[0] }}">
<span><strong>{{ r[3] }}</strong> <span class="code">{{ r[2] }}-{{ r[4] }}{{ r[5] }}</span></span></label>
<p class="where"><a href="/pieces/copy/{{ r[0] }}">size missing</a></p><ul class="stops"><li>▲ It is not paid in full.
<a href="/orders/{{ r[2] }}/edit">Note the payment</a></li></ul></li></ul></form>{% endfor %}"""


def site(workshop: TestShop) -> Guard:
    """Today's table alone behind the house's guard."""

    async def door(request: Request) -> None:
        request.state.person = CAST.desk
        request.state.may = lambda name: gate.may(CAST.desk.role, name)
        with workshop.database.reading() as db:
            request.state.version = benches_store.version(db)
        request.state.studio = workshop.in_force
        request.state.banners = list

    app = FastAPI(dependencies=[Depends(door)])
    app.state.workshop = workshop
    app.state.templates = environment()
    app.include_router(packing_pages.router)
    refusals.install(app)
    return Guard(app, hosts=None, referrer="same-origin")


def floor_app(path: Path, frame: str) -> Starlette:
    """The same page without a house around it: `frame` stands for all that is not a row."""
    raw = sqlite3.connect(path, check_same_thread=False)
    raw.execute("PRAGMA query_only = ON")
    env = Environment(loader=DictLoader({"page": "{{ frame }}" + FLOOR_ROW}), autoescape=True)
    template = env.get_template("page")

    def page(_: Any) -> HTMLResponse:
        raw.execute("SELECT version FROM house").fetchone()
        rows = raw.execute(
            "SELECT c.id, k.name, o.number, a.name, c.letter, c.number FROM copies c"
            " JOIN orders o ON o.id = c.order_id JOIN customers k ON k.id = o.customer_id"
            " JOIN models m ON m.id = c.model_id JOIN animals a ON a.id = m.animal_id"
            " WHERE c.step = 'packing' AND c.open = 1 ORDER BY o.number"
        ).fetchall()
        return HTMLResponse(template.render(rows=rows, frame=frame))

    return Starlette(routes=[Route("/parcels", page)])


def house_of(folder: Path) -> TestShop:
    """A house with so many pieces at packing: two to an order, each order a customer's own."""
    migrate(folder / "studio.db", MADE_AT)
    workshop = open_shop(folder)
    with workshop.database.writing() as db:
        for person in CAST.everybody:
            db.execute(
                insert(accounts).values(
                    id=person.account_id, name=person.name, name_key=person.name.casefold(),
                    role=person.role, made_at=MADE_AT,
                )
            )  # fmt: skip
    wanted = [Wanted(step=Step.READY, copies=2, copy_step=Step.PACKING)]
    for n in range(PIECES // 2):
        make_order(workshop.database, CAST.desk, NOW - n % 9 * DAY, wanted, customer=f"Sela {n}")
    return workshop


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        workshop = house_of(Path(folder))
        app = site(workshop)
        page = asyncio.run(ask(app, "/parcels"))[1].decode()
        bare = floor_app(workshop.database.path, "")
        frame = len(page.encode()) - len(asyncio.run(ask(bare, "/parcels"))[1])
        floor = floor_app(workshop.database.path, "x" * max(0, frame))
        gc.collect()
        gc.freeze()
        got = side_by_side(
            {"floor": lambda: cpu(floor, "/parcels"), "page": lambda: cpu(app, "/parcels")}
        )
        rows = page.count('<li class="packed"')
        size = len(asyncio.run(ask(floor, "/parcels"))[1]) / len(page.encode())
        print(f"rows {rows}; floor's bytes to the page's {size:.3f}; CPU ms {got}")
        print(f"page to floor {got['page'] / got['floor']:.2f}")
        workshop.close()


if __name__ == "__main__":
    main()
