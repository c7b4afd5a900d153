"""The scan seen from above: the highest surface in each cell, and where there is none."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from volest.cavity.cells import joined, within
from volest.cavity.columns import Columns, Grid
from volest.cavity.frame import KERNELS, Bools, Floats, plane_mm
from volest.errors import ScanError
from volest.scan.compiling import loops

GAP_MM = 2.5  # between two views that do not meet; narrower than any flange's or tongue's space
FILL_TURNS = 200  # enough for a hole of some 40 cells across to settle


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeightMap:
    """Heights as seen along the pour axis; maps have the grid's shape."""

    grid: Grid
    # highest surface in each cell; in holes filled smoothly from their border; the scan's lowest
    # height outside
    top_mm: Floats
    outside: Bools  # cells beyond the scan
    hole: Bools  # cells without surface that the scan encloses

    def over_mm(self, plane: Floats) -> Floats:
        """Return heights over a plane z = a x + b y + c; `plane` (3,) has a, b and c."""
        return self.top_mm - plane_mm(plane, *self.grid.centres_mm())


def height_map_of_points(points_mm: Floats, grid: Grid) -> HeightMap:
    """See points from above; they must lie closer than the cells; `points_mm` (3, m)."""
    top = np.full(grid.shape[0] * grid.shape[1], -np.inf)
    fast = loops(KERNELS)
    if fast is not None:
        fast.tops_of_points(points_mm, *grid.told, top)
    else:
        cell = grid.cells_of(points_mm[0], points_mm[1])
        np.maximum.at(top, cell[cell >= 0], points_mm[2][cell >= 0])
    return _closed_up(grid, top.reshape(grid.shape))


def height_map_of_columns(columns: Columns) -> HeightMap:
    """See columns from above.

    Only what faces up counts: under a hole in a closed scan the tray's bottom is no floor.
    """
    top = np.full(columns.grid.shape[0] * columns.grid.shape[1], -np.inf)
    top[columns.cell[columns.up]] = columns.z_mm[columns.up]  # sorted: the highest comes last
    return _closed_up(columns.grid, top.reshape(columns.grid.shape))


def no_cavity(found: str) -> ScanError:
    """Make the refusal of what has nothing that could be poured."""
    return ScanError(
        found,
        needed="an impression with a cavity",
        remedy="check that this is the scan of an impression, whole and in mm",
        code="no-cavity",
    )


def _closed_up(grid: Grid, top_mm: Floats) -> HeightMap:
    hit = np.isfinite(top_mm)
    if not hit.any():
        raise no_cavity("a scan without a floor along the pour axis")
    # Gaps are closed (dilation, then erosion), so that a torn scan stays one; beyond it lies what
    # the map's border reaches by sides.
    reach = max(GAP_MM / 2.0, grid.pitch_mm) / grid.pitch_mm
    border = np.ones_like(hit)
    border[1:-1, 1:-1] = False
    outside = joined(border, within(~within(hit, reach), reach))
    hole = ~hit & ~outside
    top_mm = _filled(np.where(outside, top_mm[hit].min(), top_mm), hole)
    return HeightMap(grid=grid, top_mm=top_mm, outside=outside, hole=hole)


def _filled(top_mm: Floats, hole: Bools) -> Floats:
    """Fill holes from their border: nearest heights first, then evened out (Laplace)."""
    if not hole.any():
        return top_mm
    nearest = ndimage.distance_transform_edt(hole, return_distances=False, return_indices=True)
    filled: Floats = top_mm[tuple(nearest)]
    j, i = np.nonzero(hole)
    here, *beside = (
        np.ravel_multi_index((j + dj, i + di), hole.shape, mode="clip")
        for dj, di in ((0, 0), (-1, 0), (0, -1), (0, 1), (1, 0))
    )
    sides, heights = np.stack(beside), filled.ravel()
    for _ in range(FILL_TURNS):
        fresh = (heights[sides] * 0.25).sum(axis=0)
        if np.array_equal(fresh, heights[here]):  # settled; small holes are at once
            break
        heights[here] = fresh
    return filled
