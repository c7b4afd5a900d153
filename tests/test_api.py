"""What other programs call: the names, their page, and meshes of other libraries."""

import csv
import doctest
import io
import json
import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
import pyvista
import trimesh

import volest
from tests.batch.small import bowl_stl, fill, formula_ml
from volest.report.record import as_line, csv_pieces, document
from volest.scan.reading import scan_from

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


def test_all_that_programs_hold_gives_what_the_file_gives(bowl: Path) -> None:
    of_file, mesh, data = volest.measure(bowl).volume_ml, loaded(bowl), bowl.read_bytes()
    pair = (np.asarray(mesh.vertices, np.float32), np.asarray(mesh.faces, np.uint16))
    cells = np.hstack([np.full((len(mesh.faces), 1), 3), mesh.faces])
    grid = pyvista.PolyData(np.asarray(mesh.vertices), cells).cast_to_unstructured_grid()
    for given in (pair, list(pair), [p.tolist() for p in pair], grid):
        assert volest.measure(given).volume_ml == pytest.approx(of_file, rel=1e-6)
    for held in (data, bytearray(data), memoryview(data), io.BytesIO(data)):
        result = volest.measure(held)
        assert (result.scan, result.volume_ml, result.notes) == ("mesh", of_file, ())
    with bowl.open("rb") as file:
        assert volest.measure(file).scan == str(bowl)
    with bowl.open(encoding="latin-1") as text:
        assert volest.measure(text).code == "unreadable"
    assert volest.measure(text).code == "unreadable"  # closed
    assert volest.measure(b"solid", name="a").scan == "a"


@pytest.mark.parametrize(
    "faces", [[[0, 1, 4]], [[0, 1, -1]], [[0.0, 1.0, 2.0]], [[0, 1, 2, 3]], [0, 1, 2]]
)
def test_faces_that_no_corners_have_are_refused(faces: list[Any]) -> None:
    corners = [[0.0, 0, 0], [50, 0, 0], [50, 50, 0], [0, 50, 0]]
    assert volest.measure((corners, faces)).code == "not-a-mesh"


@pytest.mark.parametrize("kind", [np.float16, np.float32, np.int8, np.uint64, np.array, Fraction])
def test_numbers_of_any_kind_are_taken(kind: Any) -> None:
    made = volest.mix(kind(40), waste_percent=kind(12))
    assert made.as_record() == volest.mix(40, waste_percent=12).as_record()
    assert volest.settings_for(base=kind(1)) == volest.settings_for(base="rim=1")
    assert volest.settings_for(inside_out=np.True_).inside_out is True  # type: ignore[arg-type]
    assert volest.Limits(workers=np.int64(2)).width(9) == 2  # type: ignore[arg-type]  # likewise


def test_a_base_line_is_given_as_it_was_found(bowl: Path) -> None:
    low = volest.measure(bowl, base=-2.0)
    assert low.volume_ml == volest.measure(bowl, base="rim=-2").volume_ml
    # A plane's height h over the deepest place of a paraboloid: pi/2 r^2/d h^2.
    assert low.volume_ml == pytest.approx(formula_ml(40) * (10 / 12) ** 2, rel=0.002)
    again = volest.measure(bowl, base=low.base_line)
    assert again.volume_ml == pytest.approx(low.volume_ml, rel=1e-3)
    assert again.base_line is not None
    assert again.base_line.how == "plane"


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("base", [1.0]),
        ("base", float("nan")),
        ("unit", "km"),
        ("unit", 3),
        ("pitch_mm", "0.4"),
        ("pitch_mm", np.array([0.4])),
        ("inside_out", 1),
        ("stone", 4),
        ("stones_for", 3),
        ("stones_for", {"*": 3}),
        ("wp_ml_per_100g", 1j),
        ("waste_percent", True),
        ("residue_ml", float("inf")),
        ("by", "cup"),
        ("way", b"hand"),
        ("second_pour_mm", "x"),
        ("heap_mm", 50.0),
        ("heap_mm", -5),
        ("lab", 3),
        ("journal", 3),
    ],
)
def test_an_option_of_the_wrong_kind_is_told_by_its_name(name: str, value: Any) -> None:
    with pytest.raises(volest.VolestError, match=f"found {name}") as caught:
        volest.settings_for(**{name: value})
    assert caught.value.code == "usage"


