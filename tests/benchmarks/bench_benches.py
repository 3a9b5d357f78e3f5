"""The Benches page beside its floor: `PYTHONPATH=. python tests/benchmarks/bench_benches.py`.

The floor is a bare Starlette app that reads raw sqlite3 rows and writes the same bytes through
Jinja2 with autoescape. Rounds are interleaved; CPU is of the whole process, medians of rounds.
"""

import asyncio
import gc
import re
import sqlite3
import tempfile
from collections.abc import Callable
from pathlib import Path
from statistics import median, quantiles
from time import perf_counter, process_time
from typing import Any

from jinja2 import DictLoader, Environment
from sqlalchemy import event, insert
from starlette.applications import Starlette
from starlette.responses import HTMLResponse
from starlette.routing import Route

from app.orders.benches import store as benches_store
from app.shared.database import Database
from app.tables import accounts
from app.tables.migrating import migrate
from tests.making import CAST, DAY, MADE_AT, NOW
from tests.orders.benches.site import TestShop, fill, open_shop, site

ROUNDS, EACH = 15, 6
FLOOR_ROW = """\
{% for r in rows %}{% set days = (now - r[4]) / 86400 %}{% set wide = days * 4.9 %}
{% set code = "%s-%s%s"|format(r[27], r[20], r[21]) %}
<li class="piece" id="{{ r[0] }}-{{ r[1] }}"><input type="checkbox" name="tick"
value="{{ r[0] }}:{{ r[1] }}:{{ r[2] }}" id="t{{ r[1] }}{{ r[3] }}" aria-label="{{ r[34] }} {{ code }}">
<svg class="age" role="img" aria-label="here {{ days|int }} days; usual 5, slow 11">
<rect width="{{ '%.1f'|format(wide) }}"/><use href="#s1"/>
{% if days > 11 %}<path d="M{{ '%.1f'|format(wide) }} 3l6 5.5-6 5.5z"/>{% endif %}
<text>{{ days|int }} d</text></svg>
<p><a href="/pieces/{{ r[0] }}/{{ r[1] }}">{{ r[34] }}</a>, {{ r[35] }} <small>{{ code }}</small></p>
<p>{{ r[10] or r[9] or r[7] or 'photos accepted 20 Feb' }}</p>
{% if r[30] or r[28] %}<p>{% if r[30] %}<b class="soon">Needed by {{ r[30] }}</b>{% endif %}
{% if r[28] %}Gift, given on {{ r[29] }}{% endif %}</p>{% endif %}
<p class="do"><button class="main" name="move" value="shaped:{{ r[0] }}:{{ r[1] }}:{{ r[2] }}">Done
<i> {{ r[34] }} {{ code }}</i></button>{% if r[3] not in
('blank', 'photos_in', 'building', 'photos_wanted') %}<button name="open" value="{{ r[0] }}:{{ r[1] }}">
Set aside<i> {{ code }}</i></button>{% endif %}</p></li>
{% endfor %}"""


def floor_app(path: Path, frame: str) -> Starlette:
    """The same page without a house around it: `frame` stands for all that is not a row."""
    raw = sqlite3.connect(path, check_same_thread=False)
    raw.execute("PRAGMA query_only = ON")
    env = Environment(loader=DictLoader({"page": "{{ frame }}" + FLOOR_ROW}), autoescape=True)
    template = env.get_template("page")

    def page(_: Any) -> HTMLResponse:
        raw.execute("SELECT version FROM house").fetchone()
        rows = raw.execute(benches_store.MODELS).fetchall()
        rows += raw.execute(benches_store.COPIES).fetchall()
        return HTMLResponse(template.render(rows=rows, now=NOW, frame=frame))

    return Starlette(routes=[Route("/", page)])


async def ask(app: Any, path: str) -> tuple[int, bytes]:
    """One GET, without a client's own work in between."""
    path, _, query = path.partition("?")
    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "GET",
        "scheme": "http", "path": path, "raw_path": path.encode(), "query_string": query.encode(),
        "headers": [(b"host", b"testserver"), (b"x-person", b"5")], "server": ("testserver", 80),
        "client": ("127.0.0.1", 1), "root_path": "",
    }  # fmt: skip
    status, body = 0, b""

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: dict[str, Any]) -> None:
        nonlocal status, body
        status = message.get("status", status)
        body += message.get("body", b"")

    await app(scope, receive, send)
    return status, body


def house_of(folder: Path, pieces: int, closed: int) -> TestShop:
    """A house with so many open pieces, and so many orders long done."""
    folder.mkdir()
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
    fill(workshop.database, pieces)
    bury(workshop.database.path, closed)
    return workshop


