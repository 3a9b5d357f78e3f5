import pytest

from tests.demo.invented import invent


@pytest.fixture(scope="session")
def made(tmp_path_factory):
    """The demo as it is by default: its folder, and what was said of it."""
    return invent(tmp_path_factory.mktemp("demo"))
