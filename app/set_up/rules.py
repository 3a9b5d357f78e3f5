"""What there is to set up, and whether each of it is done. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from app.studio.rules import StudioSettings

_AS_CAME = StudioSettings()


@dataclass(frozen=True, slots=True)
class InTheHouse:
    """How much of each there is in the house: machines, accounts and open invitations, closures,
    carriers, sheets of earlier orders, orders. `own_pace` says that its own record has begun to
    speak; `reach` what leads out of it by the environment."""

    machines: int = 0
    people: int = 0
    closures: int = 0
    carriers: int = 0
    sheets: int = 0
    orders: int = 0
    own_pace: bool = False
    given: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class SetUpStep:
    """A step of setting up: what it is, why, where, and whether it is done, by itself or because
    the owner leaves it as it is."""

    key: str
    title: str
    why: str
    address: str
    done: bool = False
    left: bool = False

    @property
    def is_open(self) -> bool:
        """Whether somebody should still look at it."""
        return not (self.done or self.left)


STEPS_TO_SET_UP: Sequence[SetUpStep] = (
    SetUpStep(
        "name", "Name and contact", "They’re on every customer’s page and in every email.",
        "/settings",
    ),
    SetUpStep(
        "place", "Country and time zone",
        "Days, public holidays and the hours when emails go out follow them.", "/settings#hours",
    ),
    SetUpStep(
        "hours", "Working hours and closures",
        "Dates count only the days when somebody is there.", "/settings#hours",
    ),
    SetUpStep(
        "steps", "How you work",
        "Whether blanks come from a machine, what customers approve, when work starts.",
        "/settings#orders",
    ),
    SetUpStep(
        "made", "Sizes, poses and bases", "The form for a new order offers these.",
        "/settings#orders",
    ),
    SetUpStep(
        "weeks", "Your usual weeks",
        "Until your own record can say how long things take, customers are told these.",
        "/settings#weeks",
    ),
    SetUpStep(
        "carriers", "Carriers",
        "With their usual days, a needed-by date includes the time in transit.",
        "/settings/carriers",
    ),
    SetUpStep(
        "machines", "Machines", "The queue on the Builds page needs to know what can run.",
        "/builds",
    ),
    SetUpStep(
        "people", "People",
        "Everybody signs in under their own name, so that you can see who did what.", "/accounts",
    ),
    SetUpStep(
        "address", "Address of customers’ pages",
        "Without it links open nothing, so no email is sent.", "/set-up/address",
    ),
    SetUpStep(
        "mail", "Mail server", "Without it emails are saved as files and reach nobody.",
        "/set-up/mail",
    ),
    SetUpStep(
        "backups", "Where backups go",
        "Another disk is better: this one could break, with the backups on it.",
        "/set-up/backups",
    ),
    SetUpStep(
        "earlier", "Earlier orders",
        "A sheet of finished orders lets the forecast learn from them at once.", "/history",
    ),
    SetUpStep(
        "orders", "Orders under way",
        "What is on your benches now comes first. Nobody gets an email about it.", "/orders/new",
    ),
)  # fmt: skip
KEYS = frozenset(step.key for step in STEPS_TO_SET_UP)


def steps(settings: StudioSettings, found: InTheHouse) -> list[SetUpStep]:
    """Every step, with whether it is done or left as it is."""
    done = _done(settings, found)
    left = frozenset(settings.set_up_fine.split())
    return [
        SetUpStep(
            one.key, one.title, one.why, one.address,
            done=done[one.key], left=one.key in left and not done[one.key],
        )
        for one in STEPS_TO_SET_UP
    ]  # fmt: skip


def next_step(settings: StudioSettings, found: InTheHouse) -> SetUpStep | None:
    """The first step that somebody should still look at; None where the owner said that it will
    do as it is."""
    if settings.set_up_over:
        return None
    return next((one for one in steps(settings, found) if one.is_open), None)


def _done(s: StudioSettings, found: InTheHouse) -> Mapping[str, bool]:
    def differs(*names: str) -> bool:
        return any(getattr(s, name) != getattr(_AS_CAME, name) for name in names)

    return {
        "name": differs("name") and bool(s.contact_mail),
        "place": differs("country", "zone"),
        "hours": differs("hours") or found.closures > 0,
        "steps": differs("blank_on", "approves", "starts_when", "inspection_list"),
        "made": differs("sizes", "poses", "bases"),
        "weeks": s.usual_weeks() is not None or found.own_pace or found.sheets > 0,
        "carriers": found.carriers > 0,
        "machines": found.machines > 0,
        "people": found.people > 1,
        "address": bool(s.public_address) or "address" in found.given,
        "mail": bool(s.mail_host) or "mail" in found.given,
        "backups": bool(s.backups_folder) or "backups" in found.given,
        "earlier": found.sheets > 0,
        "orders": found.orders > 0,
    }
