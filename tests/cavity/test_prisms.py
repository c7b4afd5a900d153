"""Prisms of triangles cut by the base line, against manifold3d's and trimesh's own clipping.

Large triangles of which a small part lies below: what counts is where that part lies.

Columns are filled over a small square only; the parts below are clipped by trimesh.
"""

from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import Manifold
from scipy.spatial.transform import Rotation
from trimesh.intersections import slice_faces_plane

from tests.cavity.stages import bed, below_ml, box, level, pit, staged, tilted
from tests.cavity.trays import Floats, corners_of
from volest.cavity.base_line import BasePlane
from volest.cavity.columns import Grid
from volest.cavity.polarity import by_coordinate
from volest.cavity.void import ReachableVoid
from volest.cavity.volume import prism_volume_ml

REPEATABLE = settings(max_examples=60, derandomize=True)
SEEDS = st.integers(0, 10_000)
LINE = level(0.0)


def all_filled(reach_mm: float = 60.0) -> ReachableVoid:
    """Return rooms in which every column is open sky, so that every triangle bounds them."""
    cells = 2 * round(reach_mm)
    grid = Grid(pitch_mm=1.0, low_mm=(-reach_mm, -reach_mm), shape=(cells, cells))
    count = cells * cells
    return ReachableVoid(
        grid=grid,
        cell=np.arange(count),
        floor_mm=np.full(count, -1e3),
        roof_mm=np.full(count, np.inf),
        filled=np.ones(count, dtype=bool),
        assumed=np.zeros(count, dtype=bool),
        outside=np.zeros(grid.shape, dtype=bool),
        land_mm=np.full(grid.shape, np.inf),
        hole_mm2=0.0,
        hole_ml=0.0,
        sealed_ml=0.0,
        leaks=False,
    )


EVERYWHERE = all_filled()


def base_of(rng: np.random.Generator) -> BasePlane:
    a, b = rng.uniform(-0.4, 0.4, 2)
    return tilted(a, b, rng.uniform(-6.0, 6.0))


def clipped_prism_ml(triangle: Floats, base: BasePlane) -> float:
    """Clip by trimesh, then add up projected area times mean depth."""
    a, b, c = base.plane
    points, faces, _ = slice_faces_plane(  # type: ignore[no-untyped-call]  # trimesh has none
        triangle, np.array([[0, 1, 2]]), plane_normal=[a, b, -1.0], plane_origin=[0.0, 0.0, c]
    )
    total = 0.0
    for p in points[faces]:
        area = 0.5 * np.cross(p[1] - p[0], p[2] - p[0])[2]
        total += area * float(np.mean(a * p[:, 0] + b * p[:, 1] + c - p[:, 2]))
    return total / 1000.0


@REPEATABLE
@given(seed=SEEDS)
def test_one_triangle_is_clipped_exactly(seed: int) -> None:
    rng = np.random.default_rng(seed)
    triangle = rng.uniform(-12.0, 12.0, (3, 3))
    base = base_of(rng)
    volume = prism_volume_ml(by_coordinate(triangle[None]), EVERYWHERE, base)
    assert volume == pytest.approx(clipped_prism_ml(triangle, base), abs=1e-9)


def random_solid(rng: np.random.Generator) -> Manifold:
    turn = Rotation.from_quat(rng.normal(size=4)).as_matrix()
    move = np.column_stack([turn, rng.uniform(-8.0, 8.0, 3)])
    kind = rng.integers(3)
    if kind == 0:
        return Manifold.cube(rng.uniform(3.0, 15.0, 3)).transform(move)
    if kind == 1:
        return Manifold.sphere(float(rng.uniform(3.0, 10.0)), 24).transform(move)
    return Manifold.tetrahedron().scale((8.0, 6.0, 7.0)).transform(move)


@REPEATABLE
@given(seed=SEEDS)
def test_a_closed_solid_displaces_its_part_below(seed: int) -> None:
    # Divergence theorem: all of a body's prisms together are minus its volume below the line.
    rng = np.random.default_rng(seed)
    solid, base = random_solid(rng), base_of(rng)
    volume = prism_volume_ml(by_coordinate(corners_of(solid)), EVERYWHERE, base)
    assert volume == pytest.approx(-below_ml(solid, base), abs=1e-6)


@REPEATABLE
@given(seed=SEEDS)
def test_order_first_corner_and_winding(seed: int) -> None:
    rng = np.random.default_rng(seed)
    triangles, base = rng.uniform(-12.0, 12.0, (20, 3, 3)), base_of(rng)
    volume = prism_volume_ml(by_coordinate(triangles), EVERYWHERE, base)
    mixed = np.roll(triangles[rng.permutation(20)], int(rng.integers(3)), axis=1)
    assert prism_volume_ml(by_coordinate(mixed), EVERYWHERE, base) == pytest.approx(volume)
    back = prism_volume_ml(by_coordinate(mixed[:, ::-1]), EVERYWHERE, base)
    assert back == pytest.approx(-volume)


def test_corners_on_the_line_are_no_trouble() -> None:
    flat = np.array([[[0.0, 0, 0], [4, 0, 0], [0, 4, 0]]])
    one_below = np.array([[[0.0, 0, -3], [4, 0, 0], [0, 4, 0]]])
    two_below = np.array([[[0.0, 0, 0], [4, 0, -3], [0, 4, -3]]])
    volumes = [
        prism_volume_ml(by_coordinate(t), EVERYWHERE, level(0.0))
        for t in (flat, one_below, two_below)
    ]
    # Pyramids over a corner and over an edge: area 8 times mean depth 1 and 2.
    assert volumes == pytest.approx([0.0, 0.008, 0.016])


