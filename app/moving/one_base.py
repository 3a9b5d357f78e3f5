"""What concerns one of several animals on one base concerns them all."""

from collections.abc import Sequence

from sqlalchemy import Connection

from app.flow import groups
from app.flow.actions import Act
from app.flow.approvals import requiring
from app.flow.steps import Of, Step
from app.flow.store import Piece, Ref, load, models_of
from app.moving.names import named
from app.shared.errors import Refused


def approved_anew(act: Act, remade: Sequence[Piece]) -> None:
    """Of several models the new version, too, is shown to a customer who approves models."""
    for order_id in sorted({piece.order_id for piece in remade if piece.beside}):
        requiring.in_line(act, order_id)


def check_whole(db: Connection, cancelled: Sequence[Piece]) -> None:
    """The model of one animal is not cancelled under a piece that shows several. Raises Refused."""
    gone = {piece.ref for piece in cancelled}
    for model in [ref for ref in gone if ref.of is Of.MODEL]:
        for copy_id in groups.of_model(db, model.id):
            copy = load(db, Ref(Of.COPY, copy_id))
            needs = (copy.ref, *(Ref(Of.MODEL, id_) for id_ in models_of(db, copy)))
            left = [ref for ref in needs if ref not in gone and load(db, ref).state.open]
            if copy.state.open and left:
                name = named(db, copy.ref)
                off = "take one off the base, or " if copy.state.step is Step.NOT_BEGUN else ""
                raise Refused(
                    f"{name.animal} stand on one base ({name.words.rpartition(' ')[2]}). First "
                    f"{off}cancel that piece."
                )
