"""A real server, started as a studio would start it, and a real Chromium.

Where no Chromium is found the browser tests are skipped, unless LIKEWRIGHT_NEEDS_BROWSER is set:
then that is a failure.
"""

import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or ""
ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
OWNER, PASSWORD = "Odile Marchbanks", "seven quiet tortoises"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Everything here drives a browser."""
    for item in items:
        if "tests/browser" in str(item.path):
            item.add_marker(pytest.mark.browser)


def free_port() -> int:
    """A port that nobody uses at the moment."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


@dataclass
class Served:
    """A server that runs: its addresses, its folder, and the first lines it printed."""

    process: subprocess.Popen[str]
    staff: str
    public: str
    folder: Path
    said: list[str]


def start(folder: Path, *arguments: str, until: str) -> Served:
    """Start `likewright` and wait for a line that holds `until`."""
    port, public = free_port(), free_port()
    process = subprocess.Popen(
        [sys.executable, "-m", "app", *arguments, "--data", str(folder),
         "--port", str(port), "--public-port", str(public)],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        env={**os.environ, "LIKEWRIGHT_PUBLIC_URL": ""},
    )  # fmt: skip
    said: list[str] = []
    end = time.monotonic() + 90
    assert process.stdout is not None
    while time.monotonic() < end:
        line = process.stdout.readline()
        said.append(line.strip())
        if until in line:
            return Served(
                process, f"http://127.0.0.1:{port}", f"http://127.0.0.1:{public}", folder, said
            )
        if process.poll() is not None:
            break
    process.kill()
    process.wait()
    process.stdout.close()
    raise AssertionError("the server did not start:\n" + "\n".join(said))


def stop(served: Served) -> None:
    """End a server that we started."""
    served.process.terminate()
    try:
        served.process.wait(15)
    except subprocess.TimeoutExpired:
        served.process.kill()
    assert served.process.stdout is not None
    with served.process.stdout:
        rest = served.process.stdout.read()
    assert "unforeseen error" not in rest, rest


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """One browser a module: it keeps an event loop, in which other tests could not run theirs."""
    yield from a_browser()


def a_browser() -> Iterator[Browser]:
    """Chromium, closed at the end; where none is found the test is skipped, or fails in CI."""
    if not CHROMIUM:
        if os.environ.get("LIKEWRIGHT_NEEDS_BROWSER"):
            pytest.fail("no Chromium was found")
        pytest.skip("no Chromium was found")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A real, empty studio whose owner has just made the account."""
    folder = tmp_path_factory.mktemp("studio")
    served = start(folder, "serve", until="/in/")
    yield served
    stop(served)


@pytest.fixture(scope="module")
def owner(chromium: Browser, served: Served) -> Iterator[Page]:
    """The owner's browser, signed in by the first link. Script errors fail the test."""
    context = chromium.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on(
        "console",
        lambda m: (
            wrong.append(m.text) if m.type == "error" and "status of 4" not in m.text else None
        ),
    )
    page.goto(next(line for line in served.said if "/in/" in line))
    page.get_by_label("Name").fill(OWNER)
    page.locator("input[name=password]").fill(PASSWORD)
    page.locator("input[name=again]").fill(PASSWORD)
    page.locator("main button").first.click()
    page.wait_for_url(served.staff + "/**")
    yield page
    assert wrong == []
    context.close()
