"""Settings of the machine, by environment. What a person changes lives in the database."""

from pathlib import Path

import platformdirs
from pydantic_settings import BaseSettings, SettingsConfigDict


class Machine(BaseSettings):
    """`LIKEWRIGHT_*` as found in the environment."""

    model_config = SettingsConfigDict(env_prefix="LIKEWRIGHT_", extra="ignore")

    data: Path | None = None
    public_url: str = ""
    smtp_url: str = ""


def data_folder(named: Path | None) -> Path:
    """Where the studio's data lies: the named folder, else LIKEWRIGHT_DATA, else the user's own."""
    chosen = named or Machine().data
    return chosen if chosen else Path(platformdirs.user_data_dir("likewright", appauthor=False))
