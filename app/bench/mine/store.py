"""What My bench asks for beside the open pieces: whose animals they show, and their marks."""

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from sqlalchemy import Connection, text

from app.orders.benches.lines import OpenPiece
from app.shared.web import words


class AnimalShown(NamedTuple):
    """The model that a piece is made from, and the marks to match, in words."""

    model: int
    marks: Sequence[str]


_MODELS = text(
    "SELECT id, model_id FROM copies WHERE id IN (SELECT value FROM json_each(:copies))"
    " UNION ALL SELECT g.copy_id, g.model_id FROM copy_companions g"
    " WHERE g.copy_id IN (SELECT value FROM json_each(:copies))"
)
_MARKS = text(
    "SELECT m.id, k.what, k.place, k.side FROM models m JOIN marks k ON k.animal_id = m.animal_id"
    " WHERE k.gone_at IS NULL AND m.id IN (SELECT value FROM json_each(:models))"
    " ORDER BY k.must DESC, k.id"
)


def shown(db: Connection, lines: Iterable[OpenPiece]) -> Mapping[str, AnimalShown]:
    """By piece, as "copy:12": its first model, and the marks of all animals that it shows."""
    pieces = [(line.of, line.id) for line in lines]
    models = {f"model:{id_}": [id_] for of, id_ in pieces if of == "model"}
    copies = json.dumps([id_ for of, id_ in pieces if of == "copy"])
    for id_, model in db.execute(_MODELS, {"copies": copies}):
        models.setdefault(f"copy:{id_}", []).append(model)
    every = json.dumps(sorted({id_ for own in models.values() for id_ in own}))
    marks: dict[int, list[str]] = {}
    for model, what, place, side in db.execute(_MARKS, {"models": every}):
        marks.setdefault(model, []).append(_mark(what, place, side))
    return {
        ref: AnimalShown(own[0], [mark for id_ in own for mark in marks.get(id_, ())])
        for ref, own in models.items()
    }


def _mark(what: str, place: str, side: str) -> str:
    said = f"{what}, {place}" if place else what
    told = words.side_of(side, said)
    return f"{said} ({told})" if told in ("left", "right") else said
