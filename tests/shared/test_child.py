"""A child process: told its wish, heard line by line or in parts, ended when it is late."""

import threading
import time
from pathlib import Path

import pytest

from app.shared import child
from app.shared.child import Child, Helper, Stopped

# A child that does what its wish says.
OBEYS = """
import json, os, sys, time
from app.shared import child
for line in sys.stdin.buffer:
    wish = json.loads(line)
    for said in wish.get("say", []):
        print(json.dumps(said), flush=True)
    if "parts" in wish:
        child.answer(sys.stdout.buffer, *(part.encode() * wish.get("times", 1) for part in wish["parts"]))
    if wish.get("leave"):
        sys.exit(wish["leave"] - 1)
    time.sleep(wish.get("sleep", 0))
"""


@pytest.fixture
def module(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (tmp_path / "obeys.py").write_text(OBEYS)
    monkeypatch.setattr(child, "_ROOT", f"{child._ROOT}:{tmp_path}")
    return "obeys"


def test_what_it_says_is_heard_line_by_line(module: str) -> None:
    with Child(module) as one:
        one.tell({"say": [{"a": 1}, ["b"]]})
        one.tell({"say": ["the end"]}, last=True)
        assert list(one.lines(20)) == [{"a": 1}, ["b"], "the end"]
    assert one.gone


def test_one_that_fails_says_so_after_what_it_said(module: str) -> None:
    with Child(module) as one:
        one.tell({"say": [1], "leave": 4}, last=True)
        heard = one.lines(20)
        assert next(heard) == 1
        with pytest.raises(child.subprocess.CalledProcessError) as why:
            next(heard)
    assert why.value.returncode == 3


def test_one_that_is_late_or_stopped_is_not_waited_for(module: str) -> None:
    stop = threading.Event()
    with Child(module) as one:
        one.tell({"sleep": 60}, last=True)
        with pytest.raises(TimeoutError):
            list(one.lines(0.2))
        threading.Timer(0.2, stop.set).start()
        begun = time.monotonic()
        with pytest.raises(Stopped):
            list(one.lines(60, stop))
    assert time.monotonic() - begun < 5
    assert one.gone


def test_it_knows_nothing_of_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LIKEWRIGHT_SECRET", "1147")
    assert set(child.environment()) == {
        "PATH", "PYTHONPATH", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS",
    }  # fmt: skip


def test_a_helper_answers_in_parts_and_begins_anew_once_it_went_home(module: str) -> None:
    helper = Helper(module)
    try:
        assert helper.ask({"parts": ["one", ""]}, 20, 100) == [b"one", b""]
        assert helper.ask({"parts": ["two"], "leave": 1}, 20, 100) == [b"two"]
        assert helper.child is not None
        assert helper.child.process.wait(20) == 0
        assert helper.ask({"parts": ["three"]}, 20, 100) == [b"three"]
    finally:
        helper.end()


def test_a_helper_that_is_late_dies_or_says_too_much_is_ended(module: str) -> None:
    helper = Helper(module)
    try:
        assert helper.ask({"sleep": 60}, 0.2, 100) == "time"
        assert helper.ask({"leave": 2}, 20, 100) == "crash"
        assert helper.ask({"parts": ["x"], "times": 101}, 20, 100) == "crash"
        assert helper.ask({"parts": ["x"], "times": 100}, 20, 100) == [b"x" * 100]
    finally:
        helper.end()


def test_a_helper_that_is_killed_lets_go_of_who_waits(module: str) -> None:
    helper = Helper(module)
    try:
        assert helper.ask({"parts": ["here"]}, 20, 100) == [b"here"]
        threading.Timer(0.3, helper.kill).start()
        begun = time.monotonic()
        assert helper.ask({"sleep": 60}, 30, 100) == "crash"
        assert time.monotonic() - begun < 5
    finally:
        helper.end()
