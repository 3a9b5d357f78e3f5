"""Hostile and broken files, at the prompt and at a real server:  python -m tests.photos.check.bad_inputs

One line a case: the prompt's exit code and words, the site's answer and words, and the memory that
either took. After each case nothing half is there, and every row has its file. Exit 1 where
something is not as it should be. With --quick the three cases of five thousand files are left out.
"""

import argparse
import http.client
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
import zlib
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from app.orders.order.photos_told import ToldFields, photos_told
from app.photos.pictures.files import INCOMING
from app.shared import clock
from app.shared.database import Database
from app.shared.places import DataFolder
from app.staff.gate import COOKIE
from app.studio.workshop import Workshop
from tests.faults.killing import new_studio
from tests.faults.server import Server, sign_in
from tests.making import CAST, Wanted, make_order, rows
from tests.photos.intake.shots import frames, huge_header, jpeg, other, zipped

MANY = 5_000
MEGABYTES_AT_MOST = 1_024
Files = Mapping[str, bytes]


@dataclass(frozen=True)
class Case:
    """Files by name, what the prompt has to end with and what both have to say; "" for no word.

    `prompt` is the exit codes that are right, empty where the prompt takes no such thing.
    """

    files: Files
    prompt: tuple[int, ...]
    web: int
    words: str
    kept: int = 0
    web_words: str = ""


def odd_names() -> Files:
    """Names with climbing, control and direction signs, as far as a file system takes them."""
    names = ("..\\..\\etc\\cron.d\\x.jpg", "\u202egpj.exe", "line\nbreak.jpg", "a\x07bell.jpg",
             "<img src=x onerror=alert(1)>.jpg", "CON")  # fmt: skip
    return {name: jpeg(200 + k) for k, name in enumerate(names)}


def sixteen_bits() -> bytes:
    import io

    import numpy as np
    from PIL import Image

    buffer = io.BytesIO()
    Image.fromarray(np.full((64, 96), 32_768, np.uint16)).save(buffer, "PNG")
    return buffer.getvalue()


def four_inks() -> bytes:
    import io

    from PIL import Image

    buffer = io.BytesIO()
    Image.new("CMYK", (96, 64), (0, 0, 0, 128)).save(buffer, "JPEG")
    return buffer.getvalue()


def climbing_zip() -> bytes:
    return zipped(
        {"../../../x.jpg": jpeg(301), "/etc/y.jpg": jpeg(302), "a/../../z.jpg": jpeg(303)}
    )


def bomb() -> bytes:
    return zipped({"zeros.jpg": b"\0" * (200 << 20)})


NOT_A_PICTURE = "not a photo we can read"
CASES: dict[str, Case] = {
    "truncated": Case({"cut.jpg": jpeg(1)[:700]}, (3,), 200, "cut short or damaged"),
    "zero-byte": Case({"none.jpg": b""}, (3,), 200, "The file is empty"),
    "text under .jpg": Case({"list.jpg": b"milk, hay, oats\n" * 40}, (3,), 200, NOT_A_PICTURE),
    "JPEG under .png": Case({"a.png": jpeg(2)}, (2,), 200, "", kept=1),
    "30 000 × 30 000 header": Case({"wall.png": huge_header()}, (3,), 200, "more pixels than"),
    "1 000 frames": Case({"many.tif": frames(1_000)}, (3,), 200, "We need photos"),
    "CMYK": Case({"inks.jpg": four_inks()}, (2,), 200, "", kept=1),
    "16 bits": Case({"deep.png": sixteen_bits()}, (2,), 200, "", kept=1),
    "HEIC cut short": Case({"a.heic": other("HEIF")[:400]}, (3,), 200, "cut short or damaged"),
    "trailing script": Case({"s.jpg": jpeg(3) + b"<script>alert(1)</script>"}, (2,), 200, "", kept=1),
    "camera raw": Case({"IMG_2.NEF": b"II*\0"}, (3,), 200, "We need a JPEG of it"),
    "a few pixels": Case({"dot.jpg": jpeg(1, size=(16, 16))}, (3,), 200, "only a few pixels"),
    "odd names": Case(odd_names(), (2,), 200, "", kept=6),
    "zip that climbs": Case({"set.zip": climbing_zip()}, (3,), 200, NOT_A_PICTURE, 3, "-"),
    "zip bomb": Case({"set.zip": bomb()}, (3,), 200, NOT_A_PICTURE, 0, "unpacks to far more"),
    "zip with links": Case(
        {"set.zip": zipped({"p.jpg": b"/etc/passwd"}, links=["p.jpg"])}, (3,), 200, NOT_A_PICTURE,
        0, "This is a link, not a file.",
    ),
    "broken zip": Case(
        {"set.zip": b"PK\x03\x04" + zlib.compress(b"\0" * 999)}, (3,), 200, NOT_A_PICTURE, 0,
        "This is not a zip we can read.",
    ),
}  # fmt: skip


