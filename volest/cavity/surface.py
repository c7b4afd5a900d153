"""The scan's triangles seen in the frame, turned into it when and where they are wanted."""

from dataclasses import dataclass, replace
from functools import cached_property
from types import ModuleType
from typing import Any

import numpy as np

from volest.cavity.cells import grown
from volest.cavity.columns import Bools, Columns, Grid, cut_columns, sorted_columns
from volest.cavity.frame import Floats, Frame
from volest.scan.compiling import in_parts, loops

LOOPS = "volest.cavity.surface_loops"
ROOM = 4  # crossings a cell; a tray has two to four, and where it has more the cut is made again


# Without slots, so that the turned corners can be kept once somebody has asked for them.
@dataclass(frozen=True, kw_only=True, eq=False)
class Surface:
    """Triangles and the frame to see them in.

    Parameters
    ----------
    triangles : ndarray
        (n, 3, 3) in the scan's own frame: triangle, corner, coordinate.
    frame : Frame
        The frame to work in.
    backward : bool
        Whether corners are taken from last to first, so that all faces are turned.
    """

    triangles: Floats
    frame: Frame
    backward: bool = False

    @cached_property
    def corners_mm(self) -> Floats:
        """Corners in the frame, (3, 3, n): coordinate, corner, triangle."""
        corners = np.ascontiguousarray(self.triangles.transpose(2, 1, 0))
        turned = self.frame.to_frame(corners)
        return turned[:, ::-1] if self.backward else turned

    @cached_property
    def rows(self) -> Floats:
        """The triangles, (n, 3, 3), one after another in memory as compiled loops want them."""
        return np.ascontiguousarray(self.triangles)

    def turned_about(self) -> "Surface":
        """Return the surface with all faces turned."""
        return replace(self, backward=not self.backward)

    def chosen(self, which: Bools) -> "Surface":
        """Return the surface of some of the triangles.

        `which` (n,).
        """
        return replace(self, triangles=self.triangles[which])


def columns_of(surface: Surface, grid: Grid) -> Columns:
    """Cross every column of a grid with a surface."""
    fast = loops(LOOPS)
    if fast is None:
        return cut_columns(surface.corners_mm, grid)
    found = [np.concatenate(each) for each in zip(*_crossings(fast, surface, grid), strict=True)]
    ordered = tuple(np.empty_like(each) for each in found)
    cells = grid.shape[0] * grid.shape[1]
    fast.sort_crossings(np.zeros(cells + 1, np.int64), tuple(found), ordered)
    return sorted_columns(grid, *ordered)


def _crossings(fast: ModuleType, surface: Surface, grid: Grid) -> list[tuple[Any, ...]]:
    """Cut runs of the triangles, and give cells, heights, facings and triangles of each run."""

    def cut(run: slice) -> tuple[Any, ...]:
        room, count = 0, ROOM * grid.shape[0] * grid.shape[1]
        while count > room:
            room = count
            out = tuple(np.empty(room, kind) for kind in (np.int64, np.float64, bool, np.int64))
            count = fast.cut(
                surface.rows[run],
                run.start,
                surface.backward,
                surface.frame.view,
                (*grid.low_mm, grid.pitch_mm),
                grid.shape,
                out,
            )
        return tuple(each[:count] for each in out)

    return in_parts(cut, len(surface.rows))


def peaks_of_points(points_mm: Floats, grid: Grid, near: Bools, peaks_mm: Floats) -> Floats:
    """Raise cells to the highest of some points that lie in them.

    `points_mm` (3, m).
    """
    peaks = peaks_mm.copy()
    points_mm = points_mm[:, points_mm[2] > _lowest(near, peaks_mm)]
    cell = grid.cells_of(points_mm[0], points_mm[1])
    # Cell -1, outside the grid, is the one appended.
    chosen = np.flatnonzero(np.append(near.ravel(), False)[cell])
    np.maximum.at(peaks.ravel(), cell[chosen], points_mm[2][chosen])
    return peaks


def _lowest(near: Bools, peaks_mm: Floats) -> float:
    """Height of the lowest cell that is wanted: what lies below it is no peak."""
    heights = peaks_mm[near]
    return float(heights[np.isfinite(heights)].min(initial=np.inf))


def peaks_of_surface(surface: Surface, grid: Grid, near: Bools, peaks_mm: Floats) -> Floats:
    """Raise cells to the highest corner of a triangle that lies in them."""
    fast = loops(LOOPS)
    if fast is None:
        return peaks_of_points(surface.corners_mm.reshape(3, -1), grid, near, peaks_mm)
    peaks = peaks_mm.copy()
    margin = grown(near, corners=True)
    over_mm = _lowest(near, peaks_mm)
    fast.raise_peaks(
        surface.rows, surface.frame.view, (*grid.low_mm, grid.pitch_mm), margin, over_mm, peaks
    )
    return peaks
