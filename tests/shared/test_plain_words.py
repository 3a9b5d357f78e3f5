"""What staff read is said as they would say it: words once replaced do not come back."""

import ast
import re

import pytest

from app.shared.places import shipped

TEMPLATES = sorted(shipped("templates").rglob("*.html"))
MODULES = sorted((shipped("templates").parent / "app").rglob("*.py"))
ROOMS = (
    "bench", "cli.py", "demo", "desk", "flow", "letters", "moving", "opening.py", "orders",
    "owner", "parcels", "photos", "publishing", "serving.py", "staff", "studio", "upkeep",
)  # fmt: skip
# What customers read is held by the approved texts (tests/status), and says more than labels do.
CUSTOMERS = ("letter.py", "previews.py", "sentences.py")
# What a person at the workshop would not say, and in the comment what they say instead.
REPLACED = (
    "marks to match",  # Markings to match
    "mend here",  # Repair at this bench
    "on whose account", "lift the hold", "look again on",  # Waiting on whom; Resume; Check again on
    "its number", "why it goes all the same", "stands against it",  # Tracking number; overriding
    "good with limits", "judged by eye",  # Good, with gaps; Sculpt by eye
    "in truth", "it never happened",  # What really happened; Delete this entry
    "by the machine", "failed by the pictures",  # Machine stopped; Photos not good enough
    "longer than slow", "as in the trade",  # over the slow limit; default, not your own data
    "answer from the house", "week without an act",  # No connection; a week unused
    "words exchanged", "to reach",  # Conversations; Contact
    "not yours to pass over",  # only the owner can override that
    "save and another",  # Save, then the next order
    "told of", "waits to be told", "told: note it",  # announced; waiting to be sent; Log this answer
    "whose is which", "give the ticked", "nobody's yet",  # Sort by animal; Assign; unassigned
    "the check fell", "the check itself fell", "hang together",  # the check failed; overlap
    "without a word",  # Unannounced photos
    "leave the house",  # must not be passed on
    "no letter leaves", "news that waits",  # no email is being sent; Updates to send
    "do not tell", "cannot go", "let it go",  # Don't send; Failed; Release
    "at its end", "join two records", "last words",  # closed; Merge; Last conversation
    "shut the house", "link lapses", "words in letters",  # Close the workshop; expires; in emails
    "no studio in", "invented studio",  # There is no workshop; a made-up one
)  # fmt: skip


def shown(text: str) -> str:
    """A template without its comments, on one line."""
    return re.sub(r"\s+", " ", re.sub(r"\{#.*?#\}", " ", text, flags=re.DOTALL)).lower()


def literals(source: str) -> str:
    """The text of a module: all its strings but the docstrings."""
    tree = ast.parse(source)
    docstrings = {
        id(node.value) for node in ast.walk(tree)
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }  # fmt: skip
    return " | ".join(
        node.value.lower() for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
        and id(node) not in docstrings
    )  # fmt: skip


def in_rooms(paths: list, root: str) -> list:
    """The files of the rooms whose words were gone through."""
    base = shipped("templates").parent / root
    ours = [path for path in paths if path.name not in CUSTOMERS]
    return [path for path in ours if path.relative_to(base).parts[0] in (*ROOMS, "shared")]


@pytest.mark.parametrize("said", REPLACED)
def test_a_word_that_was_replaced_does_not_come_back(said: str) -> None:
    pages = {p.name: shown(p.read_text("utf-8")) for p in in_rooms(TEMPLATES, "templates")}
    modules = {p.name: literals(p.read_text("utf-8")) for p in in_rooms(MODULES, "app")}
    assert len(pages) > 40
    assert len(modules) > 60
    found = {name for name, text in {**pages, **modules}.items() if said in text}
    assert not found, f"“{said}” stands in {sorted(found)}"
