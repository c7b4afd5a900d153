"""Surfaces in a frame, the numpy and the compiled way: stacks of plates counted by hand."""

import numpy as np
import pytest

from tests.cavity.posing import random_move
from tests.cavity.stages import bed, pit, still
from tests.cavity.trays import Floats, corners_of
from volest.cavity.columns import (
    Columns,
    Grid,
    Surface,
    columns_of,
    grid_over,
    peaks_of_surface,
)
from volest.cavity.frame import frame_along
from volest.scan.compiling import SWITCH

UP = frame_along(np.array([0.0, 0.0, 1.0]), np.zeros(3))


@pytest.fixture(params=["never", "always"], autouse=True)
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Go each way; where numba is not installed the second is the first again."""
    chosen = str(request.param)
    monkeypatch.setenv(SWITCH, chosen)
    return chosen


def plates(count: int, size_mm: float = 10.0) -> Floats:
    """Stack level squares, 1 mm apart, each facing up."""
    low = np.array([[[0.0, 0, 0], [1, 0, 0], [1, 1, 0]], [[0, 0, 0], [1, 1, 0], [0, 1, 0]]])
    return np.concatenate([low * [size_mm, size_mm, 0.0] + [0.0, 0.0, k] for k in range(count)])


GRID = Grid(pitch_mm=1.0, low_mm=(-2.5, -2.5), shape=(15, 16))


@pytest.mark.parametrize("count", [1, 3, 9, 40])
def test_every_plate_of_a_stack_is_crossed(count: int) -> None:
    # 10 x 10 cells with their middles at the halves; more plates than a first guess has room for.
    columns = columns_of(still(plates(count)), GRID)
    assert len(columns.cell) == 100 * count
    assert np.array_equal(columns.z_mm, np.tile(np.arange(count, dtype=float), 100))
    assert columns.up.all()
    assert np.array_equal(columns.triangle // 2, np.tile(np.arange(count), 100))
    assert np.array_equal(np.unique(columns.cell), np.unique(GRID.cells_of(*inner())))


def inner() -> tuple[Floats, Floats]:
    x, y = (v.ravel() for v in GRID.centres_mm())
    on_plate = (x > 0.0) & (x < 10.0) & (y > 0.0) & (y < 10.0)
    return x[on_plate], y[on_plate]


def same(first: Columns, second: Columns) -> bool:
    return all(
        np.array_equal(getattr(first, name), getattr(second, name))
        for name in ("cell", "z_mm", "up", "triangle")
    )


def test_turned_about_faces_the_other_way_and_back() -> None:
    surface = still(plates(3))
    about = surface.turned_about()
    assert not columns_of(about, GRID).up.any()
    assert same(columns_of(about.turned_about(), GRID), columns_of(surface, GRID))
    assert np.array_equal(about.corners_mm, surface.corners_mm[:, ::-1])


def test_a_chosen_part_is_what_it_is_by_itself() -> None:
    triangles = plates(5)
    which = np.arange(len(triangles)) % 3 == 0
    part, alone = still(triangles).chosen(which), still(triangles[which])
    assert same(columns_of(part, GRID), columns_of(alone, GRID))
    assert len(part.triangles) == which.sum()
    assert columns_of(part.turned_about().chosen(which[which]), GRID).up.sum() == 0


def test_a_frame_is_looked_through() -> None:
    # A tub in any pose, seen along its own axis, is the tub: by the frame's own arithmetic.
    move = random_move(4)
    frame = frame_along(move.turn[:, 2], move.shift_mm)
    surface = Surface(triangles=move.points(corners_of(bed(pit(50.0, 40.0, 15.0)))), frame=frame)
    assert surface.corners_mm[2].max() == pytest.approx(0.0, abs=1e-9)
    assert surface.corners_mm[2].min() == pytest.approx(-30.0, abs=1e-9)
    grid = grid_over(surface.corners_mm[0].ravel(), surface.corners_mm[1].ravel(), 0.5)
    columns = columns_of(surface, grid)
    signs = np.where(columns.up, 1.0, -1.0)
    enclosed_mm3 = float(signs @ columns.z_mm) * 0.5**2
    assert enclosed_mm3 == pytest.approx(62 * 52 * 30 - 50 * 40 * 15, rel=2e-3)


def test_peaks_are_the_highest_corners_in_cells_that_are_wanted() -> None:
    rng = np.random.default_rng(2)
    triangles = rng.uniform([-4.0, -4.0, 0.0], [13.0, 13.0, 9.0], (400, 3, 3))
    near = rng.random(GRID.shape) < 0.3
    begin = np.full(GRID.shape, 4.0)
    peaks = peaks_of_surface(still(triangles), GRID, near, begin)
    truth = begin.copy()
    for x, y, z in triangles.reshape(-1, 3):
        i, j = round(x + 2.5), round(y + 2.5)
        if 0 <= i < GRID.shape[1] and 0 <= j < GRID.shape[0]:
            truth[j, i] = max(truth[j, i], z)
    assert np.array_equal(peaks[near], truth[near])
    assert (peaks >= begin).all()
    assert np.array_equal(begin, np.full(GRID.shape, 4.0))  # what was handed over stays


@pytest.mark.parametrize("corner", [(0, 0), (0, 15), (14, 0), (14, 15)])
def test_peaks_in_the_corners_of_the_map(corner: tuple[int, int]) -> None:
    j, i = corner
    near = np.zeros(GRID.shape, dtype=bool)
    near[j, i] = True
    place = np.array([i - 2.5, j - 2.5, 7.0])
    triangles = place + np.array([[[0.0, 0, 0], [0.1, 0, 0], [0, 0.1, 0]]])
    low = np.zeros(GRID.shape)
    assert peaks_of_surface(still(triangles), GRID, near, low)[j, i] == 7.0
    assert not peaks_of_surface(still(triangles), GRID, ~near, low).any()


def test_points_off_the_map_lift_nothing() -> None:
    low = np.zeros(GRID.shape)
    everywhere = np.ones(GRID.shape, dtype=bool)
    away = np.array([[-40.0, 90.0, 3.0], [3.0, 3.0, -70.0], [9.0, 9.0, 9.0]])
    surface = still(np.ascontiguousarray(away.T)[None])
    assert not peaks_of_surface(surface, GRID, everywhere, low).any()
