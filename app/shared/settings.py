"""Settings of the machine, by environment. What a person changes lives in the database."""

import os
from pathlib import Path
from typing import ClassVar, Self

import platformdirs
from pydantic import BaseModel, ValidationError

from app.shared.errors import CannotStart


class FromEnvironment(BaseModel):
    """Fields that are read from the environment, each by its name behind `prefix`."""

    prefix: ClassVar[str] = "LIKEWRIGHT_"

    @classmethod
    def read(cls) -> Self:
        """The fields as the environment says them. Raises CannotStart where they make no sense."""
        names = {name: f"{cls.prefix}{name.upper()}" for name in cls.model_fields}
        found = {name: os.environ[key] for name, key in names.items() if key in os.environ}
        try:
            return cls.model_validate(found)
        except ValidationError as why:
            wrong = why.errors()[0]
            name = f"{cls.prefix}{wrong['loc'][0]}".upper()
            raise CannotStart(f"{name} cannot be used: {wrong['msg']}.") from why


class Environment(FromEnvironment):
    """`LIKEWRIGHT_*` as found in the environment."""

    data: Path | None = None
    public_url: str = ""
    smtp_url: str = ""
    tagged_sender: bool | None = None


def data_folder(named: Path | None) -> Path:
    """Where the studio's data lies: the named folder, else LIKEWRIGHT_DATA, else the user's own."""
    chosen = named or Environment.read().data
    return chosen if chosen else Path(platformdirs.user_data_dir("likewright", appauthor=False))
