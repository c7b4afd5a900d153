"""What the tests of this room share."""

from pathlib import Path

import pytest

REAL = {"chromium", "display"}  # a browser, a display server


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("bowls")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark as slow what drives a real browser or a real display server."""
    for item in items:
        if REAL & {*getattr(item, "fixturenames", ())}:
            item.add_marker(pytest.mark.slow)
