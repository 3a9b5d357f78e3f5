"""The settings are looked at through the same door as sign-in."""

from tests.staff.conftest import browser, kept_password, owner, workshop

__all__ = ["browser", "kept_password", "owner", "workshop"]
