"""What is shipped: built as a packager builds it, and run from outside the source tree."""

import ast
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SHIPPED = {path.relative_to(ROOT).as_posix() for path in (ROOT / "volest").rglob("*")}


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("built")
    words = [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(folder), str(ROOT)]
    subprocess.run(words, check=True, capture_output=True)
    return folder


@pytest.fixture(scope="module")
def wheel(built: Path) -> Path:
    (wheel,) = built.glob("*.whl")
    return wheel


def test_the_wheel_holds_the_package_and_nothing_else(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    inside = {name for name in names if ".dist-info/" not in name}
    files = {name for name in SHIPPED if (ROOT / name).is_file() and "__pycache__" not in name}
    assert inside == files
    assert "volest/py.typed" in inside
    assert any(name.endswith("licenses/docs/LICENCE.md") for name in names)


def test_the_metadata_is_whole(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as files:
        (name,) = (n for n in files.namelist() if n.endswith(".dist-info/METADATA"))
        lines = files.read(name).decode("utf-8").splitlines()
    for wanted in (
        "License-Expression: MIT",
        "Requires-Python: >=3.11",
        "Classifier: Typing :: Typed",
    ):
        assert wanted in lines
    needs = [line for line in lines if line.startswith("Requires-Dist:")]
    assert needs
    # Core metadata, Requires-Dist: each says from which version on.
    assert all(">=" in line or "volest[" in line for line in needs)


def test_a_plain_install_brings_all_that_is_imported() -> None:
    # A library that volest names anywhere is a plain need, but for those of its own extras.
    extras = {"numba", "distributed", "fsspec", "dask"}
    names = {
        (alias.name if isinstance(node, ast.Import) else str(node.module)).partition(".")[0]
        for path in (ROOT / "volest").rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Import | ast.ImportFrom)
        for alias in node.names
    }
    table = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    brought = {re.split("[>=]", need)[0] for need in table["dependencies"]}
    called = {"skimage": "scikit-image", "PIL": "pillow", "vtkmodules": "vtk"}
    own = {*sys.stdlib_module_names, "volest", *extras}
    assert not {called.get(name, name.replace("_", "-")) for name in names - own} - brought


def test_the_source_archive_holds_what_tests_need(built: Path) -> None:
    (archive,) = built.glob("*.tar.gz")
    with tarfile.open(archive) as files:
        tops = {name.split("/")[1] for name in files.getnames()}
    assert {"README.md", "DEVELOPERS.md", "volest", "tests", "sample_meshes", "docs"} <= tops


def test_it_runs_from_the_wheel_alone(wheel: Path, tmp_path: Path) -> None:
    target = tmp_path / "installed"
    shutil.unpack_archive(wheel, target, "zip")  # a wheel without compiled parts is its own install
    scan = ROOT / "sample_meshes" / "b0422-lower-left-quadrant.stl"
    ran = subprocess.run(
        [sys.executable, "-P", "-m", "volest", "size", str(scan)],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(target)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert "1 scan: 1 measured" in ran.stdout
    where = subprocess.run(
        [sys.executable, "-P", "-c", "import volest; print(volest.__file__)"],
        env={**os.environ, "PYTHONPATH": str(target)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert where.stdout.startswith(str(target))
