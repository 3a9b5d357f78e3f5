"""The whole check on rendered sets with one known fault each."""

import json
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

from app.photos.check import command as check_command
from app.photos.check.answer import CheckResult, Progress, as_json
from app.photos.check.child import contact_sheet
from app.photos.check.graph_picture import view_graph_svg
from app.photos.check.run import check_folder
from tests.photos.check.sets import SETS, real_from_one_side, ring, write
from tests.photos.check.table import is_as_expected

# The others stand in the printed table (python -m tests.photos.check.table); these are the quicker ones.
TRIED = [
    "ring", "gap of 90", "half a ring", "every third view", "blurred", "moved", "dark",
    "chat copies", "two animals", "six and copies", "ring and copies", "still background",
    "light changed", "unrelated",
]  # fmt: skip


@pytest.mark.parametrize("name", TRIED)
def test_the_verdict_of_a_set_with_a_known_fault(tmp_path: Path, name: str) -> None:
    expected, code, make = SETS[name]
    make(tmp_path)
    result = check_folder(tmp_path)
    assert is_as_expected(result.verdict.value, expected)
    if code:
        assert code in [r.code for r in result.reasons]


@pytest.fixture(scope="module")
def gap(tmp_path_factory: pytest.TempPathFactory) -> CheckResult:
    folder = tmp_path_factory.mktemp("gap")
    SETS["gap of 90"][2](folder)
    (folder / "letter.jpg").write_text("Dear workshop")
    return check_folder(folder)


def test_the_gap_is_found_where_it_is(gap: CheckResult) -> None:
    reason = next(r for r in gap.reasons if r.code == "gap")
    assert set(reason.pictures) == {"view009.jpg", "view010.jpg"}
    assert gap.facts.ring is not None
    # 100° lie between the two; the reading is good for "about", a third off at worst.
    assert 67 <= gap.facts.ring.gap <= 134


def test_the_answer_is_plain_json_with_all_that_was_promised(gap: CheckResult) -> None:
    told = json.loads(json.dumps(as_json(gap)))
    assert {"verdict", "reasons", "advice", "pictures", "thresholds_version"} <= set(told)
    assert {"code", "text", "pictures"} <= set(told["reasons"][0])
    assert [p["name"] for p in told["pictures"] if not p["readable"]] == ["letter.jpg"]


def test_the_drawing_is_svg_without_script_or_style_and_shows_the_gap(gap: CheckResult) -> None:
    drawing = view_graph_svg(gap.facts, gap.links)
    root = ElementTree.fromstring(drawing)
    names = {e.tag.split("}")[1] for e in root.iter()}
    assert {"circle", "line", "path", "title"} <= names
    assert not names & {"script", "style", "image"}
    assert not any("style" in e.attrib for e in root.iter())
    assert "° missing" in drawing


def test_the_contact_sheet_shows_every_picture(gap: CheckResult) -> None:
    import io

    from PIL import Image

    names = [p.name for p in gap.facts.pictures]
    sheet = contact_sheet(names, gap.contacts, {"letter.jpg": "not a photo"})
    with Image.open(io.BytesIO(sheet)) as opened:
        assert opened.width == 6 * 200
        assert not dict(opened.getexif())


def test_a_remembered_animals_gap_is_judged_by_eye(tmp_path: Path) -> None:
    write(tmp_path, ring()[:19])
    result = check_folder(tmp_path, remembered=True)
    assert result.advice
    assert all("we’ll" in a.text.lower() for a in result.advice)


def test_findings_come_while_the_pictures_are_read(tmp_path: Path) -> None:
    write(tmp_path, ring()[:10])
    (tmp_path / "aaa.jpg").write_bytes(b"")
    told: list[Progress] = []
    check_folder(tmp_path, progress=told.append)
    reading = [p for p in told if p.stage == "reading"]
    assert [p.done for p in reading] == list(range(12))
    assert any("The file is empty." in p.finding for p in reading)
    assert {p.clear for p in reading if p.finding.startswith("aaa.jpg")} == {False}
    assert (
        sum(p.clear for p in reading) == sum("sharp and well lit" in p.finding for p in reading) > 0
    )
    assert told[-1].stage == "judged"


def run(folder: Path, *options: str) -> tuple[int, str]:
    code = "import sys; from pathlib import Path; from app.photos.check.command import main;"
    code += "sys.exit(main(Path(sys.argv[1]), '--json' in sys.argv))"
    done = subprocess.run(
        [sys.executable, "-c", code, str(folder), *options], capture_output=True, text=True
    )
    return done.returncode, done.stdout


@pytest.mark.parametrize("kind", ["missing", "empty", "texts", "stubs"])
def test_nothing_readable_is_exit_three_with_json_all_the_same(tmp_path: Path, kind: str) -> None:
    folder = tmp_path / "set"
    if kind != "missing":
        folder.mkdir()
    for k in range(3):
        if kind == "texts":
            (folder / f"note{k}.txt").write_text("not a photo")
        if kind == "stubs":
            (folder / f"v\u202e{k}\udc80.jpg").write_bytes(b"\xff\xd8\xff")
    code, told = run(folder, "--json")
    assert code == 3
    answer = json.loads(told)
    told.encode("utf-8")
    assert answer["verdict"] == "nothing readable"
    assert len(answer["pictures"]) == (3 if kind in ("texts", "stubs") else 0)


def test_exit_codes_follow_the_verdict(tmp_path: Path) -> None:
    write(tmp_path, ring()[:6])
    code, told = run(tmp_path)
    assert code == 2
    assert told.startswith("Not usable.")
    assert sorted(check_command.EXIT_CODES.values()) == [0, 1, 2, 3]


def test_nine_real_pictures_from_one_side_are_doubtful_with_reasons_and_their_pictures(
    tmp_path: Path,
) -> None:
    code, told = run(real_from_one_side(tmp_path), "--json")
    assert code == 1
    reasons = {r["code"]: r for r in json.loads(told)["reasons"]}
    assert {"too_few", "one_side"} <= set(reasons)
    assert reasons["too_few"]["pictures"] == [f"side{k}.jpg" for k in range(9)]
    assert "wide_steps" not in reasons