@pytest.mark.parametrize("height_mm", [-1.0, -6.0, -9.3])
def test_only_the_cavity_counts(height_mm: float) -> None:
    # Outer walls, bottom, handle and a sealed bubble are surface too, and add nothing.
    slot = box((12.0, 20.0, 4.0), (22.0, 0.0, -6.0))
    bubble = Manifold.sphere(4.0, 32).translate((6.0, -5.0, -22.0))
    handle = box((30.0, 12.0, 4.0), (45.0, 0.0, -8.0))
    stages = staged(bed(pit(50.0, 40.0, 15.0), slot, bubble) + handle)
    base = level(height_mm)
    in_slot = 3 * 20 * max(min(height_mm, -6.0) + 10.0, 0.0)
    truth = (50 * 40 * (height_mm + 15.0) + in_slot) / 1000
    volume = prism_volume_ml(stages.corners_mm, stages.rooms(base), base)
    assert volume == pytest.approx(truth, rel=1e-9)


def test_leaning_line_is_exact() -> None:
    stages = staged(bed(pit(50.0, 40.0, 15.0)))
    base = tilted(0.12, -0.06, -7.0)
    prism = box((50.0, 40.0, 40.0), (0.0, 0.0, 25.0))
    volume = prism_volume_ml(stages.corners_mm, stages.rooms(base), base)
    assert volume == pytest.approx(below_ml(prism, base), rel=1e-6)


def test_nothing_below_the_line_is_nothing() -> None:
    triangle = by_coordinate(np.array([[[0.0, 0, 1], [4, 0, 1], [0, 4, 1]]]))
    assert prism_volume_ml(triangle, EVERYWHERE, level(0.0)) == 0.0


def square(low_mm: float = 0.5, cells: int = 11) -> ReachableVoid:
    """Fill the columns from `low_mm` on, over a square of 1 mm cells, down to -30."""
    whole = all_filled(cells / 2.0)
    count = cells * cells
    return ReachableVoid(
        grid=Grid(pitch_mm=1.0, low_mm=(low_mm, low_mm), shape=(cells, cells)),
        cell=np.arange(count),
        floor_mm=np.full(count, -30.0),
        roof_mm=np.full(count, np.inf),
        filled=np.ones(count, dtype=bool),
        assumed=np.zeros(count, dtype=bool),
        outside=np.zeros((cells, cells), dtype=bool),
        land_mm=np.full((cells, cells), np.inf),
        hole_mm2=whole.hole_mm2,
        hole_ml=0.0,
        sealed_ml=0.0,
        leaks=False,
    )


ONE_BELOW = np.array([[0.0, 0.0, -1.0], [100.0, 0.0, 10.0], [0.0, 100.0, 10.0]])


TWO_BELOW = np.array([[1.0, 8.0, -2.0], [8.0, 1.0, -2.0], [90.0, 90.0, 30.0]])


@pytest.mark.parametrize("corners", [ONE_BELOW, TWO_BELOW], ids=["one below", "two below"])
def test_the_part_below_counts_where_it_lies(corners: np.ndarray) -> None:
    for order in permutations(range(3)):
        turned = corners[list(order)]
        expected = clipped_prism_ml(turned, LINE)
        assert abs(expected) > 1e-3
        volume = prism_volume_ml(by_coordinate(turned[None]), square(), LINE)
        assert volume == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("corners", [ONE_BELOW, TWO_BELOW], ids=["one below", "two below"])
@pytest.mark.parametrize("away_mm", [(-30.0, 0.0), (0.0, -30.0), (30.0, 0.0), (0.0, 30.0)])
def test_a_part_below_beside_the_cavity_does_not(
    corners: np.ndarray, away_mm: tuple[float, float]
) -> None:
    moved = corners + np.array([*away_mm, 0.0])
    assert prism_volume_ml(by_coordinate(moved[None]), square(), LINE) == 0.0


@pytest.mark.parametrize(("height_mm", "counts"), [(-29.0, True), (-33.0, False)])
def test_what_lies_under_the_floor_is_another_surface(height_mm: float, *, counts: bool) -> None:
    # A tray's own bottom, 3 mm under the cavity's floor at -30.
    corners = np.array([[2.0, 2.0, height_mm], [6.0, 2.0, height_mm], [2.0, 6.0, height_mm]])
    volume = prism_volume_ml(by_coordinate(corners[None]), square(), LINE)
    assert volume == pytest.approx(8.0 * -height_mm / 1000.0 if counts else 0.0)


@pytest.mark.parametrize(("rise_mm", "counts"), [(0.0, False), (1.0, False), (4.0, True)])
def test_flat_rim_does_not_count_and_a_wall_does(rise_mm: float, *, counts: bool) -> None:
    # From 6 mm under the line up the cells are flat rim. Over 4 mm a rise of 1 leans 14 degrees,
    # as a flat rim may; one of 4 leans 45, as a wall does.
    rooms = replace(square(), land_mm=np.full((11, 11), -6.0))
    corners = np.array([[3.0, 3.0, -5.0], [7.0, 3.0, -5.0 + rise_mm], [3.0, 7.0, -5.0]])
    volume = prism_volume_ml(by_coordinate(corners[None]), rooms, LINE)
    # A triangle of 8 mm2 times its mean depth.
    expected = 8.0 * (5.0 - rise_mm / 3.0) / 1000.0
    assert volume == pytest.approx(expected if counts else 0.0)
