"""What a press on My bench does: to one piece as on the Benches page, or to all that are ticked."""

from collections.abc import Sequence

from app.bench.mine import lists
from app.flow.actions import Done
from app.flow.rules import Kind
from app.moving.perform import BROKEN, Seen
from app.orders.benches import moves
from app.orders.benches import store as benches
from app.orders.benches.moves import MOST_AT_ONCE, TICKED, Aside, Press
from app.orders.benches.view import Looking
from app.shared.errors import NotFound, Refused
from app.shared.people import Person
from app.studio.workshop import Workshop

ACTS = (Kind.START, Kind.ASIDE, lists.DONE)


def looking(workshop: Workshop, me: Person, opened: str = "") -> Looking:
    """Who looks, now, with what is known of pace and chances."""
    in_force = workshop.in_force()
    return Looking(
        me, workshop.now(), in_force.calendar.zone, workshop.pace(), workshop.chances(),
        in_force.settings.blank_on, aside=opened,
    )  # fmt: skip


def carry_out(
    workshop: Workshop,
    pressed: str,
    ticks: Sequence[str],
    me: Person,
    once: str,
    aside: Aside | None,
) -> Done:
    """Do what was pressed, to all of its pieces or to none.

    Raises what `moves.carry_out` raises, and Refused with the name of every ticked piece that
    cannot have it.
    """
    key, _, which = pressed.partition(":")
    if which != TICKED:
        return moves.carry_out(workshop, Press.read(pressed, ()), me, once, aside)
    if key not in ACTS:
        raise NotFound(BROKEN)
    seen = [Seen.read(tick) for tick in dict.fromkeys(ticks)]
    if len(seen) > MOST_AT_ONCE:
        raise Refused(f"At most {MOST_AT_ONCE} pieces at once, please.")
    with workshop.database.reading() as db:
        lines, asked = benches.lines(db), benches.asked(db)
    versions = {str(one.ref): one.version for one in seen}
    # What has changed since the page was drawn is named by the act itself.
    fresh = [line for line in lines if versions.get(f"{line.of}:{line.id}") == line.version]
    if fresh or not seen:
        rows = lists.rows_of(lines, asked, looking(workshop, me), fresh)
        what = lists.judge(rows, key, me.account_id)
    else:
        what = Kind.START if key == Kind.START else Kind.ASIDE
    return moves.carry_out(workshop, Press(what, seen, sure=False), me, once, aside)
