"""What lies beside the pages of some orders: pictures that somebody released or asks about, and the
customer's own photos that a request names."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from sqlalchemy import Connection

from app.orders.facts.order import OrderFacts
from app.photos.release import actions as release
from app.photos.release.named import named
from app.status.document import PICTURE
from app.status.picture_words import CaptionedPicture, OwnPhoto
from app.studio.workshop import InForce


@dataclass(frozen=True, slots=True)
class Beside:
    """The pictures of a page, as it is worded from them, and by their names beside it where they
    lie under pictures/."""

    shown: Sequence[CaptionedPicture] = ()
    own: Sequence[OwnPhoto] = ()
    files: Mapping[str, str] = field(default_factory=dict)

    def there(self, pictures: Path) -> "Beside":
        """Without those whose files are lost: a page does without."""
        files = {name: path for name, path in self.files.items() if (pictures / path).is_file()}
        return replace(
            self,
            shown=[one for one in self.shown if one.name in files],
            own=[one for one in self.own if one.name in files],
            files=files,
        )


def beside_pages(
    db: Connection, orders: Collection[OrderFacts], in_force: InForce
) -> Mapping[int, Beside]:
    """What lies beside the page of each order that has anything."""
    released = release.on_pages(db, [facts.id for facts in orders])
    asked = [facts.id for facts in orders if any(animal.views for animal in facts.animals)]
    own = named(db, asked) if asked and in_force.settings.own_photos else {}
    found: dict[int, Beside] = {}
    for order_id in {*released, *own}:
        shown = [(_name(one), one) for one in released.get(order_id, ())]
        photos = [(f"photo-{k}.jpg", one) for k, one in enumerate(own.get(order_id, ()), 1)]
        found[order_id] = Beside(
            [_captioned(name, one) for name, one in shown],
            [OwnPhoto(one.letter, one.name, name, one.azimuth, one.around) for name, one in photos],
            {name: release.place(Path(), one.file).as_posix() for name, one in shown}
            | {name: one.path for name, one in photos},
        )
    return found


def _name(one: release.Released) -> str:
    return f"picture-{one.number}.jpg" if one.number else PICTURE


def _captioned(name: str, one: release.Released) -> CaptionedPicture:
    return CaptionedPicture(
        one.animal, one.shows, one.by, one.released_at, one.width, one.height, one.remembered, name
    )
