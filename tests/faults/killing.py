"""Clients that work, a server that is killed under them, and what must hold afterwards.

Alone, for the record:  python -m tests.faults.killing --kills 500 --minutes 8
"""

import argparse
import http.client
import json
import os
import random
import re
import secrets
import shutil
import tempfile
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy import insert

from app.shared import clock
from app.shared.database import Database
from app.shared.places import DataFolder
from app.tables import accounts
from app.tables.migrating import migrate
from app.upkeep.backup import back_up
from app.upkeep.restore import restore
from tests.faults.invariants import Told, acts_of, broken
from tests.faults.server import Client, Server, sign_in
from tests.making import CAST, MADE_AT
from tests.orders.benches.site import fill

CLIENTS = (CAST.owner, CAST.desk, CAST.finisher, CAST.painter)
_BUTTON = re.compile(r'name="move" value="((?:[a-z_]+):(?:model|copy):\d+:\d+)"')
_COUNTING = re.compile(r'href="/pieces/model/(\d+)">Photos are here')
_ACT = re.compile(r"undo=(\d+)")
_NAMES = ("Juniper", "Otis", "Biscuit", "Marlow", "Sorrel", "Hettie", "Admiral", "Bramble")


class Worker:
    """One client: moves, undoes, and takes orders in until the server is gone.

    Each answer is written down and on disk before the next request, as a careful witness would.
    """

    def __init__(self, name: str, cookie: str, log: Path, told: Told, dice: random.Random) -> None:
        self.name, self.cookie, self.told, self.dice = name, cookie, told, dice
        self.log = os.open(log, os.O_CREAT | os.O_APPEND | os.O_WRONLY)
        self.last_act = ""
        self.may_take_in = name in (CAST.owner.name, CAST.desk.name)

    def run(self, port: int) -> None:
        client = Client(port, self.cookie, timeout=5)
        try:
            while True:
                self._once(client)
        except (OSError, http.client.HTTPException):
            pass
        finally:
            client.close()

    def _once(self, client: Client) -> None:
        luck = self.dice.random()
        if luck < 0.15 and self.last_act:
            act, self.last_act = self.last_act, ""
            self._send(client, "/undo", {"entry": act, "back": "/"}, "undo")
            return
        if luck < 0.35 and self.may_take_in:
            self._send(client, "/orders/new", self._order(), "order")
            return
        _, page = client.get("/")
        buttons, counting = _BUTTON.findall(page), _COUNTING.findall(page)
        if counting and luck > 0.8 and self.may_take_in:
            fields = {"move": "photos_counted", "amount": "40", "sure": "1"}
            path = f"/pieces/model/{self.dice.choice(counting)}/move"
            self._send(client, path, fields, "counted")
        elif buttons:
            move, painted = self.dice.choice(buttons), "painted:"
            fields, path = {"move": move, "show": "all", "by": ""}, "/benches/move"
            if move.startswith(painted):
                # What is painted says what its last coat is, on a page of its own.
                path = "/last-coat"
                fields = {"piece": move.removeprefix(painted), "coat": "nothing that cures"}
            self._send(client, path, fields, "move")
        else:
            time.sleep(0.05)

    def _send(self, client: Client, path: str, fields: dict[str, str], what: str) -> None:
        once = f"{self.name[:2]}-{secrets.token_hex(8)}"
        self.told.asked[once] = what
        status, where, _ = client.post(path, {**fields, "once": once})
        assert status < 500, f"{what} was answered with {status}"
        if status in (200, 204, 303):
            os.write(self.log, json.dumps({"once": once, "what": what}).encode() + b"\n")
            os.fsync(self.log)
            self.told.acknowledged[once] = what
            if what == "move" and (found := _ACT.search(where)):
                self.last_act = found[1]

    def _order(self) -> dict[str, str]:
        name = self.dice.choice(_NAMES)
        return {
            "customer_id": "", "name": f"Imre {secrets.token_hex(3)}", "channel": "phone",
            "paid": "all", "a0_name": name, "a0_kind": "goat", "a0_sex": "female",
            "a0_life": "living", "a0c0_size": "80", "a0c1_size": "100", "then": "open",
        }  # fmt: skip


@dataclass
class Table:
    """What a run showed."""

    kills: int = 0
    acknowledged: int = 0
    lost: int = 0
    present_unacknowledged: int = 0
    slowest_opening: float = 0.0
    cold_start: float = 0.0
    cold_start_cpu: float = 0.0
    slowest_cpu: float = 0.0
    seconds: float = 0.0
    kinds: Counter[str] = field(default_factory=Counter)
    problems: list[str] = field(default_factory=list)

    def lines(self) -> list[str]:
        kinds = ", ".join(f"{n} {what}" for what, n in sorted(self.kinds.items()))
        return [
            f"kills {self.kills}, in {self.seconds:.0f} s",
            f"acknowledged {self.acknowledged} ({kinds})",
            f"lost {self.lost}",
            f"there without an answer that arrived {self.present_unacknowledged}",
            f"slowest opening after a kill {self.slowest_opening:.2f} s with the program loaded; "
            f"worst start in CPU, loading included, {self.slowest_cpu:.2f} s",
            f"a start from nothing after the last {self.cold_start:.2f} s, "
            f"{self.cold_start_cpu:.2f} s of them CPU",
            f"problems {len(self.problems)}",
            *self.problems[:20],
        ]


