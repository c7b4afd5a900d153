"""The room for stone: what liquid poured into the opening reaches below the base line.

In a column, room is every stretch from a surface facing up to the next one facing down, or to the
open top. Stretches in neighbouring cells that overlap in height are one room. Room that reaches
the base line inside the footprint is filled, and so is all that joins it, undercuts too; sealed
bubbles and the outside of the tray are not.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import binary_dilation
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from volest.cavity.base_line import BasePlane
from volest.cavity.columns import Bools, Columns, Grid, Ints
from volest.cavity.footprint import Footprint
from volest.cavity.frame import Floats
from volest.cavity.relief import Relief
from volest.cavity.rim import LAND_MM, Rim


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rooms:
    """Stretches of columns that stone fills; heights are over the base line, along z.

    Parameters
    ----------
    grid : Grid
        The cells.
    cell : ndarray
        (m,) flat cell number of each stretch.
    floor_mm, roof_mm : ndarray
        (m,) where each begins and ends; the roof is infinite under the open sky.
    filled : ndarray
        (m,) whether it is filled up to the base line; the others stand in the footprint over it.
    outside : ndarray
        Cells, of the grid's shape, in which surface below the base line lies out of the footprint.
    land_mm : ndarray
        Height, of the grid's shape, from which the surface is a flat rim; infinite off it.
    hole_mm2, hole_ml : float
        Area of the footprint without surface, filled from its border, and the room over it.
    sealed_ml : float
        Room below the base line that has no way to the opening.
    """

    grid: Grid
    cell: Ints
    floor_mm: Floats
    roof_mm: Floats
    filled: Bools
    outside: Bools
    land_mm: Floats
    hole_mm2: float
    hole_ml: float
    sealed_ml: float


def find_rooms(
    columns: Columns, relief: Relief, footprint: Footprint, rim: Rim, base: BasePlane
) -> Rooms:
    """Find the stretches of the columns that stone fills.

    Parameters
    ----------
    columns : Columns
        The crossings.
    relief : Relief
        The scan from above, on the same grid.
    footprint : Footprint
        What the cavity covers.
    rim : Rim
        Its rim; stone is not meant to stand on a flat one.
    base : BasePlane
        The base line.

    Returns
    -------
    Rooms
        The stretches.
    """
    grid = columns.grid
    inside = footprint.inside & ~rim.land
    cell, floor, roof = _stretches(columns, base)
    floored = np.zeros(inside.size, dtype=bool)
    floored[cell] = True
    hole = np.flatnonzero(inside.ravel() & ~floored)
    hole_floor = _top_over_base(relief, base).ravel()[hole]
    cell = np.concatenate([cell, hole])
    floor = np.concatenate([floor, hole_floor])
    roof = np.concatenate([roof, np.full(len(hole), np.inf)])
    order = np.argsort(cell, kind="stable")
    cell, floor, roof = cell[order], floor[order], roof[order]

    below = floor < 0.0
    in_footprint = inside.ravel()[cell]
    reachable = below & (in_footprint | np.isfinite(roof))
    room = _joined(grid, cell, floor, np.minimum(roof, 0.0), reachable)
    poured = np.unique(room[reachable & in_footprint & (roof >= 0.0)])
    filled = reachable & np.isin(room, poured)
    sealed = reachable & in_footprint & ~filled
    outside = np.zeros(inside.size, dtype=bool)
    outside[cell[below & ~footprint.inside.ravel()[cell] & np.isinf(roof)]] = True
    keep = filled | (in_footprint & ~below & np.isinf(roof))
    area = grid.pitch_mm**2
    return Rooms(
        grid=grid,
        cell=cell[keep],
        floor_mm=floor[keep],
        roof_mm=roof[keep],
        filled=filled[keep],
        outside=outside.reshape(grid.shape),
        land_mm=_land_mm(grid, rim, base),
        hole_mm2=len(hole) * area,
        hole_ml=float(-np.minimum(hole_floor, 0.0).sum()) * area / 1000.0,
        sealed_ml=float((np.minimum(roof, 0.0) - floor)[sealed].sum()) * area / 1000.0,
    )


def _stretches(columns: Columns, base: BasePlane) -> tuple[Ints, Floats, Floats]:
    """Pair each surface that faces up with the next one in its column, if that faces down."""
    j, i = np.divmod(columns.cell, columns.grid.shape[1])
    x = columns.grid.low_mm[0] + i * columns.grid.pitch_mm
    y = columns.grid.low_mm[1] + j * columns.grid.pitch_mm
    height = base.heights_mm(x, y, columns.z_mm)
    roof = np.full(len(height), np.inf)
    same = columns.cell[1:] == columns.cell[:-1]
    roof[:-1][same] = height[1:][same]
    return columns.cell[columns.up], height[columns.up], roof[columns.up]


def _land_mm(grid: Grid, rim: Rim, base: BasePlane) -> Floats:
    x, y = grid.centres_mm()
    level = rim.plane[0] * x + rim.plane[1] * y + rim.plane[2] - LAND_MM
    return np.where(binary_dilation(rim.land), base.heights_mm(x, y, level), np.inf)


def _top_over_base(relief: Relief, base: BasePlane) -> Floats:
    x, y = relief.grid.centres_mm()
    return base.heights_mm(x, y, relief.top_mm)


def _joined(grid: Grid, cell: Ints, floor: Floats, top: Floats, reachable: Bools) -> Ints:
    """Name the rooms: stretches in neighbouring cells that overlap in height share a name."""
    start = np.searchsorted(cell, np.arange(grid.shape[0] * grid.shape[1] + 1))
    ends: list[tuple[Ints, Ints]] = []
    for step in (1, grid.shape[1]):  # the grid's free border keeps rows from joining end to start
        first = start[np.minimum(cell + step, len(start) - 2)]
        count = start[np.minimum(cell + step + 1, len(start) - 1)] - first
        for k in range(int(count.max(initial=0))):
            a = np.flatnonzero(count > k)
            b = first[a] + k
            meet = np.minimum(top[a], top[b]) > np.maximum(floor[a], floor[b])
            meet &= reachable[a] & reachable[b]
            ends.append((a[meet], b[meet]))
    a, b = (np.concatenate([pair[side] for pair in ends]) for side in (0, 1))
    graph = coo_array((np.ones(len(a), dtype=np.int8), (a, b)), shape=(len(cell), len(cell)))
    return np.asarray(connected_components(graph, directed=False)[1])
