"""The workshop of the tests of publishing, for the tests of upkeep."""

from tests.publishing.conftest import workshop

__all__ = ["workshop"]
