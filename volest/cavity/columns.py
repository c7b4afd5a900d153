"""The scan as columns: in each cell of a grid, where the surface is crossed and which way it faces.

Each triangle is cut into rows and each row into cells by half-open intervals. The ends of a row
are computed from an edge's lower end, so that two triangles that share an edge compute the same
number and no cell is hit twice or missed, however the mesh's vertices fall on the grid.
"""

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from volest.cavity.frame import KERNELS, Bools, Floats, Frame, Ints
from volest.errors import ScanError
from volest.scan.compiling import in_parts, loops

MOST_CELLS = 3_500_000  # some 400 MB while working; a full arch at 0.05 mm takes 3 million


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A regular grid seen along the pour axis; cell (j, i) has its centre at low + (i, j) pitch."""

    pitch_mm: float  # width of a cell
    low_mm: tuple[float, float]  # centre of cell (0, 0): x and y
    shape: tuple[int, int]  # number of rows (y) and of cells a row (x)

    @property
    def told(self) -> tuple[tuple[float, float, float], tuple[int, int]]:
        """Low x and y with the pitch, and the shape, as compiled loops want them."""
        return (*self.low_mm, self.pitch_mm), self.shape

    def cells_of(self, x_mm: Floats, y_mm: Floats) -> Ints:
        """Return the flat cell number that holds each point, -1 outside the grid.

        `x_mm`, `y_mm` (m,); gives (m,).
        """
        i = np.rint((x_mm - self.low_mm[0]) / self.pitch_mm)
        j = np.rint((y_mm - self.low_mm[1]) / self.pitch_mm)
        inside = (i >= 0) & (j >= 0) & (i < self.shape[1]) & (j < self.shape[0])
        return np.where(inside, j * self.shape[1] + i, -1).astype(np.int64)

    def places_mm(self, cell: Ints) -> tuple[Floats, Floats]:
        """Return x and y, (m,) each, of the centres of some flat cells."""
        j, i = np.divmod(cell, self.shape[1])
        return self.low_mm[0] + i * self.pitch_mm, self.low_mm[1] + j * self.pitch_mm

    def map_of(self, cell: Ints) -> Bools:
        """Return a map, of the grid's shape, on which some flat cells are marked."""
        marked = np.zeros(self.shape, dtype=bool)
        marked.ravel()[cell] = True
        return marked

    def centres_mm(self) -> tuple[Floats, Floats]:
        """Return x and y of every cell's centre."""
        x, y = (
            low + np.arange(n) * self.pitch_mm
            for low, n in zip(self.low_mm, self.shape[::-1], strict=True)
        )
        return tuple(np.meshgrid(x, y, copy=False))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Columns:
    """All crossings, sorted by cell and, within a cell, by height."""

    grid: Grid
    cell: Ints  # (m,) flat cell number of each crossing
    z_mm: Floats  # (m,) height of each crossing
    up: Bools  # (m,) whether the surface faces up there
    # (m,) number of the triangle that crosses; empty where that is not known
    triangle: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    # (m,) whether the surface was not seen there; empty where all was
    assumed: Bools = field(default_factory=lambda: np.empty(0, bool))

    def of(self, chosen: Bools) -> "Columns":
        """Return the crossings of some of the triangles: what cutting these alone would give.

        `chosen` (n,).
        """
        kept = chosen[self.triangle]
        return sorted_columns(
            self.grid, self.cell[kept], self.z_mm[kept], self.up[kept], self.triangle[kept]
        )

    @property
    def misfits(self) -> int:
        """Crossings that face like the one below, or unlike most seen from above.

        There are none when the winding is sound.
        """
        same = (self.cell[1:] == self.cell[:-1]) & (self.up[1:] == self.up[:-1])
        seen = self.up[self._highest]
        unlike = min(np.count_nonzero(seen), np.count_nonzero(~seen))
        return int(np.count_nonzero(same) + unlike)

    @property
    def tangles(self) -> int:
        """Misfits but for those of surface that was not seen: there, one facing fails alone."""
        same = (self.cell[1:] == self.cell[:-1]) & (self.up[1:] == self.up[:-1])
        up = int(np.count_nonzero(same & self.up[1:]))
        return self.misfits - abs(2 * up - int(np.count_nonzero(same)))

    @property
    def misfit_share(self) -> float:
        """Share of the crossings that are misfits."""
        return self.misfits / max(len(self.cell), 1)

    @property
    def seen_up_share(self) -> float:
        """Share of columns whose highest crossing faces up: 0 when all faces are turned."""
        return float(np.mean(self.up[self._highest])) if len(self.cell) else 0.0

    @property
    def _highest(self) -> Bools:
        last = np.ones(min(len(self.cell), 1), dtype=bool)
        return np.concatenate([self.cell[1:] != self.cell[:-1], last])


