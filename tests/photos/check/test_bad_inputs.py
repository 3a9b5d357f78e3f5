"""The table of bad inputs, without its cases of thousands of files."""

from pathlib import Path

from tests.photos.check.bad_inputs import table


def test_every_bad_input_is_named_in_words_and_leaves_nothing_half(tmp_path: Path) -> None:
    lines = list(table(tmp_path, quick=True))
    assert [str(line) for line in lines if line.wrong] == []
    assert len(lines) >= 17
    assert "Traceback" not in (tmp_path / "log").read_text()