def many() -> dict[str, bytes]:
    return {f"{k:04d}.jpg": jpeg(10_000 + k) for k in range(MANY)}


# ---------------------------------------------------------------- the prompt


@dataclass
class Seen:
    """What came of a case at one of the two doors."""

    code: int
    said: str
    megabytes: int
    seconds: float = 0.0


def at_the_prompt(files: Files, place: Path) -> Seen:
    """`likewright photos check` on a folder of these files."""
    folder = place / "set"
    folder.mkdir()
    for name, content in files.items():
        (folder / name).write_bytes(content)
    begun = time.monotonic()
    with (place / "said").open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "app", "photos", "check", str(folder), "--json"],
            stdout=out, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    said = json.loads((place / "said").read_bytes())
    problems = Counter(p["problem"] for p in said["pictures"] if "problem" in p)
    shutil.rmtree(folder)
    words = "; ".join(problems) or said["reasons"][0]["text"]
    took = time.monotonic() - begun
    return Seen(process.returncode, words, used.ru_maxrss // 1024, took)


# ---------------------------------------------------------------- the site


class Site:
    """A real server over a studio of its own, with one order a case."""

    def __init__(self, folder: DataFolder, server: Server, cookie: str) -> None:
        self.folder, self.server, self.cookie = folder, server, cookie

    def told(self) -> int:
        """A new order whose pictures are told of; gives the delivery."""
        workshop = Workshop(self.folder)
        made = make_order(workshop.database, CAST.desk, clock.now() - 3_600, [Wanted("Juniper")])
        photos_told(workshop, made.id, ToldFields(way="card"), CAST.desk, "")
        [(id_,)] = rows(workshop.database, "SELECT max(id) FROM photo_deliveries")
        workshop.close()
        return int(str(id_))

    def send(self, delivery: int, parts: Iterator[tuple[str, bytes]], *, script: bool) -> Seen:
        """One upload, chunked, as large as it is: no more than a file of it in memory here."""
        client = http.client.HTTPConnection("127.0.0.1", self.server.port, timeout=580)
        headers = {
            "Origin": f"http://127.0.0.1:{self.server.port}", "Cookie": f"{COOKIE}={self.cookie}",
            "Content-Type": "multipart/form-data; boundary=spot", "Transfer-Encoding": "chunked",
        }  # fmt: skip
        if script:
            headers["Accept"] = "application/json"
        begun = time.monotonic()
        with closing(client):
            path = f"/photos/bring/{delivery}"
            client.request("POST", path, body(parts), headers, encode_chunked=True)
            answer = client.getresponse()
            said = answer.read().decode()
        where = answer.getheader("location") or ""
        return Seen(answer.status, said or where, self.megabytes(), time.monotonic() - begun)

    def megabytes(self) -> int:
        """The most that the server took so far."""
        status = Path(f"/proc/{self.server.process.pid}/status").read_text()
        return int(status.split("VmHWM:")[1].split()[0]) // 1024

    def wrong(self) -> list[str]:
        """What must never be: half files, rows without a file, files without a row."""
        database = Database(self.folder.database_file)
        known = {str(path) for (path,) in rows(database, "SELECT path FROM pictures")}
        database.close()
        pictures = self.folder.pictures
        here = {p.relative_to(pictures).as_posix() for p in pictures.glob("originals/*/*")}
        half = [p for p in (pictures / INCOMING).glob("*") if _stays(p)]
        found = [f"half files: {half}"] * bool(half)
        return found + [f"rows and files differ: {known ^ here}"] * (known != here)


def _stays(path: Path) -> bool:
    """A check that runs now keeps its contact sheet there too, until it ends."""
    until = time.monotonic() + 60
    while path.exists() and time.monotonic() < until:
        time.sleep(0.05)
    return path.exists()


def body(parts: Iterator[tuple[str, bytes]]) -> Iterator[bytes]:
    for name, content in parts:
        quoted = name.replace("\\", "\\\\").replace('"', "%22").replace("\n", "%0A")
        yield (
            (
                f'--spot\r\nContent-Disposition: form-data; name="files"; filename="{quoted}"\r\n'
                "Content-Type: application/octet-stream\r\n\r\n"
            ).encode()
            + content
            + b"\r\n"
        )
    yield b"--spot--\r\n"


@contextmanager
def a_site(place: Path) -> Iterator[Site]:
    """A server that is ended afterwards."""
    folder = new_studio(place / "studio")
    cookie = sign_in(folder, CAST.desk)[CAST.desk.name]
    with Server(folder, log=place / "log") as server:
        yield Site(folder, server, cookie)


# ---------------------------------------------------------------- the table


@dataclass
class Line:
    """A line of the table. `wrong` is what was not as it should be."""

    case: str
    prompt: Seen | None
    web: Seen
    wrong: list[str]

    def __str__(self) -> str:
        code, said = ("–", "") if self.prompt is None else (str(self.prompt.code), self.prompt.said)
        mark = "".join(f"\n    WRONG: {what}" for what in self.wrong)
        return (
            f"{self.case:<24} {code:>3}  {said[:62]:<62} {self.web.code:>4}  {self.web.said}{mark}"
        )


def look(case: str, wanted: Case, site: Site, place: Path) -> Line:
    """Try one case at both doors."""
    wrong: list[str] = []
    prompt = at_the_prompt(wanted.files, place)
    if prompt.code not in wanted.prompt or wanted.words not in prompt.said:
        wrong.append(f"prompt: {prompt.code} {prompt.said}")
    web = site.send(site.told(), iter(wanted.files.items()), script=True)
    said: dict[str, Any] = json.loads(web.said)
    whys = list(dict.fromkeys(one["why"] for one in said.get("not_read", ())))
    expected = wanted.web_words or wanted.words
    if web.code != wanted.web or said["kept"] != wanted.kept:
        wrong.append(f"web: {web.code} {said}")
    if expected not in ("", "-") and expected not in " ".join(whys):
        wrong.append(f"web says: {whys}")
    names = "".join(one["name"] for one in said["not_read"])
    if any(sign in names for sign in "/\n\u202e\x07"):
        wrong.append(f"a name was shown as it came: {names!r}")
    web.said = f"{said['kept']} kept. {' '.join(whys)}"
    if max(prompt.megabytes, web.megabytes) > MEGABYTES_AT_MOST:
        wrong.append(f"memory: {prompt.megabytes} and {web.megabytes} MB")
    return Line(case, prompt, web, wrong + site.wrong())


def look_at_many(site: Site, place: Path) -> Iterator[Line]:
    """Five thousand at once, by the plain form; the same in a zip; one more; a zip of too many."""
    files = many()
    prompt = at_the_prompt(files, place)
    delivery = site.told()
    wrong = [] if prompt.code == 2 else [f"prompt: {prompt.code} {prompt.said}"]
    web = site.send(delivery, iter(files.items()), script=False)
    if f"kept={MANY}" not in web.said:
        wrong.append(f"web: {web.code} {web.said[:400]}")
    yield _of_many("5 000 files", prompt, web, wrong + site.wrong())
    again = site.send(delivery, iter([("set.zip", zipped(files))]), script=True)
    wrong = [] if json.loads(again.said)["known"] == MANY else [f"web: {again.said[:400]}"]
    yield _of_many("the same in a zip", None, again, wrong + site.wrong())
    more = site.send(delivery, iter([("more.jpg", jpeg(9))]), script=True)
    wrong = [] if more.code == 409 and "5 000 photos" in more.said else [f"web: {more.said[:400]}"]
    yield _of_many("5 001st picture", None, more, wrong + site.wrong())
    over = zipped({f"{k}.jpg": b"x" for k in range(MANY + 1)})
    too_many = site.send(site.told(), iter([("set.zip", over)]), script=True)
    wrong = [] if "more than 5 000 files" in too_many.said else [f"web: {too_many.said[:400]}"]
    yield _of_many("zip of 5 001", None, too_many, wrong + site.wrong())


def _of_many(case: str, prompt: Seen | None, web: Seen, wrong: list[str]) -> Line:
    if max(web.megabytes, prompt.megabytes if prompt else 0) > MEGABYTES_AT_MOST:
        wrong = [*wrong, f"memory: {web.megabytes} MB"]
    web.said = f"{web.said[:110]}  [{web.seconds:.0f} s]"
    if prompt is not None:
        prompt.said = f"{prompt.said[:40]} [{prompt.seconds:.0f} s, {prompt.megabytes} MB]"
    return Line(case, prompt, web, wrong)


def look_at_a_full_disk(place: Path) -> Iterator[Line]:
    """An upload in the middle of which the pictures' disk is full; only root can make one."""
    folder = new_studio(place / "full")
    mount = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(folder.pictures)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True, check=False).returncode:
        return
    try:
        cookie = sign_in(folder, CAST.desk)[CAST.desk.name]
        with Server(folder, log=place / "log of full") as server:
            site, wrong = Site(folder, server, cookie), []
            large = jpeg(7) + os.urandom(3 << 20)
            web = site.send(site.told(), iter([("a.jpg", jpeg(6)), ("b.jpg", large)]), script=True)
            if web.code != 507 or "files before this one are safely here" not in web.said:
                wrong.append(f"web: {web.code} {web.said}")
            database = Database(folder.database_file)
            if (names := rows(database, "SELECT name FROM pictures")) != [("a.jpg",)]:
                wrong.append(f"kept: {names}")
            database.close()
            yield _of_many("disk full in the middle", None, web, wrong + site.wrong())
    finally:
        subprocess.run(["umount", str(folder.pictures)], check=True)


def table(place: Path, *, quick: bool) -> Iterator[Line]:
    """Every case, one after another."""
    with a_site(place) as site:
        for case, wanted in CASES.items():
            yield look(case, wanted, site, place)
        if not quick:
            yield from look_at_many(site, place)
    yield from look_at_a_full_disk(place)


def main() -> int:
    asked = argparse.ArgumentParser()
    asked.add_argument("--quick", action="store_true")
    said = asked.parse_args()
    print(f"{'case':<24} {'exit':>4} {'the prompt says':<62} {'web':>4}  the site says")
    bad, most = 0, [0, 0]
    with tempfile.TemporaryDirectory() as place:
        for line in table(Path(place), quick=said.quick):
            print(line, flush=True)
            bad += bool(line.wrong)
            most[0] = max(most[0], line.prompt.megabytes if line.prompt else 0)
            most[1] = max(most[1], line.web.megabytes)
        log = (Path(place) / "log").read_text()
    bad += "Traceback" in log
    print(f"most memory: prompt {most[0]} MB, server {most[1]} MB; wrong: {bad}")
    if "Traceback" in log:
        print(log[-3_000:])
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
