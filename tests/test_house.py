"""The house keeps its own rules: lint, types and docstrings are part of the tests."""

import subprocess
import sys
from pathlib import Path

import pytest
from numpydoc.validate import validate

import volest
from tests.marks import slow

ROOT = Path(__file__).parents[1]
# Extended summaries, See Also, References and Examples stand where they help, not everywhere.
LEFT_OPEN = {"ES01", "SA01", "EX01", "GL08", "PR01", "PR02", "SS06"}


@pytest.mark.parametrize(
    "command", [["ruff", "check"], ["ruff", "format", "--check"], *slow(["mypy"])], ids=" ".join
)
def test_tools_find_nothing(command: list[str]) -> None:
    run = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stdout + run.stderr


@pytest.mark.parametrize("name", sorted({*volest.__all__} - {"__version__"}))
def test_public_docstrings_are_whole(name: str) -> None:
    found = validate(f"volest.{name}")["errors"]
    faults = [f"{code} {text}" for code, text in found if code not in LEFT_OPEN]
    assert not faults, faults
