"""The command that runs after publishing, the warning, and the server that publishes by itself."""

import sys

import pytest

from app.publishing.pages_file import last_published
from app.publishing.publish_command import main
from app.publishing.sending import publish_and_send, run, warning
from app.publishing.worker import rewrite_stale
from app.shared.errors import CannotStart
from tests.making import DAY
from tests.publishing.orders import linked_order
from tests.publishing.published import place

__all__ = ["place"]


def test_the_command_runs_without_a_shell(workshop, place, tmp_path) -> None:
    linked_order(workshop)
    rewrite_stale(workshop)
    seen = tmp_path / "seen"
    script = f"import sys; open({str(seen)!r}, 'w').write(sys.argv[1])"
    publish_and_send(workshop, place, f'{sys.executable} -c "{script}" "a; b > c"')
    assert seen.read_text() == "a; b > c"


def test_a_command_that_fails_is_shown_without_the_links_it_named(workshop, place, capsys) -> None:
    _, token = linked_order(workshop)
    rewrite_stale(workshop)
    script = f"import sys; sys.exit('no room for {token}/index.html')"
    assert main(workshop, place, f'{sys.executable} -c "{script}"') == 1
    said = capsys.readouterr().err
    assert "ended with 1" in said
    assert "no room for …/index.html" in said
    assert token not in said
    assert (place / token).exists()


@pytest.mark.parametrize("command", ['"half a', "/nowhere/at-all"])
def test_a_command_that_cannot_be_run_is_said(workshop, place, command: str, capsys) -> None:
    linked_order(workshop)
    rewrite_stale(workshop)
    assert main(workshop, place, command) == 1
    assert "could not be run" in (said := capsys.readouterr().err) or "cannot be read" in said


# ---------------------------------------------------------------- the warning, and the worker


def test_a_publish_older_than_a_day_is_said_on_every_page(workshop, place) -> None:
    linked_order(workshop)
    rewrite_stale(workshop)
    assert warning(workshop) is None
    publish_and_send(workshop, place, "")
    workshop.moment += DAY
    assert warning(workshop) is None
    workshop.moment += 60
    said = warning(workshop)
    assert said is not None
    assert str(place) in said
    publish_and_send(workshop, place, "")
    workshop.moment += 60
    assert warning(workshop) is None


def test_a_folder_that_was_set_and_never_published_is_said(workshop, place, monkeypatch) -> None:
    rewrite_stale(workshop)
    monkeypatch.setenv("LIKEWRIGHT_PUBLISH_FOLDER", str(place))
    said = warning(workshop)
    assert said is not None
    assert "have not yet been published" in said


def test_a_failing_command_does_not_count_as_published(workshop, place) -> None:
    linked_order(workshop)
    rewrite_stale(workshop)
    publish_and_send(workshop, place, "")
    first = workshop.moment
    workshop.moment += 2 * DAY
    with pytest.raises(CannotStart):
        publish_and_send(workshop, place, "false")
    at, trouble = last_published(workshop.folder.pages)[str(place)]
    assert at == first
    assert "ended with 1" in trouble
    assert "ended with 1" in (warning(workshop) or "")


def test_the_worker_publishes_when_told_to_and_ends_when_asked(
    workshop, place, monkeypatch
) -> None:
    linked_order(workshop)
    rewrite_stale(workshop)
    monkeypatch.setenv("LIKEWRIGHT_PUBLISH_FOLDER", str(place))
    monkeypatch.setenv("LIKEWRIGHT_PUBLISH_EVERY_MINUTES", "5")
    waited: list[float] = []

    class Once:
        def is_set(self) -> bool:
            return bool(waited)

        def wait(self, seconds: float | None = None) -> bool:
            waited.append(seconds or 0)
            return True

    run(workshop, Once())  # type: ignore[arg-type]
    assert waited == [300]
    assert len(list(place.glob("*/index.html"))) == 1