def test_an_option_that_is_none_is_left_out() -> None:
    nothing: dict[str, Any] = dict.fromkeys(volest.Options.__annotations__)
    assert volest.settings_for(**nothing) == volest.settings_for()


def test_other_arguments_of_the_wrong_kind_are_told_by_their_names(tmp_path: Path) -> None:
    api: Any = volest  # what is tried here, types forbid
    folder = partial(api.size_folder, tmp_path)
    wrong: list[tuple[str, Callable[[], object]]] = [
        ("volume_ml", lambda: api.mix("45")),
        ("name", lambda: api.measure(b"", name=3)),
        ("paths", lambda: api.size_folder(3)),
        ("paths", api.size_folder),
        ("out", lambda: folder(out=3)),
        ("limits", lambda: folder(limits=4)),
        ("cluster", lambda: folder(cluster=4)),
        ("on_result", lambda: folder(on_result=4)),
        ("workers", lambda: folder(limits=api.Limits(workers="2"))),
        ("memory_mb", lambda: folder(limits=api.Limits(memory_mb=500.5))),
        ("seconds_each", lambda: folder(limits=api.Limits(seconds_each="2"))),
        ("cavity", lambda: api.cavity_mesh(b"", cavity="2")),
        ("cavity", lambda: api.cavity_mesh(b"", cavity=1.5)),
    ]
    (tmp_path / "a.stl").write_bytes(bowl_stl(1))
    for name, call in wrong:
        with pytest.raises(volest.VolestError, match=f"found {name}"):
            call()


def test_a_result_is_told_in_short_and_as_a_table(bowl: Path) -> None:
    result = volest.measure(bowl, name="x")
    assert len(repr(result)) < 200
    assert str(bowl) in repr(result)
    page = result._repr_html_()
    assert ET.fromstring(f"<div>{page}</div>").findall(".//tr")  # noqa: S314  # our own
    odd = volest.measure(b"", name="<b>&.stl")
    assert "refused (empty)" in repr(odd)
    assert "&lt;b&gt;&amp;" in odd._repr_html_()
    assert odd.reason is not None
    assert odd.reason in odd._repr_html_()


def test_a_result_gives_what_the_files_of_a_run_hold(bowl: Path) -> None:
    result, odd = volest.measure(bowl), volest.measure(b"", name="odd")
    both = document([result, odd], volest.settings_for())
    assert [one.to_dict() for one in (result, odd)] == both["scans"]
    assert json.loads(json.dumps(result.to_dict())) == json.loads(as_line(result))
    heads, *lines = csv.reader(io.StringIO("".join(csv_pieces([result, odd]))))
    for one, line in zip((result, odd), lines, strict=True):
        row, written = one.to_row(), dict(zip(heads, line, strict=True))
        assert set(row) == {head for head in heads if not head.startswith("shared_mix")}
        for name, value in row.items():
            if isinstance(value, float):
                assert float(written[name]) == pytest.approx(value, abs=6e-4)
            else:
                assert written[name] == ("" if value is None else str(value))


def test_what_is_refused_can_be_raised(bowl: Path) -> None:
    volest.measure(bowl).raise_for_refused()
    result = volest.measure(b"", name="odd.stl")
    with pytest.raises(volest.VolestError) as caught:
        result.raise_for_refused()
    assert str(caught.value) == result.reason
    assert (caught.value.code, caught.value.found) == ("empty", "0 bytes")
    assert caught.value.__notes__ == ["scan: odd.stl"]
    with pytest.raises(volest.VolestError, match="0 bytes"):
        replace(volest.measure(bowl), others=(result,)).raise_for_refused()


def test_polygons_are_cut_into_triangles() -> None:
    square = pyvista.PolyData(
        np.array([[0.0, 0, 0], [50, 0, 0], [50, 50, 0], [0, 50, 0]]), np.array([4, 0, 1, 2, 3])
    )
    assert scan_from(square).triangles.shape == (2, 3, 3)
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
    lab = tmp_path / "lab.toml"
    lab.write_text("[habits]\nstone = 'type-4'\njournal = 'none.db'\n", encoding="utf-8")
    assert volest.settings_for(lab=lab, stone="type-3").scoop_stone == "type-4"


@pytest.mark.slow
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
