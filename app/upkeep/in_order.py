"""Backups and the disk, as the owner's page says them."""

import shutil

from app.owner.today.rules import InOrder
from app.shared.web import words
from app.studio.workshop import Workshop
from app.upkeep import drill
from app.upkeep.kept import ending
from app.upkeep.nightly import backups_folder, kept, warning

# Some weeks of photos and a backup (our own choice).
LEAST_FREE = 2_000_000_000


def backups(workshop: Workshop) -> list[InOrder]:
    """When the last backup was made and checked against its log, or what is wrong with it."""
    if workshop.demo:
        return [InOrder("An invented workshop is not backed up: it can be made again.", good=True)]
    trouble = warning(workshop)
    if trouble:
        return [InOrder(trouble, good=False)]
    there = kept(backups_folder(workshop))
    if not there:
        return [InOrder("The first backup will be made in a minute.", good=True)]
    when = words.when(there[-1][0], workshop.now(), workshop.in_force().settings.zone_info())
    return [InOrder(f"The last backup was made and checked {when}.", good=True)]


def on_trial(workshop: Workshop) -> list[InOrder]:
    """Whether the last backup that was restored on trial came back whole."""
    tried = drill.last(workshop)
    if workshop.demo or tried is None:
        return []
    when = words.when(tried.at, workshop.now(), workshop.in_force().settings.zone_info())
    if tried.why:
        return [
            InOrder(f"A backup restored on trial ({when}) is not whole. {tried.why}", good=False)
        ]
    return [InOrder(f"A backup was restored on trial ({when}) and came back whole.", good=True)]


def disk(workshop: Workshop) -> list[InOrder]:
    """How much room is left on the disk that holds the workshop's data."""
    free = shutil.disk_usage(workshop.folder.path).free
    if free < LEAST_FREE:
        said = f"Only {free / 1e9:.1f} GB are free on the disk. Make room soon."
        return [InOrder(said, good=False)]
    return [InOrder(f"{free / 1e9:.0f} GB are free on the disk.", good=True)]


def going(workshop: Workshop) -> list[InOrder]:
    """What the coming night lets go for good, where there is anything."""
    if not workshop.in_force().settings.keeps:
        return []
    due = ending.due_now(workshop)
    parts = [
        words.count(many, one, more)
        for many, one, more in (
            (sum(row.many for row in due.photos), "photo", "photos"),
            (len(due.letters), "text of an email", "texts of emails"),
            (len(due.people), "person", "people"),
        )
        if many
    ]
    if not parts:
        return []
    said = f"{words.capital(words.listed(parts))} will be deleted for good tonight."
    return [InOrder(said, good=True, address="/settings/keeping")]
