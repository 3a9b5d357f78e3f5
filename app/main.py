"""The two sites, built and joined: every room's pages on the staff site, and the workers."""

import asyncio
import gc
import logging
import threading
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager
from functools import cache, partial

from fastapi import APIRouter, Depends, FastAPI
from starlette.routing import BaseRoute, Mount
from starlette.staticfiles import StaticFiles

from app.bench import assessment_pages, last_coat_pages, picture_pages, ticket_pages
from app.bench import pages as bench_pages
from app.bench.batches import pages as batch_pages
from app.bench.colours import pages as colour_pages
from app.bench.mine import pages as mine_pages
from app.desk import longer_pages, writing_pages
from app.desk import pages as desk_pages
from app.flow.steps import BENCHES, STEPS
from app.history import export_pages
from app.history import pages as history_pages
from app.letters import lists as letters
from app.letters import owner_pages as own_words_pages
from app.letters import pages as letters_pages
from app.letters import reminders as letter_reminders
from app.letters import worker as letters_worker
from app.orders.benches import pages as benches_pages
from app.orders.book import pages as book_pages
from app.orders.entry import pages as entry_pages
from app.orders.forecast import worker as forecasting
from app.orders.lists import pages as lists_pages
from app.orders.order import edit_pages
from app.orders.order import pages as order_pages
from app.orders.order import undo_pages as moves_pages
from app.owner import pages as owner_pages
from app.owner.away import pages as away_pages
from app.owner.what_if import pages as what_if_pages
from app.owner.what_if import worker as what_if_worker
from app.parcels import aftercare_pages, arriving, courier_pages, packing_pages, way_pages
from app.parcels import pages as parcels_pages
from app.parcels import picture_pages as parcel_pictures
from app.parcels.said import pages as turned_out_pages
from app.photos.builds import pages as builds_pages
from app.photos.check import pages as check_pages
from app.photos.check import record_pages
from app.photos.check import worker as check_worker
from app.photos.intake import pages as photos_pages
from app.photos.intake import worker as intake_worker
from app.photos.intake.upload import BODY_AT_MOST
from app.photos.release import approval_pages
from app.photos.release import pages as release_pages
from app.publishing import sending
from app.publishing import worker as publishing
from app.set_up import pages as set_up_pages
from app.shared.places import shipped
from app.shared.web import refusals
from app.shared.web.headers import Guard
from app.shared.web.templating import environment
from app.staff import gate as door
from app.staff import pages as staff_pages
from app.studio import carrier_pages
from app.studio import pages as studio_pages
from app.studio.workshop import Workshop
from app.upkeep import clock_check, health_pages, in_order, nightly
from app.upkeep.kept import pages as kept_pages

log = logging.getLogger("likewright")
LOOPBACK_NAMES = ("127.0.0.1", "localhost", "[::1]", "testserver")
SETTLED_AFTER = 2.0
Worker = Callable[[Workshop, threading.Event], None]

ROUTERS = (
    health_pages.router,
    kept_pages.router,
    staff_pages.router,
    studio_pages.router,
    set_up_pages.router,
    carrier_pages.router,
    benches_pages.router,
    moves_pages.router,
    entry_pages.router,
    order_pages.router,
    edit_pages.router,
    lists_pages.router,
    book_pages.router,
    bench_pages.router,
    mine_pages.router,
    ticket_pages.router,
    last_coat_pages.router,
    picture_pages.router,
    batch_pages.router,
    assessment_pages.router,
    colour_pages.router,
    packing_pages.router,
    courier_pages.router,
    parcels_pages.router,
    aftercare_pages.router,
    parcel_pictures.router,
    way_pages.router,
    turned_out_pages.router,
    owner_pages.router,
    away_pages.router,
    history_pages.router,
    what_if_pages.router,
    export_pages.router,
    builds_pages.router,
    release_pages.router,
    approval_pages.router,
    record_pages.router,
    photos_pages.router,
    check_pages.router,
    desk_pages.router,
    longer_pages.router,
    writing_pages.router,
    letters_pages.router,
    own_words_pages.router,
)
BANNERS: list[door.Banner] = [
    letters_worker.banner,
    letters_worker.trouble_banner,
    sending.warning,
    nightly.warning,
    clock_check.warning,
]
HOUSE = (in_order.backups, letters_worker.in_order, sending.in_order, in_order.disk, in_order.going)
MARKS: dict[str, door.Mark] = {"letters": letters_worker.dead_letters}
WORKERS: tuple[tuple[str, Worker], ...] = (
    ("forecasting", forecasting.run),
    ("publishing", publishing.run),
    ("letters", letters_worker.run),
    ("parcels that arrived", arriving.run),
    ("publishing elsewhere", sending.run),
    ("nightly backup", nightly.run),
    ("what would help", what_if_worker.run),
    ("pictures", intake_worker.run),
    ("photo check", check_worker.run),
)


