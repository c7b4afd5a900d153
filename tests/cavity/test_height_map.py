"""The scan from above, against scipy's binned statistics and harmonic functions.

A filled hole is a solution of Laplace's equation: it reproduces x, y, x y and x^2 - y^2, which
are harmonic (any text on complex analysis; from memory).

Gaps between two views: how wide they may be, and what fills them. Plane geometry.

Limit: docs/explanation/geometry.md, 'What stone reaches': a gap of up to 2.5 mm right across.
"""

from collections.abc import Callable

import numpy as np
import pytest
from scipy.stats import binned_statistic_2d

from tests.cavity.stages import bed, pit, staged
from tests.cavity.terrain import Bools, Floats, area_mm2, grid_about
from volest.cavity.columns import Columns, Grid
from volest.cavity.height_map import HeightMap, height_map_of_columns, height_map_of_points
from volest.errors import ScanError

Height = Callable[[Floats, Floats], Floats]
FINE_MM = 0.1


def columns_of(height: Height, seen: Bools, grid: Grid) -> Columns:
    """Return one crossing, facing up, in each cell that is seen."""
    x, y = grid.centres_mm()
    cell = np.flatnonzero(seen)
    return Columns(
        grid=grid, cell=cell, z_mm=height(x, y).ravel()[cell], up=np.ones(len(cell), dtype=bool)
    )


def holed(height: Height, hole_mm: float) -> tuple[HeightMap, Floats, Bools]:
    grid = grid_about(20.0, 0.5)
    x, y = grid.centres_mm()
    hole = np.hypot(x - 3.0, y + 2.0) < hole_mm
    seen = (np.hypot(x, y) < 18.0) & ~hole
    return height_map_of_columns(columns_of(height, seen, grid)), height(x, y), hole


@pytest.mark.parametrize(
    "height",
    [
        lambda x, y: 3.0 + 0.5 * x - 0.25 * y,
        lambda x, y: 0.05 * x * y,
        lambda x, y: 0.05 * (x**2 - y**2),
    ],
    ids=["plane", "saddle", "turned-saddle"],
)
def test_holes_are_filled_harmonically(height: Height) -> None:
    relief, truth, hole = holed(height, 3.0)
    assert np.array_equal(relief.hole, hole)
    assert relief.top_mm[hole] == pytest.approx(truth[hole], abs=0.02)
    seen = ~relief.outside & ~hole
    assert np.array_equal(relief.top_mm[seen], truth[seen])


def test_a_gap_that_reaches_the_edge_is_outside() -> None:
    grid = grid_about(10.0, 0.5)
    x, y = grid.centres_mm()
    seen = (np.hypot(x, y) < 8.0) & ~((np.abs(y) < 2.0) & (x > 2.0))
    relief = height_map_of_columns(columns_of(np.add, seen, grid))
    # Narrow gaps are bridged, so the gap's inner corners are rounded by a few cells.
    assert np.count_nonzero(relief.hole) * 0.25 < 2.0
    assert np.array_equal(relief.outside | relief.hole, ~seen)
    assert np.all(relief.top_mm[relief.outside] == relief.top_mm[seen].min())


def test_highest_point_of_each_cell() -> None:
    rng = np.random.default_rng(4)
    points = rng.uniform(-5.0, 5.0, (3, 4000))
    grid = Grid(pitch_mm=1.0, low_mm=(-8.0, -8.0), shape=(17, 17))
    edges = np.arange(-8.5, 9.0)
    best = binned_statistic_2d(points[1], points[0], points[2], "max", bins=[edges, edges])
    relief = height_map_of_points(points, grid)
    seen = ~relief.outside
    assert np.array_equal(seen, np.isfinite(best.statistic))
    assert np.array_equal(relief.top_mm[seen], best.statistic[seen])


def test_order_of_points_does_not_matter() -> None:
    rng = np.random.default_rng(5)
    points = rng.uniform(-5.0, 5.0, (3, 4000))
    grid = Grid(pitch_mm=0.8, low_mm=(-8.0, -8.0), shape=(21, 21))
    first, second = (height_map_of_points(p, grid) for p in (points, points[:, ::-1]))
    assert np.array_equal(first.top_mm, second.top_mm)


def test_the_bottom_of_a_tray_is_no_floor() -> None:
    # A hole right through: the tray's outside faces down under it and must not be taken for floor.
    solid = bed(pit(50.0, 40.0, 15.0), pit(4.0, 4.0, 40.0, (5.0, 5.0)))
    relief = staged(solid).relief
    assert area_mm2(relief.hole, relief.grid.pitch_mm) == pytest.approx(16.0, rel=0.2)
    assert relief.top_mm[relief.hole] == pytest.approx(-15.0)


def test_overhangs_are_seen_from_above() -> None:
    slot = pit(10.0, 10.0, 5.0, (25.0, 0.0)).translate((0.0, 0.0, -6.0))
    relief = staged(bed(pit(50.0, 40.0, 15.0), slot)).relief
    assert set(np.round(np.unique(relief.top_mm[~relief.outside]), 6)) == {-15.0, 0.0}


