"""Columns against closed forms, ray casting by trimesh and volumes by manifold3d and trimesh."""

from fractions import Fraction

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import Manifold
from scipy.spatial import Delaunay
from scipy.spatial.transform import Rotation

from tests.cavity.trays import Floats, corners_of
from volest.cavity.columns import Columns, Grid, cut_columns, grid_over
from volest.cavity.polarity import by_coordinate
from volest.errors import ScanError

REPEATABLE = settings(max_examples=25, derandomize=True)
SEEDS = st.integers(0, 10_000)


def cut(triangles: Floats, pitch_mm: float, grid: Grid | None = None) -> Columns:
    corners = by_coordinate(triangles)
    flat = corners[0].ravel(), corners[1].ravel()
    return cut_columns(corners, grid or grid_over(*flat, pitch_mm))


def signs(columns: Columns) -> Floats:
    return np.where(columns.up, 1.0, -1.0)


def sums_to_nothing(columns: Columns) -> bool:
    """Whether what enters a column leaves it, in every one."""
    return not np.bincount(columns.cell, weights=signs(columns)).any()


def enclosed_ml(columns: Columns) -> float:
    return float(signs(columns) @ columns.z_mm) * columns.grid.pitch_mm**2 / 1000.0


def soup(seed: int, bodies: int = 6) -> tuple[Floats, float]:
    """Return closed spheres and boxes that run through each other, and the sum of their volumes."""
    rng = np.random.default_rng(seed)
    meshes = []
    for k in range(bodies):
        ball = trimesh.creation.icosphere(2, radius=rng.uniform(2, 9))
        mesh = ball if k % 2 else trimesh.creation.box(rng.uniform(2, 12, 3))
        turn = np.eye(4)
        turn[:3, :3] = Rotation.from_quat(rng.normal(size=4)).as_matrix()
        turn[:3, 3] = rng.uniform(-8, 8, 3)
        meshes.append(mesh.apply_transform(turn))
    triangles = np.concatenate([np.asarray(mesh.triangles) for mesh in meshes])
    return triangles, sum(float(mesh.volume) for mesh in meshes) / 1000.0


def test_octahedron_is_crossed_where_its_equation_says() -> None:
    # |x| + |y| + |z| = r
    triangles = corners_of(Manifold.sphere(10.0, 4))
    columns = cut(triangles, 0.37)
    x, y = (v.ravel()[columns.cell] for v in columns.grid.centres_mm())
    expected = signs(columns) * (10.0 - np.abs(x) - np.abs(y))
    assert len(columns.cell) > 1000
    assert columns.z_mm == pytest.approx(expected, abs=1e-9)


def test_crossings_are_those_of_rays() -> None:
    triangles, _ = soup(3)
    columns = cut(triangles, 0.9)
    x, y = (v.ravel() for v in columns.grid.centres_mm())
    rays = np.stack([x, y, np.full(len(x), -50.0)], axis=1)
    points = np.arange(3 * len(triangles)).reshape(-1, 3)
    mesh = trimesh.Trimesh(triangles.reshape(-1, 3), points, process=False)
    up = np.tile([0.0, 0.0, 1.0], (len(x), 1))
    met, ray, _ = mesh.ray.intersects_location(rays, up, multiple_hits=True)
    order = np.lexsort((met[:, 2], ray))
    assert np.array_equal(ray[order], columns.cell)
    assert columns.z_mm == pytest.approx(met[order, 2], abs=1e-6)


@REPEATABLE
@given(seed=SEEDS)
def test_soups_of_closed_bodies_lose_no_crossing(seed: int) -> None:
    triangles, volume_ml = soup(seed)
    columns = cut(triangles, 0.31)
    assert sums_to_nothing(columns)
    assert enclosed_ml(columns) == pytest.approx(volume_ml, rel=0.01)


def test_volume_is_exact_as_the_pitch_shrinks() -> None:
    triangles, volume_ml = soup(11)
    misses = [abs(enclosed_ml(cut(triangles, pitch)) - volume_ml) for pitch in (1.6, 0.4, 0.1)]
    assert misses[2] < 1e-4 * volume_ml
    assert misses[2] < misses[0] / 20.0


SIDES = st.tuples(*(st.integers(1, 12),) * 3)
# Binary fractions: the walls fall on the cells' centres exactly, without rounding.
BINARY = st.sampled_from([Fraction(1, 4), Fraction(1, 2), Fraction(1)])


@REPEATABLE
@given(sides=SIDES, pitch=BINARY, off=st.tuples(*(st.integers(-5, 5),) * 3))
def test_walls_through_cell_centres_count_once(
    sides: tuple[int, int, int], pitch: Fraction, off: tuple[int, int, int]
) -> None:
    triangles = corners_of(Manifold.cube([float(s) for s in sides])) + np.array(off, float)
    columns = cut(triangles, float(pitch))
    cells = int(sides[0] / pitch) * int(sides[1] / pitch)
    assert len(columns.cell) == 2 * cells
    assert np.array_equal(columns.up, np.tile([False, True], cells))
    assert enclosed_ml(columns) == pytest.approx(np.prod(sides) / 1000.0)