def bury(path: Path, orders: int) -> None:
    """Orders that are done: one animal, one copy, 30 entries of log and an answered question."""
    raw = sqlite3.connect(path)
    first = 10_000
    ids = range(first, first + orders)
    then = NOW - 300 * DAY
    raw.executemany(
        "INSERT INTO orders (id, number, customer_id, channel, taken_at, recorded_at, imported,"
        " open, paid, gift, ship_part, shop_reference, needed_reason, ship_name, ship_lines,"
        " ship_postcode, ship_country, ship_phone, parcel_note, note)"
        " VALUES (?, ?, 1, 'shop', ?, ?, 0, 0, 'all', 0, 0, '', '', '', '', '', '', '', '', '')",
        [(n, n, then, then) for n in ids],
    )
    cached = (
        "entered_at, last_at, version, open, in_hand, aside_reason, hold_reason, hold_whose,"
        " attempts, reworks"
    )
    raw.executemany(
        f"INSERT INTO models (id, animal_id, order_id, letter, number, limits, limits_agreed,"
        f" machine, step, {cached})"
        f" VALUES (?, 1, ?, 'A', 1, '', '', '', 'ready', ?, ?, 8, 0, 0, '', '', '', 0, 0)",
        [(n, n, then, then) for n in ids],
    )
    raw.executemany(
        "INSERT INTO order_animals (id, order_id, letter, animal_id, model_id)"
        " VALUES (?, ?, 'A', 1, ?)",
        [(n, n, n) for n in ids],
    )
    raw.executemany(
        f"INSERT INTO copies (id, order_id, order_animal_id, model_id, letter, number, making,"
        f" withdrawn, pose, base, finish, inscription, extras, bench_note, step, {cached})"
        f" VALUES (?, ?, ?, ?, 'A', 1, 1, 0, '', '', '', '', '', '', 'received', ?, ?, 22, 0, 0,"
        f" '', '', '', 0, 0)",
        [(n, n, n, n, then, then) for n in ids],
    )
    raw.executemany(
        "INSERT INTO questions (order_id, topic, asked, channel, blocking, asked_at, answered_at,"
        " answer, dropped) VALUES (?, 'spelling', '?', 'letter', 1, ?, ?, 'yes', 0)",
        [(n, then, then) for n in ids],
    )
    start = raw.execute("SELECT max(id) + 1 FROM transitions").fetchone()[0]
    entries = (
        (
            start + 30 * k + s,
            start + 30 * k + s,
            None if s > 8 else n,
            n if s > 8 else None,
            s,
            then,
        )
        for k, n in enumerate(ids)
        for s in range(1, 31)
    )
    raw.executemany(
        "INSERT INTO transitions (id, act, model_id, copy_id, seq, kind, move, happened_at,"
        " recorded_at, time_is, reason, cause, whose)"
        " VALUES (?, ?, ?, ?, ?, 'start', '', ?6, ?6, 'pressed', '', '', '')",
        entries,
    )
    raw.commit()
    raw.close()


def cpu(app: Any, path: str, walls: list[float] | None = None) -> float:
    """CPU milliseconds of one request, over a few."""

    async def some() -> None:
        for _ in range(EACH):
            start = perf_counter()
            await ask(app, path)
            if walls is not None:
                walls.append((perf_counter() - start) * 1000)

    start = process_time()
    asyncio.run(some())
    return (process_time() - start) / EACH * 1000


def side_by_side(tries: dict[str, Callable[[], float]]) -> dict[str, float]:
    """Medians of interleaved rounds."""
    found: dict[str, list[float]] = {name: [] for name in tries}
    for _ in range(ROUNDS):
        for name, once in tries.items():
            found[name].append(once())
    return {name: median(values) for name, values in found.items()}


def queries(database: Database, app: Any) -> int:
    """How many statements one page sends."""
    seen: list[str] = []
    event.listen(database._reader, "before_cursor_execute", lambda *said: seen.append(said[2]))
    asyncio.run(ask(app, "/"))
    return len(seen)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        shops = {
            "few": house_of(Path(folder) / "few", 120, 600),
            "S": house_of(Path(folder) / "s", 400, 600),
            "L": house_of(Path(folder) / "l", 400, 20_000),
        }
        apps = {name: site(workshop) for name, workshop in shops.items()}
        pages = {name: asyncio.run(ask(app, "/"))[1].decode() for name, app in apps.items()}
        poll = re.search(r'hx-get="([^"]*)"', pages["S"])[1].replace("&amp;", "&")
        assert asyncio.run(ask(apps["S"], poll))[0] == 204
        rows = pages["S"].count('<li class="piece"')
        bare = floor_app(shops["S"].database.path, "")
        frame = len(pages["S"].encode()) - len(asyncio.run(ask(bare, "/"))[1])
        floor = floor_app(shops["S"].database.path, "x" * max(0, frame))
        gc.collect()
        gc.freeze()
        walls: list[float] = []
        got = side_by_side(
            {
                "floor": lambda: cpu(floor, "/"),
                "page": lambda: cpu(apps["S"], "/", walls),
                "large": lambda: cpu(apps["L"], "/"),
                "poll": lambda: cpu(apps["S"], poll),
            }
        )
        size = len(asyncio.run(ask(floor, "/"))[1]) / len(pages["S"].encode())
        p95 = quantiles(walls, n=20)[-1]
        print(f"rows {rows}; floor's bytes to the page's {size:.3f}; CPU ms {got}")
        print(f"page to floor        {got['page'] / got['floor']:.2f}   (goal 1.5)")
        print(f"L to S               {got['large'] / got['page']:.2f}   (goal 1.1)")
        print(f"unchanged poll       {got['poll'] / got['page']:.3f}  (goal 0.05)")
        print(f"p95 to p50           {p95 / median(walls):.2f}   (goal 2)")
        for name in ("few", "S"):
            count = pages[name].count('<li class="piece"')
            print(
                f"{count} pieces: {queries(shops[name].database, apps[name])} queries, "
                f"{len(pages[name].encode()) / count:.0f} bytes a piece"
            )
        for workshop in shops.values():
            workshop.close()


if __name__ == "__main__":
    main()