def staff_site(
    workshop: Workshop,
    *,
    hosts: Iterable[str] = LOOPBACK_NAMES,
    encrypted: bool = False,
    workers: bool = False,
    served_at: str = "",
) -> Guard:
    """The staff's site over one workshop, guarded. `workers` start and end with it; `encrypted`
    says that it is reached by TLS alone, `served_at` is the address that colleagues type."""

    site = FastAPI(
        title="Likewright",
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        routes=list(_routes()),
        lifespan=partial(_lifespan, workshop, workers=workers),
    )
    site.state.workshop = workshop
    site.state.templates = environment()
    site.state.letters_of = letters.letters_of
    site.state.to_write = letters.to_write
    site.state.reminders = letter_reminders.reminders
    site.state.house = HOUSE
    site.state.steps = {str(step): STEPS[step].name for step in BENCHES}
    door.install(site, banners=BANNERS, marks=MARKS)
    site.state.next_step = set_up_pages.next_step
    site.state.served_at = served_at
    refusals.install(site)
    ways = ("/release/", "/approvals/", "/parcel-pictures/", "/bench-pictures/", "/case-pictures/")
    one_picture = dict.fromkeys(ways, release_pages.BODY_AT_MOST)
    larger = {"/photos/bring/": BODY_AT_MOST, "/history": history_pages.BODY_AT_MOST, **one_picture}
    return Guard(site, hosts=hosts, referrer="same-origin", encrypted=encrypted, larger=larger)


@cache
def _routes() -> tuple[BaseRoute, ...]:
    """Every route behind the gate. What each of them takes is worked out once in a process, which
    costs a second, however many workshops it opens."""
    behind = APIRouter(dependencies=[Depends(door.gate)])
    for router in ROUTERS:
        behind.include_router(router)
    static = StaticFiles(directory=shipped("static"))
    return (*behind.routes, Mount("/static", static, name="static"))


@asynccontextmanager
async def _lifespan(workshop: Workshop, _: FastAPI, *, workers: bool) -> AsyncIterator[None]:
    stop = threading.Event()
    threads = _start(workshop, stop) if workers else []
    # What was made while starting stays for good: the collector need not look at it again.
    # It takes a moment, which the first page need not wait for.
    settling = asyncio.get_running_loop().call_later(SETTLED_AFTER, _settle)
    try:
        yield
    finally:
        settling.cancel()
        stop.set()
        workshop.changed.set()
        for thread in threads:
            await asyncio.to_thread(thread.join, 10)


def _settle() -> None:
    gc.collect()
    gc.freeze()


def _start(workshop: Workshop, stop: threading.Event) -> list[threading.Thread]:
    threads = [
        threading.Thread(target=_watched, args=(name, run, workshop, stop), name=name, daemon=True)
        for name, run in WORKERS
    ]
    for thread in threads:
        thread.start()
    return threads


def _watched(name: str, run: Worker, workshop: Workshop, stop: threading.Event) -> None:
    """A worker that falls is said in the log and stood up again; it never ends the house."""
    while not stop.is_set():
        try:
            run(workshop, stop)
        except Exception:
            log.exception("the %s worker fell; it starts again in five seconds", name)
            stop.wait(5)
