"""What must not be measured is refused, by name, in one line that says how to mend it."""

import json
import struct
from pathlib import Path

import numpy as np
import pytest
import trimesh
from click.testing import CliRunner
from manifold3d import Manifold

from tests.cavity.posing import STILL, given, measured
from tests.cavity.trays import Floats, Tray, corners_of, trays
from tests.scan import writers
from volest.cli.main import volest_group
from volest.errors import ScanError
from volest.pipeline import size_scan
from volest.result import REFUSED
from volest.settings import Base, Settings

TRAYS = {tray.name: tray for tray in trays()}
SAMPLES = Path(__file__).parents[1] / "sample_meshes"


def _code(triangles: Floats, base: Base | None = None) -> str:
    with pytest.raises(ScanError) as refusal:
        measured(triangles, base=base or Base())
    assert "; needed " in str(refusal.value)
    return refusal.value.code


def _split(triangles: Floats, times: int) -> Floats:
    """Cut each triangle in four, again and again."""
    for _ in range(times):
        a, b, c = (triangles[:, k] for k in range(3))
        ab, bc, ca = (a + b) / 2.0, (b + c) / 2.0, (c + a) / 2.0
        parts = ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))
        triangles = np.concatenate([np.stack(part, axis=1) for part in parts])
    return triangles


def _cast(tray: Tray) -> Floats:
    """Turn a cavity into a cast: the positive, standing on a base with a land round it."""
    low = np.array(tray.cavity.bounding_box()[:2]) - 5.0
    high = np.array(tray.cavity.bounding_box()[3:5]) + 5.0
    base = Manifold.cube((*(high - low), 10.0)).translate((*low, -1e-3))
    return corners_of(base + tray.cavity)


def test_a_flat_scan() -> None:
    x, y = np.meshgrid(np.arange(60.0), np.arange(50.0))
    sheet = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)
    i = np.arange(49)[:, None] * 60 + np.arange(59)
    faces = np.stack([i, i + 1, i + 60], axis=-1).reshape(-1, 3)
    assert _code(sheet[faces]) == "no-cavity"


@pytest.mark.parametrize(
    "solid",
    [
        trimesh.creation.icosphere(subdivisions=4, radius=25.0),
        trimesh.creation.box((60.0, 50.0, 20.0)),
        trimesh.creation.cylinder(radius=25.0, height=20.0),
        trimesh.creation.capsule(height=30.0, radius=12.0),
    ],
    ids=["ball", "box", "cylinder", "capsule"],
)
def test_a_convex_solid(solid: trimesh.Trimesh) -> None:
    assert _code(np.asarray(solid.triangles, dtype=np.float64)) == "no-cavity"


def test_a_bulging_sheet() -> None:
    ball = trimesh.creation.icosphere(subdivisions=5, radius=25.0)
    shallow = ball.triangles[ball.triangles_center[:, 2] > 20.0]
    # Seen from outside it bulges; seen from inside it is the skin of a cast.
    assert _code(np.asarray(shallow, dtype=np.float64)) in {"cast", "no-cavity"}


@pytest.mark.parametrize("name", ["gutter", "hemisphere", "prismatoid"])
def test_a_cast_that_stands_on_its_base(name: str) -> None:
    assert _code(_cast(TRAYS[name])) in {"cast", "no-cavity"}


def test_the_skin_of_a_cast() -> None:
    bowl = TRAYS["hemisphere"]
    inside = bowl.triangles(is_open=True)
    skin = inside[inside[:, :, 2].min(axis=1) < -1e-3][:, ::-1]
    assert _code(skin) == "cast"
    turned_on_purpose = measured(skin, base=given(STILL, -1.0), inside_out=True)
    assert turned_on_purpose.volume_ml == pytest.approx(bowl.facets_ml(-1.0), rel=5e-3)


def test_an_impression_exported_inside_out_is_measured_and_told() -> None:
    tray = TRAYS["hemisphere"]
    for is_open in (False, True):
        result = measured(tray.triangles(is_open=is_open)[:, ::-1], base=given(STILL, -1.0))
        assert result.volume_ml == pytest.approx(tray.facets_ml(-1.0), rel=1e-3)
        assert [note.code for note in result.notes] == ["faces-turned"]