def grid_over(x_mm: Floats, y_mm: Floats, pitch_mm: float, free_mm: float = 0.0) -> Grid:
    """Lay a grid over points, with two free cells and more all round; `x_mm`, `y_mm` (m,)."""
    free = 2.0 * pitch_mm + free_mm
    spans = [(float(v.min()) - free, float(v.max()) + free) for v in (x_mm, y_mm)]
    (x_low, x_high), (y_low, y_high) = spans
    shape = (
        int(np.ceil((y_high - y_low) / pitch_mm)) + 1,
        int(np.ceil((x_high - x_low) / pitch_mm)) + 1,
    )
    if shape[0] * shape[1] > MOST_CELLS:
        raise ScanError(
            f"a scan {x_high - x_low:.0f} mm by {y_high - y_low:.0f} mm, {pitch_mm:g} mm a column",
            needed=f"at most {MOST_CELLS // 10**6} million columns",
            remedy="cut stray parts off the scan, or give a wider --pitch",
            code="too-wide",
        )
    return Grid(pitch_mm=pitch_mm, low_mm=(x_low, y_low), shape=shape)


def cut_columns(corners_mm: Floats, grid: Grid) -> Columns:
    """Cross every column of a grid with the triangles; `corners_mm` (3, 3, n)."""
    v = (corners_mm[1] - grid.low_mm[1]) / grid.pitch_mm  # (3, n), in cells
    row_from = _clipped_ceil(v.min(axis=0), grid.shape[0])
    row_count = _clipped_ceil(v.max(axis=0), grid.shape[0]) - row_from
    hit = np.flatnonzero(row_count)
    u = (corners_mm[0][:, hit] - grid.low_mm[0]) / grid.pitch_mm
    v, u, z, even = _from_below(v[:, hit], u, corners_mm[2][:, hit])
    which, row = _spread(row_from[hit], row_count[hit])
    low = row < v[1, which]
    corners = np.stack([v, u, z])[:, :, which]  # (3, 3, rows)
    u_long, z_long = _met(row, corners[:, 0], corners[:, 2])
    u_short, z_short = _met(
        row,
        np.where(low, corners[:, 0], corners[:, 1]),
        np.where(low, corners[:, 1], corners[:, 2]),
    )
    cell_from = _clipped_ceil(np.minimum(u_long, u_short), grid.shape[1])
    cell_count = _clipped_ceil(np.maximum(u_long, u_short), grid.shape[1]) - cell_from
    span, i = _spread(cell_from, cell_count)
    along = (i - u_long[span]) / (u_short[span] - u_long[span])
    z_hit = z_long[span] + along * (z_short[span] - z_long[span])
    up = ((u_short > u_long) == even[which])[span]
    cell = row[span] * grid.shape[1] + i
    order = np.lexsort((z_hit, cell))
    return sorted_columns(grid, cell[order], z_hit[order], up[order], hit[which[span]][order])


def _clipped_ceil(values: Floats, end: int) -> Ints:
    return np.clip(np.ceil(values), 0, end).astype(np.int64)


def _spread(first: Ints, count: Ints) -> tuple[Ints, Ints]:
    """Write out runs: for each item its index, and its value first, first + 1 ... in the run."""
    which = np.repeat(np.arange(len(first)), count)
    before = np.cumsum(count) - count
    return which, np.arange(len(which)) - before[which] + first[which]


def _from_below(v: Floats, u: Floats, z: Floats) -> tuple[Floats, Floats, Floats, Bools]:
    """Order each triangle's corners by v, and say whether that was an even permutation."""
    even = np.ones(v.shape[1], dtype=bool)
    for a, b in ((0, 1), (1, 2), (0, 1)):
        swap = v[b] < v[a]
        for array in (u, z, v):
            array[a], array[b] = (
                np.where(swap, array[b], array[a]),
                np.where(swap, array[a], array[b]),
            )
        even ^= swap
    return v, u, z, even


