"""The stone as a solid: closed by its edges, its volume and place by other libraries."""

from pathlib import Path
from typing import Any

import manifold3d
import numpy as np
import pytest
import trimesh

import volest
from tests.batch.small import bowl_stl, formula_ml
from tests.marks import slow
from volest.cavity.frame import Ints
from volest.scan.reading import read_scan

SAMPLES = sorted((Path(__file__).parents[2] / "sample_meshes").glob("*.truth.json"))
NAMES = [path.name.removesuffix(".truth.json") for path in SAMPLES]
QUICK = ("b0422-lower-left-quadrant",)


def sample(name: str) -> Path:
    return next(path for path in SAMPLES[0].parent.glob(f"{name}.*") if path.suffix != ".json")


def each_edge_joins_two(triangles: Ints) -> bool:
    ways = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    low, high = np.unique(ways, axis=0), np.unique(ways[:, ::-1], axis=0)
    return len(low) == len(ways) and np.array_equal(low, high)


def test_a_bowl_is_what_the_formula_holds() -> None:
    data = bowl_stl(40, across=129)
    solid = volest.cavity_mesh(data)
    result = volest.measure(data)
    assert solid.volume_ml == pytest.approx(formula_ml(40), rel=0.002)
    assert solid.volume_ml == pytest.approx(result.volume_ml, rel=5e-4)
    assert each_edge_joins_two(solid.triangles)
    # z = 12 r^2 / 24^2 - 12 up to z = 0; within two cells of the edge the skin keeps to these.
    radius_mm = np.hypot(*solid.points_mm.T[:2])
    floor_mm = 12.0 * radius_mm**2 / 24.0**2 - 12.0
    deep = (solid.points_mm[:, 2] < -0.01) & (radius_mm < 23.0)
    assert np.abs(solid.points_mm[:, 2] - floor_mm)[deep].max() < 0.02
    assert solid.points_mm[:, 2].max() == pytest.approx(0.0, abs=0.02)
    assert radius_mm.max() == pytest.approx(24.0, abs=0.4)


@pytest.mark.parametrize("name", [*QUICK, *slow(*(name for name in NAMES if name not in QUICK))])
def test_the_stone_of_a_sample_is_one_closed_body(name: str, tmp_path: Path) -> None:
    scan = sample(name)
    solid, result = volest.cavity_mesh(scan), volest.measure(scan)
    whole = trimesh.Trimesh(solid.points_mm, solid.triangles, process=False)
    assert whole.is_volume
    assert each_edge_joins_two(solid.triangles)
    assert whole.body_count == 1
    assert whole.volume / 1000.0 == pytest.approx(result.volume_ml, rel=5e-4)
    assert solid.polydata().is_manifold
    assert solid.polydata().volume / 1000.0 == pytest.approx(result.volume_ml, rel=5e-4)
    made = manifold3d.Manifold(
        manifold3d.Mesh64(solid.points_mm, solid.triangles.astype(np.uint64))
    )
    assert made.status() == manifold3d.Error.NoError
    assert made.volume() / 1000.0 == pytest.approx(result.volume_ml, rel=5e-4)
    assert result.base_line is not None
    over = (solid.points_mm - result.base_line.point_mm) @ np.array(result.base_line.normal)
    assert over.max() < 1e-6  # up to the base line, and no farther
    solid.write_stl(tmp_path / "stone.stl")
    again: Any = trimesh.load(tmp_path / "stone.stl")
    assert again.is_volume
    assert again.volume == pytest.approx(whole.volume, rel=1e-6)


def test_its_skin_lies_on_the_scan() -> None:
    scan = sample("b0422-lower-left-quadrant")
    solid, line = volest.cavity_mesh(scan), volest.measure(scan).base_line
    assert line is not None
    over = (solid.points_mm - line.point_mm) @ np.array(line.normal)
    deep = solid.points_mm[over < -0.4]  # off the top, and off walls that close it at its edge
    some = deep[:: len(deep) // 500]
    library: Any = trimesh
    mesh = library.Trimesh(**library.triangles.to_kwargs(read_scan(scan).triangles))
    away = np.abs(library.proximity.closest_point(mesh, some)[1])
    assert np.median(away) < 0.02
    assert np.percentile(away, 95) < 0.2  # half a cell, on steep walls


def test_what_is_refused_has_no_stone(tmp_path: Path) -> None:
    with pytest.raises(volest.VolestError, match="0 bytes"):
        volest.cavity_mesh(b"")
    with pytest.raises(volest.VolestError, match="no impression 2"):
        volest.cavity_mesh(bowl_stl(1), cavity=2)
    solid = volest.cavity_mesh(bowl_stl(1), pitch_mm=1.0)
    with pytest.raises(volest.VolestError, match="cannot be written"):
        solid.write_stl(tmp_path / "nowhere" / "stone.stl")