@pytest.mark.parametrize("height_mm", [-20.5, 30.0])
def test_a_base_line_that_misses_the_cavity(height_mm: float) -> None:
    tray = TRAYS["hemisphere"]
    assert _code(tray.triangles(is_open=False), given(STILL, height_mm)) == "base-misses"


def test_a_floor_of_which_much_is_missing() -> None:
    tray = TRAYS["cuboid"]
    corners = _split(tray.triangles(is_open=True), 5)
    gone = np.linalg.norm(corners.mean(axis=1) - [30.0, 25.0, -20.0], axis=1) < 14.0
    assert _code(corners[~gone], given(STILL, -1.0)) == "holes"


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"", "empty"),
        (b"solid of nothing\nendsolid\n", "no-triangles"),
        (b"%PDF-1.7\n" + b"x" * 500, "not-a-mesh"),
        (b"\0" * 80 + struct.pack("<I", 5) + b"\0" * 100, "truncated"),
        (b"\0" * 80 + struct.pack("<I", 2**31) + b"\0" * 100, "absurd-count"),
    ],
    ids=["empty", "no-triangles", "not-a-mesh", "truncated", "absurd-count"],
)
def test_files_that_cannot_be_read(data: bytes, code: str, tmp_path: Path) -> None:
    path = tmp_path / "scan.stl"
    path.write_bytes(data)
    result = size_scan(path, Settings())
    assert (result.outcome, result.code) == (REFUSED, code), result.reason


@pytest.mark.parametrize(("factor", "unit"), [(0.1, "cm"), (0.001, "m"), (1 / 25.4, "inch")])
def test_a_scale_that_is_clearly_not_mm(factor: float, unit: str, tmp_path: Path) -> None:
    triangles = TRAYS["frustum"].triangles(is_open=True) * factor
    path = tmp_path / "scan.stl"
    path.write_bytes(writers.stl_binary(triangles))
    refused = size_scan(path, Settings())
    assert (refused.outcome, refused.code) == (REFUSED, "scale")
    assert f"--unit {unit}" in str(refused.reason) or unit in str(refused.reason)
    sized = size_scan(path, Settings(unit=unit, base=Base(offset_mm=-1.0)))
    assert sized.volume_ml == pytest.approx(TRAYS["frustum"].facets_ml(-1.0), rel=2e-3)


def test_one_bad_file_never_stops_the_others(tmp_path: Path) -> None:
    tray = TRAYS["frustum"]
    (tmp_path / "a.stl").write_bytes(b"")
    (tmp_path / "b.stl").write_bytes(writers.stl_binary(tray.triangles(is_open=False)))
    (tmp_path / "c.ply").write_bytes(b"ply\nformat ascii 1.0\n")
    target = tmp_path / "out.json"
    run = CliRunner().invoke(volest_group, ["size", str(tmp_path), "--json", str(target)])
    assert run.exit_code == 1, run.output
    outcomes = [scan["outcome"] for scan in json.loads(target.read_text())["scans"]]
    assert outcomes == ["refused", "measured", "refused"]


@pytest.mark.parametrize("shift_mm", [(90, 0, 0), (60, 0, 0), (0, 90, 0), (0, 60, 0)])
def test_one_impression_twice_in_one_file_is_measured_once_and_told(
    shift_mm: tuple[int, int, int], tmp_path: Path
) -> None:
    # Where the two cross, the one that holds most is kept.
    one = trimesh.load_mesh(SAMPLES / "b0422-lower-left-quadrant.stl").triangles
    path = tmp_path / "two.stl"
    path.write_bytes(writers.stl_binary(np.concatenate([one, one + np.array(shift_mm)])))
    result = size_scan(path, Settings())
    alone = size_scan(SAMPLES / "b0422-lower-left-quadrant.stl", Settings())
    assert {note.code for note in result.notes} & {"scanned-twice", "parts-left-out"}
    assert result.cavities == 1
    assert result.volume_ml == pytest.approx(alone.volume_ml, rel=2e-3)
