"""The scan from above, against scipy's binned statistics and harmonic functions.

A filled hole is a solution of Laplace's equation: it reproduces x, y, x y and x^2 - y^2, which
are harmonic (any text on complex analysis; from memory).
"""

from collections.abc import Callable

import numpy as np
import pytest
from scipy.stats import binned_statistic_2d

from tests.cavity.stages import bed, pit, staged
from tests.cavity.terrain import Bools, Floats, area_mm2, grid_about
from volest.cavity.columns import Columns, Grid
from volest.cavity.relief import Relief, relief_of_columns, relief_of_points

Height = Callable[[Floats, Floats], Floats]


def columns_of(height: Height, seen: Bools, grid: Grid) -> Columns:
    """Return one crossing, facing up, in each cell that is seen."""
    x, y = grid.centres_mm()
    cell = np.flatnonzero(seen)
    return Columns(
        grid=grid, cell=cell, z_mm=height(x, y).ravel()[cell], up=np.ones(len(cell), dtype=bool)
    )


def holed(height: Height, hole_mm: float) -> tuple[Relief, Floats, Bools]:
    grid = grid_about(20.0, 0.5)
    x, y = grid.centres_mm()
    hole = np.hypot(x - 3.0, y + 2.0) < hole_mm
    seen = (np.hypot(x, y) < 18.0) & ~hole
    return relief_of_columns(columns_of(height, seen, grid)), height(x, y), hole


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
    relief = relief_of_columns(columns_of(np.add, seen, grid))
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
    relief = relief_of_points(points, grid)
    seen = ~relief.outside
    assert np.array_equal(seen, np.isfinite(best.statistic))
    assert np.array_equal(relief.top_mm[seen], best.statistic[seen])


def test_order_of_points_does_not_matter() -> None:
    rng = np.random.default_rng(5)
    points = rng.uniform(-5.0, 5.0, (3, 4000))
    grid = Grid(pitch_mm=0.8, low_mm=(-8.0, -8.0), shape=(21, 21))
    first, second = (relief_of_points(p, grid) for p in (points, points[:, ::-1]))
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
