"""The house keeps its own rules: lint, types and docstrings are part of the tests."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest
from numpydoc.validate import validate

ROOT = Path(__file__).parents[1]
# Extended summaries, See Also, References and Examples stand where they help, not everywhere.
LEFT_OPEN = {"ES01", "SA01", "EX01", "GL08", "PR01", "PR02", "SS06"}


@pytest.mark.parametrize(
    "command", [["ruff", "check"], ["ruff", "format", "--check"], ["mypy"]], ids=" ".join
)
def test_tools_find_nothing(command: list[str]) -> None:
    run = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stdout + run.stderr


def _public_names() -> list[str]:
    names = []
    for path in sorted((ROOT / "volest").rglob("*.py")):
        module = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        tree = ast.parse(path.read_text(encoding="utf-8"))
        public = (ast.FunctionDef, ast.ClassDef)
        names += [
            f"{module}.{node.name}"
            for node in tree.body
            if isinstance(node, public) and not node.name.startswith("_")
        ]
    # A command's docstring is for its reader, not for callers; what a compiled loop does is told
    # where the numpy way beside it is told.
    return [n for n in names if not n.startswith("volest.cli.") and "_loops." not in n]


@pytest.mark.parametrize("name", _public_names())
def test_docstrings_are_whole(name: str) -> None:
    faults = [f"{code} {text}" for code, text in validate(name)["errors"] if code not in LEFT_OPEN]
    assert not faults, faults
