"""Who needs no drawing loads none: names of modules from `python -X importtime`, not times."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

DRAWING = {"pyvista", "vtk", "vtkmodules", "trimesh", "matplotlib", "PIL", "jinja2"}


def loaded(words: list[str], cwd: Path) -> set[str]:
    code = "from volest.cli.main import main; main()"
    ran = subprocess.run(
        [sys.executable, "-X", "importtime", "-c", code, *words],
        cwd=cwd,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    names = re.findall(r"^import time:.*\|\s*([\w.]+)\s*$", ran.stderr, re.MULTILINE)
    assert "volest.cli.main" in names, ran.stderr
    return {name.split(".")[0] for name in names}


@pytest.mark.parametrize(
    "words",
    [
        ["--help"],
        ["mix", "50"],
        ["lab"],
        ["view", "--help"],
        ["size", "empty.stl"],
        ["show", "empty.stl", "--curve", "-"],
    ],
    ids=" ".join,
)
def test_no_drawing_is_loaded_where_none_is_done(words: list[str], tmp_path: Path) -> None:
    (tmp_path / "empty.stl").write_bytes(b"")
    assert not loaded(words, tmp_path) & DRAWING


@pytest.mark.slow
def test_the_pour_sheet_loads_a_template_library_late(tmp_path: Path) -> None:
    (tmp_path / "empty.stl").write_bytes(b"")
    names = loaded(["size", "empty.stl", "--sheet", "sheet.html"], tmp_path)
    assert "jinja2" in names
    assert "pyvista" not in names  # nothing was measured, so nothing is drawn here
