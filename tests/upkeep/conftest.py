"""The workshop of the tests of publishing, for the tests of upkeep."""

from tests.publishing.conftest import shop

__all__ = ["shop"]
