"""Reliefs from formulas: a height for every x and y, and where the scan ends."""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from volest.cavity.columns import Grid
from volest.cavity.height_map import HeightMap

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
PITCH_MM = 0.4
REACH_MM = 30.0


def grid_about(reach_mm: float = REACH_MM, pitch_mm: float = PITCH_MM) -> Grid:
    """Lay a square grid about the origin."""
    cells = 2 * round(reach_mm / pitch_mm) + 1
    return Grid(pitch_mm=pitch_mm, low_mm=(-reach_mm, -reach_mm), shape=(cells, cells))


def relief_of(
    height: Callable[[Floats, Floats], Floats],
    within: Callable[[Floats, Floats], Bools],
    grid: Grid | None = None,
) -> HeightMap:
    """See a formula from above; outside of the scan it has the scan's lowest height."""
    grid = grid or grid_about()
    x, y = grid.centres_mm()
    outside = ~within(x, y)
    top = height(x, y)
    top = np.where(outside, top[~outside].min(), top)
    return HeightMap(grid=grid, top_mm=top, outside=outside, hole=np.zeros_like(outside))


def area_mm2(cells: Bools, pitch_mm: float = PITCH_MM) -> float:
    return float(np.count_nonzero(cells)) * pitch_mm**2


def ring(x: Floats, y: Floats) -> Floats:
    """A trough floor at 0, a crest of height 10 at radius 20, and a fall beyond it."""
    r = np.hypot(x, y)
    return np.where(r < 20.0, 10.0 - np.minimum(20.0 - r, 5.0) * 2.0, 10.0 - 2.0 * (r - 20.0))


def disc(radius_mm: float) -> Callable[[Floats, Floats], Bools]:
    return lambda x, y: np.asarray(np.hypot(x, y) < radius_mm)
