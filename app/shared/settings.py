"""Settings of the machine, by environment. What a person changes lives in the database."""

from pathlib import Path
from typing import TypeVar

import platformdirs
from pydantic import ValidationError
from pydantic_settings import BaseSettings, SettingsConfigDict

from app.shared.errors import CannotStart

_Settings = TypeVar("_Settings", bound=BaseSettings)


class Machine(BaseSettings):
    """`LIKEWRIGHT_*` as found in the environment."""

    model_config = SettingsConfigDict(env_prefix="LIKEWRIGHT_", extra="ignore")

    data: Path | None = None
    public_url: str = ""
    smtp_url: str = ""
    tagged_sender: bool = False


def from_environment(kind: type[_Settings]) -> _Settings:
    """Settings as the environment has them. Raises CannotStart where they make no sense."""
    try:
        return kind()
    except ValidationError as why:
        wrong = why.errors()[0]
        name = f"{kind.model_config.get('env_prefix', '')}{wrong['loc'][0]}".upper()
        raise CannotStart(f"{name} cannot be used: {wrong['msg']}.") from why


def data_folder(named: Path | None) -> Path:
    """Where the studio's data lies: the named folder, else LIKEWRIGHT_DATA, else the user's own."""
    chosen = named or from_environment(Machine).data
    return chosen if chosen else Path(platformdirs.user_data_dir("likewright", appauthor=False))