def kill_again_and_again(
    folder: DataFolder, kills: int, *, seed: int = 1, seconds: float = 1e9, audit_every: int = 50
) -> Table:
    """Start a server, let clients work, kill it; so often, and then look at everything."""
    dice, told, table, begun = random.Random(seed), Told(), Table(), time.monotonic()
    cookies = sign_in(folder, *CLIENTS)
    workers = [
        Worker(p.name, cookies[p.name], folder.path.with_name(f"told-{n}"), told,
               random.Random(dice.random()))
        for n, p in enumerate(CLIENTS)
    ]  # fmt: skip
    server = Server(folder, warm=True)
    while table.kills < kills and time.monotonic() - begun < seconds and not table.problems:
        # The next one loads the program while this one serves; it has not looked at the folder.
        following = Server(folder, warm=True)
        _one_kill(server, workers, dice, table)
        server = following
        if table.kills % audit_every == 0:
            table.problems += broken(folder, told, pages=False)
    server.kill()
    _last_look(folder, told, table)
    acts = acts_of(folder)
    table.acknowledged = len(told.acknowledged)
    table.kinds.update(told.acknowledged.values())
    table.lost = sum(acts[once] != 1 for once in told.acknowledged)
    table.present_unacknowledged = len(acts.keys() - told.acknowledged.keys())
    table.seconds = time.monotonic() - begun
    return table


def _one_kill(server: Server, workers: list[Worker], dice: random.Random, table: Table) -> None:
    server.begin()
    if not server.answers:
        table.problems.append("I9: it did not start again")
        server.kill()
        return
    table.slowest_opening = max(table.slowest_opening, server.took)
    table.slowest_cpu = max(table.slowest_cpu, server.cpu)
    threads = [threading.Thread(target=worker.run, args=(server.port,)) for worker in workers]
    for thread in threads:
        thread.start()
    _wait_for_answers(workers[0].told, dice)
    server.kill()
    table.kills += 1
    for thread in threads:
        thread.join(20)


def _wait_for_answers(told: Told, dice: random.Random) -> None:
    """Until some more acts are answered, some milliseconds on; now and then not even one."""
    wanted = len(told.acknowledged) + dice.choice((0, 1, 2, 4, 8, 16))
    until = time.monotonic() + 6
    while len(told.acknowledged) < wanted and time.monotonic() < until:
        time.sleep(0.002)
    time.sleep(dice.uniform(0, 0.06))


def _last_look(folder: DataFolder, told: Told, table: Table) -> None:
    """Started once more and ended in peace; then everything, and the same of a restored backup."""
    server = Server(folder)
    kept = folder.path.with_name("last-backup.db")
    back_up(folder, kept, clock.now())
    table.cold_start, table.cold_start_cpu = server.took, server.cpu
    if server.stop() not in (0, 143, -15):
        table.problems.append("it did not end in peace")
    table.problems += broken(folder, told)
    again = DataFolder(folder.path.with_name("restored"))
    again.path.mkdir()
    shutil.copyfile(folder.key_file, again.key_file)
    restore(again, kept, clock.now())
    table.problems += [f"I10: {what}" for what in broken(again, told, pages=False)]


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("--kills", type=int, default=500)
    asked.add_argument("--minutes", type=float, default=60)
    asked.add_argument("--seed", type=int, default=1)
    said = asked.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = new_studio(Path(place) / "studio")
        table = kill_again_and_again(
            folder, said.kills, seed=said.seed, seconds=said.minutes * 60
        )  # fmt: skip
    print("\n".join(table.lines()), flush=True)


def new_studio(path: Path) -> DataFolder:
    """A migrated studio with the cast in it and eighty pieces on its benches."""
    folder = DataFolder(path)
    folder.prepare()
    migrate(folder.database_file, MADE_AT)
    database = Database(folder.database_file)
    with database.writing() as db:
        for person in CAST.everybody:
            db.execute(
                insert(accounts).values(
                    id=person.account_id, name=person.name, name_key=person.name.casefold(),
                    role=person.role, made_at=MADE_AT,
                )
            )  # fmt: skip
    fill(database, 80, now=clock.now() - 3600)
    database.close()
    return folder


if __name__ == "__main__":
    main()