@REPEATABLE
@given(seed=SEEDS, pitch=st.sampled_from([0.1, 0.25, 0.3, 0.5, 0.7, 1.0]))
def test_bodies_on_the_lattice_alternate(seed: int, pitch: float) -> None:
    rng = np.random.default_rng(seed)
    solid = Manifold()
    for _ in range(6):
        size, corner = rng.integers(1, 6, 3), rng.integers(-5, 5, 3)
        solid += Manifold.cube(size.astype(float)).translate(corner.astype(float))
    columns = cut(corners_of(solid), pitch)
    assert sums_to_nothing(columns)
    assert columns.misfit_share == 0.0
    assert columns.seen_up_share == 1.0


@REPEATABLE
@given(seed=SEEDS)
def test_sheet_with_vertices_on_cell_centres_is_met_once(seed: int) -> None:
    rng = np.random.default_rng(seed)
    inner = rng.integers(1, 20, (60, 2))
    points = np.unique(np.vstack([inner, [[0, 0], [20, 0], [0, 20], [20, 20]]]), axis=0)
    faces = Delaunay(points).simplices
    heights = rng.uniform(-3.0, 3.0, len(points))
    corners = np.column_stack([points.astype(float), heights])[faces]
    columns = cut(corners, 0.5)
    assert len(columns.cell) == 40 * 40
    assert len(np.unique(columns.cell)) == 40 * 40


@REPEATABLE
@given(seed=SEEDS)
def test_order_of_triangles_and_first_corner_do_not_matter(seed: int) -> None:
    rng = np.random.default_rng(seed)
    triangles, _ = soup(seed % 7, bodies=3)
    columns = cut(triangles, 0.5)
    mixed = triangles[rng.permutation(len(triangles))]
    turn = rng.integers(0, 3, len(mixed))
    mixed = np.stack([np.roll(t, k, axis=0) for t, k in zip(mixed, turn, strict=True)])
    again = cut(mixed, 0.5)
    assert np.array_equal(again.cell, columns.cell)
    assert np.array_equal(again.up, columns.up)
    assert again.z_mm == pytest.approx(columns.z_mm, abs=1e-9)


def test_winding_decides_the_facing() -> None:
    triangles, _ = soup(2, bodies=1)
    columns, back = cut(triangles, 0.4), cut(triangles[:, ::-1], 0.4)
    assert np.array_equal(back.up, ~columns.up)
    assert (columns.seen_up_share, back.seen_up_share) == (1.0, 0.0)
    assert (columns.misfit_share, back.misfit_share) == (0.0, 0.0)


def test_whole_cells_of_shift_move_the_cells_alone() -> None:
    triangles, _ = soup(4)
    here = cut(triangles, 0.5)
    there = cut(triangles + np.array([64.0, -32.0, 8.0]), 0.5)
    assert there.grid.shape == here.grid.shape
    assert np.array_equal(there.cell, here.cell)
    assert there.z_mm == pytest.approx(here.z_mm + 8.0, abs=1e-9)


def test_turned_faces_are_misfits() -> None:
    triangles = corners_of(Manifold.sphere(10.0, 64))
    triangles[:40] = triangles[:40, ::-1]
    assert cut(triangles, 0.4).misfit_share > 0.0


def test_vertical_and_flat_triangles_are_no_trouble() -> None:
    wall = np.array([[[0.0, 0, 0], [5, 0, 0], [5, 0, 5]], [[0, 0, 0], [5, 5, 5], [5, 5, 5]]])
    columns = cut(wall, 0.5)
    assert len(columns.cell) == 0
    assert columns.seen_up_share == 0.0


def test_what_lies_off_the_grid_is_left_out() -> None:
    triangles = corners_of(Manifold.cube((40.0, 40.0, 4.0), center=True))
    small = Grid(pitch_mm=0.5, low_mm=(-3.25, -2.25), shape=(10, 14))
    columns = cut(triangles, 0.5, small)
    assert np.array_equal(columns.cell, np.repeat(np.arange(140), 2))


def test_cells_of_centres_are_the_cells() -> None:
    grid = Grid(pitch_mm=0.3, low_mm=(-7.1, 2.2), shape=(9, 13))
    x, y = (v.ravel() for v in grid.centres_mm())
    assert np.array_equal(grid.cells_of(x, y), np.arange(9 * 13))
    assert np.array_equal(grid.cells_of(x + 0.14, y - 0.14), np.arange(9 * 13))
    outside = grid.cells_of(np.array([-7.3, 99.0, -7.1]), np.array([2.2, 2.2, 1.9]))
    assert np.array_equal(outside, [-1, -1, -1])


@pytest.mark.parametrize("pitch_mm", [0.05, 0.4, 2.0])
def test_grid_leaves_two_free_cells_all_round(pitch_mm: float) -> None:
    x, y = np.array([-3.3, 8.8]), np.array([1.0, 4.7])
    grid = grid_over(x, y, pitch_mm)
    high = [low + (n - 1) * pitch_mm for low, n in zip(grid.low_mm, grid.shape[::-1], strict=True)]
    assert grid.low_mm == pytest.approx((-3.3 - 2 * pitch_mm, 1.0 - 2 * pitch_mm))
    assert high[0] >= 8.8 + 2 * pitch_mm
    assert high[1] >= 4.7 + 2 * pitch_mm


def test_grid_without_bound_is_refused() -> None:
    far = np.array([0.0, 1e6])
    with pytest.raises(ScanError) as caught:
        grid_over(far, far, 0.4)
    assert caught.value.code == "too-wide"
