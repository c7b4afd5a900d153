"""Gaps between two views: how wide they may be, and what fills them. Plane geometry.

Limit: docs/explanation/geometry.md, 'What stone reaches': a gap of up to 2.5 mm right across.
"""

import numpy as np
import pytest

from tests.cavity.terrain import Bools, Floats, grid_about
from tests.cavity.test_relief import columns_of
from volest.cavity.columns import Columns, Grid
from volest.cavity.relief import Relief, relief_of_columns, relief_of_points
from volest.errors import ScanError

FINE_MM = 0.1


def split(gap_mm: float, pitch_mm: float = FINE_MM) -> tuple[Relief, Bools]:
    """See two half planes with a gap between them along y, right across; and where the gap is."""
    grid = grid_about(6.0, pitch_mm)
    x, y = grid.centres_mm()
    whole = (np.abs(x) < 5.0) & (np.abs(y) < 5.0)
    gap = whole & (np.abs(x) < gap_mm / 2.0)
    relief = relief_of_columns(columns_of(lambda x, y: 0.3 * x + 7.0 + 0.0 * y, whole & ~gap, grid))
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
    relief = relief_of_columns(columns_of(lambda x, y: 0.0 * x * y, ring & ~away, grid))
    assert relief.outside[np.hypot(x, y) < 5.0].all()
    closed = relief_of_columns(columns_of(lambda x, y: 0.0 * x * y, ring, grid))
    assert closed.hole[np.hypot(x, y) < 5.0].all()


def test_a_scan_that_faces_down_alone_has_no_floor() -> None:
    grid = Grid(pitch_mm=1.0, low_mm=(0.0, 0.0), shape=(3, 3))
    down = Columns(grid=grid, cell=np.array([4]), z_mm=np.array([2.0]), up=np.zeros(1, dtype=bool))
    with pytest.raises(ScanError) as caught:
        relief_of_columns(down)
    assert caught.value.code == "no-cavity"


def test_points_off_the_grid_are_not_seen() -> None:
    grid = Grid(pitch_mm=1.0, low_mm=(0.0, 0.0), shape=(5, 7))
    points = np.array([[3.0, -40.0, 3.0, 90.0], [2.0, 2.0, 60.0, 2.0], [1.0, 9.0, 9.0, 9.0]])
    relief = relief_of_points(points, grid)
    assert np.argwhere(~relief.outside).tolist() == [[2, 3]]
    assert relief.top_mm[2, 3] == 1.0
    assert relief.top_mm[relief.outside] == pytest.approx(1.0)  # lowest height that was seen


def test_points_in_every_corner_of_the_map_are_seen() -> None:
    grid = Grid(pitch_mm=1.0, low_mm=(0.0, 0.0), shape=(3, 4))
    x, y = (v.ravel() for v in grid.centres_mm())
    relief = relief_of_points(np.stack([x, y, np.arange(12.0)]), grid)
    assert not relief.outside.any()
    assert np.array_equal(relief.top_mm.ravel(), np.arange(12.0))
