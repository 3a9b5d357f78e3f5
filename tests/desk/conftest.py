"""The whole staff site, for tests of these pages."""

from tests.whole_site import desk, painter, workshop

__all__ = ["desk", "painter", "workshop"]
