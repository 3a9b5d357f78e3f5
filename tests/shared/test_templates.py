"""Templates and style sheets as they are read by people: what a partial needs, and short lines."""

import re
from pathlib import Path

import pytest
from jinja2 import meta, nodes

from app.shared.places import shipped
from app.shared.web.templating import environment

TEMPLATES, STYLES = shipped("templates"), shipped("static")
EVERY = sorted(path for path in TEMPLATES.rglob("*.*") if path.suffix in (".html", ".txt"))
PARTIALS = [path for path in EVERY if path.name.startswith("_")]
LONGEST = {"template": 160, "style": 120}


def name_of(path: Path) -> str:
    return str(path.relative_to(TEMPLATES))


def needs(path: Path) -> set[str]:
    """What the comment at the head of a partial names: `{# needs: a, b: what they are #}`."""
    said = re.match(r"\{# needs: ([\w, \n]+):\s.+?#\}\n", path.read_text("utf-8"), re.S)
    assert said is not None, f"{path.name} does not say what it needs"
    return set(re.split(r",\s*", said[1])) - {"nothing"}


def used(path: Path) -> tuple[set[str], set[str]]:
    """The names that a template takes from outside, and the templates that it includes."""
    env = environment()
    tree = env.parse(path.read_text("utf-8"))
    set_here = {
        name.name
        for kind in (nodes.Assign, nodes.AssignBlock)
        for given in tree.find_all(kind)
        for name in given.find_all(nodes.Name)
        if name.ctx == "store"
    }
    included = {
        given.template.value
        for given in tree.find_all(nodes.Include)
        if isinstance(given.template, nodes.Const)
    }
    return meta.find_undeclared_variables(tree) - set(env.globals) - set_here, included


@pytest.mark.parametrize("path", PARTIALS, ids=name_of)
def test_a_partial_says_what_it_needs_and_nothing_else(path: Path) -> None:
    named = needs(path)
    taken, included = used(path)
    assert taken - named == set(), "used and not named"
    passed_on = set().union(*(needs(TEMPLATES / name) for name in included))
    assert named - taken - passed_on == set(), "named and not used"


def too_long(paths: list[Path], longest: int) -> list[str]:
    return [
        f"{path.name}:{number}: {len(line)}"
        for path in paths
        for number, line in enumerate(path.read_text("utf-8").splitlines(), 1)
        if len(line) > longest
    ]


def test_lines_are_short_enough_to_read_in_a_diff() -> None:
    styles = sorted(STYLES.glob("*.css"))
    assert len(EVERY) > 70
    assert len(PARTIALS) > 20
    assert styles
    assert too_long(EVERY, LONGEST["template"]) == []
    assert too_long(styles, LONGEST["style"]) == []
