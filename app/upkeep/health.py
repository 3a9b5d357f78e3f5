"""Whether the house answers, for a monitor: yes or no, and nothing of what is in it."""

import sqlite3

from sqlalchemy import select
from sqlalchemy.exc import SQLAlchemyError

from app.studio.workshop import Workshop
from app.tables import house


def answers(workshop: Workshop) -> bool:
    """Whether the database can be read."""
    try:
        with workshop.database.reading() as db:
            return db.execute(select(house.c.id)).first() is not None
    except (SQLAlchemyError, sqlite3.Error, OSError):
        return False