def split(gap_mm: float, pitch_mm: float = FINE_MM) -> tuple[HeightMap, Bools]:
    """See two half planes with a gap between them along y, right across; and where the gap is."""
    grid = grid_about(6.0, pitch_mm)
    x, y = grid.centres_mm()
    whole = (np.abs(x) < 5.0) & (np.abs(y) < 5.0)
    gap = whole & (np.abs(x) < gap_mm / 2.0)
    relief = height_map_of_columns(
        columns_of(lambda x, y: 0.3 * x + 7.0 + 0.0 * y, whole & ~gap, grid)
    )
    return relief, gap & (np.abs(y) < 3.0)


@pytest.mark.parametrize(("gap_mm", "bridged"), [(0.9, True), (2.35, True), (2.75, False)])
def test_a_gap_of_2_5_mm_is_a_hole(gap_mm: float, *, bridged: bool) -> None:
    relief, gap = split(gap_mm)
    assert relief.hole[gap].all() == bridged
    assert relief.outside[gap].any() != bridged


@pytest.mark.parametrize("pitch_mm", [0.25, 0.4, 0.9])
def test_a_gap_of_one_cell_is_a_hole_at_any_pitch(pitch_mm: float) -> None:
    relief, gap = split(1.1 * pitch_mm, pitch_mm)
    assert gap.any()
    assert relief.hole[gap].all()


def test_a_bridged_gap_is_filled_from_both_sides() -> None:
    # Between straight lines at -1 and 1 a plane is the harmonic function.
    relief, gap = split(2.0, 0.4)
    x, y = relief.grid.centres_mm()
    middle = gap & (np.abs(y) < 1.0)  # its ends are at +-5, where the scan ends
    assert relief.top_mm[middle] == pytest.approx(0.3 * x[middle] + 7.0, abs=0.05)


def test_nothing_that_was_seen_is_changed() -> None:
    relief, _ = split(2.0)
    x, _ = relief.grid.centres_mm()
    seen = ~relief.outside & ~relief.hole
    assert np.array_equal(relief.top_mm[seen], (0.3 * x + 7.0)[seen])


@pytest.mark.parametrize("side", ["low x", "high x", "low y", "high y"])
def test_what_reaches_any_border_of_the_map_is_outside(side: str) -> None:
    # A ring with a way out of its middle to one side of the map: no hole, whichever side it is.
    grid = Grid(pitch_mm=1.0, low_mm=(-20.0, -20.0), shape=(41, 41))
    x, y = grid.centres_mm()
    ways: dict[str, Floats] = {"low x": -x, "high x": x, "low y": -y, "high y": y}
    across = y if side.endswith("x") else x
    away = (np.abs(across) < 4.0) & (ways[side] > 0.0)
    ring = (np.hypot(x, y) < 21.0) & (np.hypot(x, y) > 6.0)
    relief = height_map_of_columns(columns_of(lambda x, y: 0.0 * x * y, ring & ~away, grid))
    assert relief.outside[np.hypot(x, y) < 5.0].all()
    closed = height_map_of_columns(columns_of(lambda x, y: 0.0 * x * y, ring, grid))
    assert closed.hole[np.hypot(x, y) < 5.0].all()


def test_a_scan_that_faces_down_alone_has_no_floor() -> None:
    grid = Grid(pitch_mm=1.0, low_mm=(0.0, 0.0), shape=(3, 3))
    down = Columns(grid=grid, cell=np.array([4]), z_mm=np.array([2.0]), up=np.zeros(1, dtype=bool))
    with pytest.raises(ScanError) as caught:
        height_map_of_columns(down)
    assert caught.value.code == "no-cavity"


def test_points_off_the_grid_are_not_seen() -> None:
    grid = Grid(pitch_mm=1.0, low_mm=(0.0, 0.0), shape=(5, 7))
    points = np.array([[3.0, -40.0, 3.0, 90.0], [2.0, 2.0, 60.0, 2.0], [1.0, 9.0, 9.0, 9.0]])
    relief = height_map_of_points(points, grid)
    assert np.argwhere(~relief.outside).tolist() == [[2, 3]]
    assert relief.top_mm[2, 3] == 1.0
    assert relief.top_mm[relief.outside] == pytest.approx(1.0)  # lowest height that was seen


def test_points_in_every_corner_of_the_map_are_seen() -> None:
    grid = Grid(pitch_mm=1.0, low_mm=(0.0, 0.0), shape=(3, 4))
    x, y = (v.ravel() for v in grid.centres_mm())
    relief = height_map_of_points(np.stack([x, y, np.arange(12.0)]), grid)
    assert not relief.outside.any()
    assert np.array_equal(relief.top_mm.ravel(), np.arange(12.0))
