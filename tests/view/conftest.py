"""What the tests of this room share."""

from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("bowls")
