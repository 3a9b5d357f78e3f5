"""The invented names and sentences of the demo, as they lie in demo_data/."""

import json
from dataclasses import dataclass
from random import Random
from typing import Any

from app.shared.places import shipped


@dataclass(frozen=True, slots=True)
class DemoWords:
    """What the demo says: `people`, `animals` and `studio` as their files hold them."""

    people: dict[str, Any]
    animals: dict[str, Any]
    studio: dict[str, Any]


def load() -> DemoWords:
    """Read the three files."""
    folder = shipped("demo_data")
    people, animals, studio = (
        json.loads((folder / f"{name}.json").read_text(encoding="utf-8"))
        for name in ("people", "animals", "studio")
    )
    return DemoWords(people, animals, studio)


def by_share(rng: Random, kinds: list[dict[str, Any]]) -> dict[str, Any]:
    """One of some entries, as often as its `share` says."""
    left = rng.random() * sum(kind["share"] for kind in kinds)
    for kind in kinds:
        left -= kind["share"]
        if left < 0:
            return kind
    return kinds[-1]


def filled(rng: Random, pattern: str) -> str:
    """A pattern with # made digits and @ made letters."""
    return "".join(
        str(rng.randrange(10))
        if sign == "#"
        else rng.choice("BDFGHJLNPQRSTUWXYZ")
        if sign == "@"
        else sign
        for sign in pattern
    )