def _met(row: Ints, low: Floats, high: Floats) -> tuple[Floats, Floats]:
    """Return u and z where each row meets the edge between two corners, from its lower end."""
    along = (row - low[0]) / (high[0] - low[0])
    return low[1] + along * (high[1] - low[1]), low[2] + along * (high[2] - low[2])


def sorted_columns(
    grid: Grid, cell: Ints, z_mm: Floats, up: Bools, triangle: Ints, *, assumed: Bools | None = None
) -> Columns:
    """Make columns, read-only, of crossings that are in order already."""
    assumed = np.empty(0, dtype=bool) if assumed is None else assumed
    for array in (cell, z_mm, up, triangle, assumed):
        array.setflags(write=False)
    return Columns(grid=grid, cell=cell, z_mm=z_mm, up=up, triangle=triangle, assumed=assumed)


ROOM = 4  # crossings a cell; a tray has two to four, and where it has more the cut is made again


# Without slots, so that the turned corners can be kept once somebody has asked for them.
@dataclass(frozen=True, kw_only=True, eq=False)
class Surface:
    """Triangles and the frame to see them in."""

    triangles: Floats  # (n, 3, 3) in the scan's own frame: triangle, corner, coordinate
    frame: Frame
    # whether corners are taken from last to first, so that all faces are turned
    backward: bool = False

    @cached_property
    def corners_mm(self) -> Floats:
        """Corners in the frame, (3, 3, n): coordinate, corner, triangle."""
        turned = self.frame.to_frame(self.corners)
        return turned[:, ::-1] if self.backward else turned

    @cached_property
    def corners(self) -> Floats:
        """Corners in the scan's own frame, (3, 3, n): coordinate, corner, triangle."""
        corners = np.ascontiguousarray(self.triangles.transpose(2, 1, 0))
        corners.flags.writeable = False  # as loops are compiled for
        return corners

    def turned_about(self) -> "Surface":
        """Return the surface with all faces turned."""
        return replace(self, backward=not self.backward)

    def chosen(self, which: Bools) -> "Surface":
        """Return the surface of some of the triangles; `which` (n,)."""
        return replace(self, triangles=self.triangles[which])


def columns_of(surface: Surface, grid: Grid) -> Columns:
    """Cross every column of a grid with a surface."""
    fast = loops(KERNELS)
    if fast is None:
        return cut_columns(surface.corners_mm, grid)
    cells = grid.shape[0] * grid.shape[1]

    def cut(run: slice) -> tuple[Any, ...]:
        """Cut a run of the triangles, and give cells, heights, facings and triangles."""
        room, count = 0, ROOM * cells
        while count > room:
            room = count
            out = tuple(np.empty(room, kind) for kind in (np.int64, np.float64, bool, np.int64))
            count = fast.cut(
                surface.corners,
                run.start,
                run.stop,
                surface.backward,
                surface.frame.view,
                *grid.told,
                out,
            )
        return tuple(each[:count] for each in out)

    runs = in_parts(cut, len(surface.triangles))
    found = tuple(np.concatenate(each) for each in zip(*runs, strict=True))
    ordered = tuple(np.empty_like(each) for each in found)
    fast.sort_crossings(np.zeros(cells + 1, np.int64), found, ordered)
    return sorted_columns(grid, *ordered)


def peaks_of_surface(surface: Surface, grid: Grid, near: Bools, peaks_mm: Floats) -> Floats:
    """Raise cells that are near to the highest corner of a triangle that lies in them."""
    peaks = peaks_mm.copy()
    lowest = peaks_mm[near]
    over_mm = float(lowest[np.isfinite(lowest)].min(initial=np.inf))  # what is lower is no peak
    fast = loops(KERNELS)
    if fast is not None:
        told = (surface.frame.view, *grid.told, near.ravel(), over_mm, peaks.ravel())
        fast.raise_peaks(surface.corners, *told)
        return peaks
    x, y, z = surface.corners_mm.reshape(3, -1)
    high = z > over_mm
    cell = grid.cells_of(x[high], y[high])
    # Cell -1, outside the grid, is the one appended.
    chosen = np.append(near.ravel(), False)[cell]
    np.maximum.at(peaks.ravel(), cell[chosen], z[high][chosen])
    return peaks
