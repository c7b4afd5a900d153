"""What holds for all tests: nobody's own defaults change what a test sees, and what is shared."""

import os
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("untimed", deadline=None)  # a loaded machine is no fault of the code
settings.load_profile("untimed")
os.environ["VOLEST_LAB"] = ""  # for programs that a test starts too


@pytest.fixture(scope="session")
def impressions(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder that the workers of one run share, so that each impression is made once."""
    base = tmp_path_factory.getbasetemp()
    folder = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "impressions"
    folder.mkdir(exist_ok=True)
    return folder
