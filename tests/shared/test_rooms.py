"""What holds in every room and no import contract can say."""

import ast
from pathlib import Path

import pytest

APP = Path(__file__).parents[2] / "app"
PAGES = sorted(path for path in APP.rglob("*.py") if path.stem.endswith("pages"))


def _of_the_database(tree: ast.Module) -> list[str]:
    """What a module takes from SQLAlchemy, but for types, and the queries that it runs itself."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("sqlalchemy"):
            names = {alias.name for alias in node.names} - {"Connection", "RowMapping"}
            found += [f"line {node.lineno}: {name}" for name in sorted(names)]
        elif isinstance(node, ast.Import):
            names = {alias.name for alias in node.names if alias.name.startswith("sqlalchemy")}
            found += [f"line {node.lineno}: {name}" for name in sorted(names)]
        elif isinstance(node, ast.Attribute) and node.attr == "execute":
            found.append(f"line {node.lineno}: .execute")
    return found


@pytest.mark.parametrize("path", PAGES, ids=lambda path: str(path.relative_to(APP)))
def test_pages_ask_a_store_and_no_database(path: Path) -> None:
    assert _of_the_database(ast.parse(path.read_text())) == []


def test_there_are_pages_to_look_at() -> None:
    assert len(PAGES) > 15
    wrong = ast.parse("from sqlalchemy import Connection, select\ndb.execute(select(1))")
    assert _of_the_database(wrong) == ["line 1: select", "line 2: .execute"]


def test_no_room_has_more_than_twenty_modules_at_one_level() -> None:
    rooms = [APP, *(path for path in APP.rglob("*") if path.is_dir())]
    many = {
        str(room.relative_to(APP.parent)): count
        for room in rooms
        if (count := sum(path.name != "__init__.py" for path in room.glob("*.py"))) > 20
    }
    assert len(rooms) > 20
    assert many == {}


def test_no_name_of_a_class_means_two_things() -> None:
    named: dict[str, list[str]] = {}
    for path in APP.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                named.setdefault(node.name, []).append(str(path.relative_to(APP)))
    assert len(named) > 200
    assert {name: places for name, places in named.items() if len(places) > 1} == {}
