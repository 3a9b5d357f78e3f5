"""The whole staff site, for tests of these pages."""

from tests.whole_site import desk, owner, painter, workshop

__all__ = ["desk", "owner", "painter", "workshop"]
