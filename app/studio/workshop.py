"""What every page is given: the database, the data folder, the studio's settings and calendar."""

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection

from app.flow.steps import STEPS, Step
from app.shared import clock
from app.shared.calendar import Calendar
from app.shared.carriers import Carrier, Journey, usual_journey
from app.shared.database import Database
from app.shared.places import DataFolder
from app.studio import carrier_list, store
from app.studio.rules import StudioSettings

Pace = Mapping[Step, tuple[float, float, bool]]
USUAL: Pace = {
    step: (facts.usual, facts.slow, False) for step, facts in STEPS.items() if facts.usual
}


@dataclass(frozen=True, slots=True)
class InForce:
    """The settings as they stand, with the calendar made from them, and the list of carriers."""

    settings: StudioSettings
    calendar: Calendar
    carriers: Sequence[Carrier] = ()

    def journey(self, country: str) -> Journey | None:
        """The usual days on the way to a country as an address has it; None where not known."""
        return usual_journey(self.carriers, country, self.settings.country)


def in_force_at(db: Connection, now: int) -> InForce:
    """What stands in a database, with the calendar around a moment (UTC seconds)."""
    settings = store.load(db)
    year = datetime.fromtimestamp(now, settings.zone_info()).year
    return InForce(settings, store.calendar(db, settings, year), carrier_list.load(db))


class Workshop:
    """One studio's house while a server runs: opened once, shared by every request and worker."""

    def __init__(
        self, folder: DataFolder, *, public_url: str = "", status_url: str = "", demo: bool = False
    ) -> None:
        self.folder = folder
        self.database = Database(folder.database_file)
        # What the machine's environment says stands above what is set in a browser.
        self.given_url = public_url.rstrip("/")
        self._own_url = status_url.rstrip("/")
        self.demo = demo
        self.changed = threading.Event()
        self._studio: InForce | None = None
        self._chances: Mapping[int, float] = {}
        self._from_passing: Sequence[float] | None = None
        self._forgotten = 0
        self._pace = USUAL

    @property
    def public_url(self) -> str:
        """The address under which customers reach their pages; empty where there is none yet."""
        return self.given_url or self.in_force().settings.public_address

    @property
    def status_url(self) -> str:
        """What a link to a customer's page begins with."""
        return self.public_url or self._own_url

    def now(self) -> int:
        """This moment, UTC seconds."""
        return clock.now()

    def in_force(self) -> InForce:
        """The studio's settings and calendar, read once and again after `forget`."""
        known = self._studio
        if known is None:
            asked = self._forgotten
            with self.database.reading() as db:
                known = in_force_at(db, self.now())
            # What was read before a change was saved must not be kept after it.
            if asked == self._forgotten:
                self._studio = known
        return known

    def pace(self) -> Pace:
        """Usual and slow stays by step, in days, and whether they are the studio's own."""
        return self._pace

    def chances(self) -> Mapping[int, float]:
        """By order, the chance (0 to 1) of being ready by the day it is needed."""
        return self._chances

    def days_from_passing(self) -> Sequence[float] | None:
        """Days from the photos' passing to the end, at the forecast's points; None at first."""
        return self._from_passing

    def set_forecast(
        self, pace: Pace, chances: Mapping[int, float], from_passing: Sequence[float] | None = None
    ) -> None:
        """A worker has counted stays, chances and days from passing anew."""
        self._pace, self._chances, self._from_passing = pace, chances, from_passing

    def forget(self) -> None:
        """The settings have changed: read them again when next asked."""
        self._forgotten += 1
        self._studio = None

    def close(self) -> None:
        """Let go of the database."""
        self.database.close()
