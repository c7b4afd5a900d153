"""What other programs call: the names, their page, and meshes of other libraries."""

import doctest
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pyvista
import trimesh

import volest
from tests.batch.small import bowl_stl, fill, formula_ml
from volest.scan.reading import scan_from_mesh

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "docs" / "reference" / "api.md"


@pytest.fixture(scope="module")
def bowl(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("bowl") / "bowl.stl"
    path.write_bytes(bowl_stl(40, across=129))
    return path


def loaded(path: Path) -> Any:
    return trimesh.load(path)


def test_the_page_lists_each_public_name_and_option() -> None:
    page = PAGE.read_text(encoding="utf-8")
    missing = [name for name in volest.__all__ if f"volest.{name}" not in page]
    missing += [name for name in volest.Options.__annotations__ if f"`{name}`" not in page]
    assert not missing
    told = set(re.findall(r"`volest\.(\w+)", page))
    assert told == set(volest.__all__)


def test_the_examples_of_the_page_run() -> None:
    failed, tried = doctest.testfile(str(PAGE), module_relative=False)
    assert tried > 5
    assert failed == 0


def test_importing_reads_nothing_heavy() -> None:
    code = (
        "import sys, volest; print([n for n in ('numpy', 'click', 'pebble') if n in sys.modules])"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert ran.stdout.strip() == "[]"
    assert set(volest.__all__) <= set(dir(volest))
    with pytest.raises(AttributeError, match="nonsense"):
        _ = volest.nonsense


def test_meshes_of_other_libraries_give_what_the_file_gives(bowl: Path) -> None:
    of_file = volest.measure(bowl)
    assert of_file.volume_ml == pytest.approx(formula_ml(40), rel=0.001)
    mesh = loaded(bowl)
    faces = np.hstack([np.full((len(mesh.faces), 1), 3), mesh.faces])
    quads = pyvista.PolyData(np.asarray(mesh.vertices), faces)
    for other in (mesh, quads, np.asarray(mesh.triangles)):
        assert volest.measure(other).volume_ml == pytest.approx(of_file.volume_ml, rel=1e-6)
    inches = np.asarray(mesh.triangles) / 25.4
    # Corners that were divided and multiplied are rounded: another few cells hold them.
    assert volest.measure(inches, unit="inch").volume_ml == pytest.approx(
        of_file.volume_ml, rel=1e-5
    )


def test_polygons_are_cut_into_triangles() -> None:
    square = pyvista.PolyData(
        np.array([[0.0, 0, 0], [50, 0, 0], [50, 50, 0], [0, 50, 0]]), np.array([4, 0, 1, 2, 3])
    )
    assert scan_from_mesh(square).triangles.shape == (2, 3, 3)
    assert square.n_cells == 1  # the mesh itself is left as it was


@pytest.mark.parametrize("thing", [None, 3, np.zeros((4, 3)), np.zeros((0, 3, 3)), [["a"]]])
def test_what_is_no_mesh_is_refused_by_name(thing: object) -> None:
    result = volest.measure(thing, name="thing")
    assert (result.scan, result.outcome, result.code) == ("thing", "refused", "not-a-mesh")


def test_a_mesh_is_not_changed(bowl: Path) -> None:
    triangles = np.array(loaded(bowl).triangles)
    before = triangles.copy()
    volest.measure(triangles, unit="cm")
    assert np.array_equal(triangles, before)
    assert triangles.flags.writeable


def test_options_are_those_of_the_command_line(tmp_path: Path) -> None:
    settings = volest.settings_for(base="rim=-1.5", stone="type-3", way="hand", second_pour_mm=12.0)
    assert str(settings.base) == "rim=-1.5"
    assert not settings.obey_saved
    assert settings.lab.second_pour.height_mm == 12.0
    assert volest.settings_for().as_record() == volest.Settings().as_record()
    with pytest.raises(volest.VolestError, match="marble"):
        volest.settings_for(stone="marble")
    with pytest.raises(volest.VolestError, match="no such file"):
        volest.settings_for(journal=tmp_path / "missing.db")


def test_a_folder_by_itself_and_into_another(tmp_path: Path) -> None:
    fill(tmp_path / "day", 3)
    seen: list[str] = []
    plain = volest.size_folder(tmp_path / "day", pitch_mm=1.0)
    kept = volest.size_folder(
        tmp_path / "day",
        out=tmp_path / "out",
        sheet=True,
        limits=volest.Limits(workers=1),
        on_result=lambda result: seen.append(result.scan),
        pitch_mm=1.0,
    )
    assert [one.volume_ml for one in kept] == [one.volume_ml for one in plain]
    assert sorted(seen) == [one.scan for one in kept]
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert names == {".volest", "results.json", "results.csv", "sheet.html"}
    page = (tmp_path / "out" / "sheet.html").read_text(encoding="utf-8")
    assert page.count('<article class="card"') == 3
