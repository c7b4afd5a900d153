"""Reading: the same triangles from every encoding, as the reference library reads them."""

from pathlib import Path

import numpy as np
import pytest
import trimesh
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from tests.scan.writers import SUFFIX, Triangles, cuboid, stl_binary, written
from volest.errors import ScanError, UsageError
from volest.scan.reading import read_scan

ENCODINGS = sorted(SUFFIX)


def codes(path: Path, unit: str | None = None) -> list[str]:
    return [note.code for note in read_scan(path, unit=unit).notes]


@pytest.mark.parametrize("encoding", ENCODINGS)
def test_cuboid_comes_back_as_written(encoding: str, tmp_path: Path) -> None:
    path = tmp_path / f"cuboid{SUFFIX[encoding]}"
    path.write_bytes(written(cuboid(), encoding))
    scan = read_scan(path)
    assert scan.path == path
    assert scan.triangles.dtype == np.float64
    assert not scan.triangles.flags.writeable
    assert scan.notes == ()
    np.testing.assert_array_equal(scan.triangles, cuboid())


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("sphere.stl", {"file_type": "stl"}),
        ("sphere.stl", {"file_type": "stl_ascii"}),
        ("sphere.ply", {"file_type": "ply"}),
        ("sphere.ply", {"file_type": "ply", "encoding": "ascii"}),
        ("sphere.ply", {"file_type": "ply", "vertex_normal": True}),
    ],
)
def test_agrees_with_the_reference_library(
    name: str, options: dict[str, object], tmp_path: Path
) -> None:
    # Outside truth: trimesh writes the file and reads it with its own default reader.
    path = tmp_path / name
    trimesh.creation.icosphere(subdivisions=5, radius=30.0).export(path, **options)
    reference = trimesh.load_mesh(path)
    scan = read_scan(path)
    assert len(scan.triangles) == len(reference.faces) == 20_480
    bounds = [scan.triangles.min(axis=(0, 1)), scan.triangles.max(axis=(0, 1))]
    np.testing.assert_allclose(bounds, reference.bounds, rtol=0, atol=1e-6)
    np.testing.assert_allclose(scan.triangles, reference.triangles, rtol=0, atol=1e-6)


coordinates = st.floats(-90, 90, width=32)
small_meshes = hnp.arrays(np.float32, st.tuples(st.integers(1, 12), st.just(3), st.just(3)),
                          elements=coordinates)  # fmt: skip


def solid_ones(triangles: Triangles) -> Triangles:
    """Those with an area, and a first one that makes the whole large enough for a scan."""
    sides = triangles[:, 1:].astype(np.float64) - triangles[:, :1]
    area = np.linalg.norm(np.cross(sides[:, 0], sides[:, 1]), axis=1)
    first = np.array([[[0, 0, 0], [60, 0, 0], [0, 50, 0]]], np.float32)
    return np.concatenate([first, triangles[area > 1e-6]])


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(triangles=small_meshes)
def test_round_trip_in_all_encodings(triangles: Triangles, tmp_path: Path) -> None:
    triangles = solid_ones(triangles)
    for encoding in ENCODINGS:
        path = tmp_path / f"trip{SUFFIX[encoding]}"
        path.write_bytes(written(triangles, encoding))
        back = read_scan(path).triangles.astype(np.float32)
        np.testing.assert_array_equal(back, triangles, err_msg=encoding)


def test_header_that_begins_with_solid_is_binary_by_its_size(tmp_path: Path) -> None:
    path = tmp_path / "solid.stl"
    path.write_bytes(stl_binary(cuboid(), header=b"solid made by a mill"))
    assert len(read_scan(path).triangles) == 12


@pytest.mark.parametrize("encoding", ["stl", "ply little", "ply big", "ply text", "stl text"])
def test_trailing_bytes_are_noted(encoding: str, tmp_path: Path) -> None:
    path = tmp_path / f"tail{SUFFIX[encoding]}"
    path.write_bytes(written(cuboid(), encoding) + b" 7 7")
    assert codes(path) == ["trailing-bytes"]


@pytest.mark.parametrize(
    ("encoding", "suffix"), [("ply big", ".stl"), ("stl", ".ply"), ("stl text", ".obj")]
)
def test_kind_is_told_by_content(encoding: str, suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"other{suffix}"
    path.write_bytes(written(cuboid(), encoding))
    assert codes(path) == ["misnamed"]


@pytest.mark.parametrize(("points", "told"), [(2, []), (30, ["degenerate"])])
def test_degenerate_triangles_are_dropped(points: int, told: list[str], tmp_path: Path) -> None:
    path = tmp_path / "collapsed.stl"
    point = np.arange(points, dtype=np.float32)[:, None, None] + np.zeros((3, 3), np.float32)
    line = np.array([[[0, 0, 0], [1, 1, 1], [3, 3, 3]]], np.float32)
    path.write_bytes(stl_binary(np.concatenate([cuboid(), point, line])))
    scan = read_scan(path)
    assert len(scan.triangles) == 12
    assert [note.code for note in scan.notes] == told


@pytest.mark.parametrize(("unit", "factor"), [("mm", 1), ("cm", 10), ("m", 1000), ("inch", 25.4)])
def test_unit_scales_to_mm(unit: str, factor: float, tmp_path: Path) -> None:
    # The inch is 25.4 mm exactly (International Yard and Pound, 1959).
    path = tmp_path / "scaled.stl"
    path.write_bytes(stl_binary((cuboid() / np.float32(factor)).astype(np.float32)))
    size = np.ptp(read_scan(path, unit=unit).triangles.reshape(-1, 3), axis=0)
    np.testing.assert_allclose(size, [60, 50, 20], rtol=1e-6)


def test_unknown_unit_is_a_matter_of_usage(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="foot"):
        read_scan(tmp_path / "any.stl", unit="foot")


def test_a_name_that_is_not_there_is_told_with_its_nearest_neighbour(tmp_path: Path) -> None:
    (tmp_path / "monday").mkdir()
    with pytest.raises(ScanError, match=r"no such file or folder.*: 'monday' is there"):
        read_scan(tmp_path / "mnday")
    with pytest.raises(ScanError, match=r"check the name$"):
        read_scan(tmp_path / "case-1042.stl")
    with pytest.raises(ScanError, match=r"check the name$"):
        read_scan(tmp_path / "nowhere" / "case-1042.stl")
