"""The room for stone: what liquid poured into the opening reaches below the base line.

In a column, room is every stretch from a surface facing up to the next one facing down, or to the
open top. Stretches in neighbouring cells that overlap in height are one room. Room that reaches
the base line inside the footprint is filled, and so is all that joins it, undercuts too; sealed
bubbles and the outside of the tray are not.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import label

from volest.cavity.base_line import BasePlane
from volest.cavity.cells import grown
from volest.cavity.columns import Columns, Grid
from volest.cavity.footprint import Footprint
from volest.cavity.frame import KERNELS, Bools, Floats, Ints, plane_mm
from volest.cavity.height_map import HeightMap
from volest.cavity.rim import LAND_MM, Rim, beyond_edge
from volest.scan.compiling import loops

PAIRS = 3  # a stretch, where stretches lie side by side; where there are more, counted first
FOLD_MM = 0.5  # high under a roof: noise folds a sheer wall at the scan's end by less
LEAST_LEAK_MM = 1.0  # of contact, seen from above: less is a spike's or the grid's


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReachableVoid:
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
    leaks : bool
        Whether filled room joins the outside of the scan through a hole in a wall.
    assumed : ndarray
        (m,) whether floor or roof was not seen by the scanner.
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
    leaks: bool
    assumed: Bools

    @property
    def covered_mm2(self) -> float:
        """Area of the cells that have stretches; these are sorted by cell."""
        cells = np.count_nonzero(np.diff(self.cell, prepend=-1))
        return float(cells) * self.grid.pitch_mm**2

    @property
    def pieces_ml(self) -> Floats:
        """Volumes, (k,), of what is filled in each piece of the footprint."""
        size = self.grid.shape[0] * self.grid.shape[1]
        filled = np.minimum(self.roof_mm, 0.0)[self.filled] - self.floor_mm[self.filled]
        depth_mm = np.bincount(self.cell[self.filled], filled, size)
        covered = (np.bincount(self.cell, minlength=size) > 0).reshape(self.grid.shape)
        names, _ = label(covered)
        sums = np.bincount(names.ravel(), depth_mm)[1:]
        return np.asarray(sums * self.grid.pitch_mm**2 / 1000.0)

    @property
    def roofed_mm3(self) -> float:
        """What is filled under roofs: undercuts, and tunnels through walls."""
        roofed = self.filled & np.isfinite(self.roof_mm)
        deep_mm = np.minimum(self.roof_mm[roofed], 0.0) - self.floor_mm[roofed]
        return float(deep_mm.sum()) * self.grid.pitch_mm**2


def find_void(
    columns: Columns, relief: HeightMap, footprint: Footprint, rim: Rim, base: BasePlane
) -> ReachableVoid:
    """Find the stretches of the columns that stone fills."""
    grid = columns.grid
    beyond = beyond_edge(relief, footprint, rim, base.heights_mm(*rim.crest_mm.T))
    inside = footprint.inside & ~beyond
    cell, floor, roof, assumed = _stretches(columns, base)
    hole, hole_floor = _holes(cell, relief, inside, base)
    cell = np.concatenate([cell, hole])
    order = np.argsort(cell, kind="stable") if len(hole) else np.s_[:]
    cell, floor, roof, assumed = (
        cell[order],
        np.concatenate([floor, hole_floor])[order],
        np.concatenate([roof, np.full(len(hole), np.inf)])[order],
        np.concatenate([assumed, np.ones(len(hole), dtype=bool)])[order],
    )
    filled, sealed = _filled(grid, cell, floor, roof, inside)
    in_footprint, below = inside.ravel()[cell], floor < 0.0
    keep = filled | (in_footprint & ~rim.land.ravel()[cell] & ~below & np.isinf(roof))
    area_ml = grid.pitch_mm**2 / 1000.0
    return ReachableVoid(
        grid=grid,
        cell=cell[keep],
        floor_mm=floor[keep],
        roof_mm=roof[keep],
        filled=filled[keep],
        assumed=assumed[keep],
        outside=_outside(grid, cell[below & np.isinf(roof)], inside | rim.land),
        land_mm=_land_mm(grid, rim, beyond, base),
        hole_mm2=len(hole) * grid.pitch_mm**2,
        hole_ml=float(-np.minimum(hole_floor, 0.0).sum()) * area_ml,
        sealed_ml=float((np.minimum(roof, 0.0) - floor)[sealed].sum()) * area_ml,
        leaks=_leaks(
            grid,
            cell,
            floor,
            roof,
            filled=filled,
            in_footprint=footprint.inside.ravel()[cell],
            assumed=assumed,
        )
        or _opens_into_air(
            grid,
            relief,
            cell[filled & np.isfinite(roof) & (np.minimum(roof, 0.0) - floor > FOLD_MM)],
        ),
    )


def _filled(
    grid: Grid, cell: Ints, floor: Floats, roof: Floats, inside: Bools
) -> tuple[Bools, Bools]:
    """Say which stretches stone reaches, and which in the footprint it cannot reach."""
    in_footprint = inside.ravel()[cell]
    chosen = np.flatnonzero((floor < 0.0) & (in_footprint | np.isfinite(roof)))
    room = _joined(grid, cell[chosen], floor[chosen], np.minimum(roof[chosen], 0.0))
    poured = np.unique(room[in_footprint[chosen] & (roof[chosen] >= 0.0)])
    reached = np.isin(room, poured)
    filled, sealed = np.zeros(len(cell), dtype=bool), np.zeros(len(cell), dtype=bool)
    filled[chosen[reached]] = True
    sealed[chosen[~reached & in_footprint[chosen]]] = True
    return filled, sealed


def _leaks(
    grid: Grid,
    cell: Ints,
    floor: Floats,
    roof: Floats,
    *,
    filled: Bools,
    in_footprint: Bools,
    assumed: Bools,
) -> bool:
    """Say whether filled room inside a wall meets open room out of the footprint."""
    tunnel = filled & ~in_footprint & ~assumed  # what is guessed proves no hole
    open_outside = (floor < 0.0) & np.isinf(roof) & ~in_footprint
    if not tunnel.any() or not open_outside.any():
        return False
    chosen = np.flatnonzero(tunnel | open_outside)
    a, b = neighbours(grid, cell[chosen], floor[chosen], np.minimum(roof[chosen], 0.0))
    meets = np.count_nonzero(tunnel[chosen][a] != tunnel[chosen][b])
    return bool(meets * grid.pitch_mm > LEAST_LEAK_MM)


def _opens_into_air(grid: Grid, relief: HeightMap, roofed: Ints) -> bool:
    """Say whether filled room under a roof reaches the end of the scan, as through a sheer wall."""
    ends = (grown(relief.outside) & ~relief.outside).ravel()[roofed]
    if not ends.any():
        return False
    mouths = np.zeros(grid.shape, dtype=bool)
    mouths.ravel()[roofed[ends]] = True
    names, _ = label(mouths, np.ones((3, 3)))
    widest = np.bincount(names[mouths]).max()
    return bool(widest * grid.pitch_mm > LEAST_LEAK_MM)


def _holes(cell: Ints, relief: HeightMap, inside: Bools, base: BasePlane) -> tuple[Ints, Floats]:
    """Return the footprint's cells without a floor, and the floor that their border suggests."""
    floored = np.zeros(inside.size, dtype=bool)
    floored[cell] = True
    hole = np.flatnonzero(inside.ravel() & ~floored)
    x, y = relief.grid.centres_mm()
    return hole, base.heights_mm(x, y, relief.top_mm).ravel()[hole]


def _outside(grid: Grid, open_below: Ints, inside: Bools) -> Bools:
    outside = np.zeros(grid.shape, dtype=bool)
    outside.ravel()[open_below] = True
    return outside & ~inside


def _stretches(columns: Columns, base: BasePlane) -> tuple[Ints, Floats, Floats, Bools]:
    """Pair each surface that faces up with the next one in its column; say if one was assumed."""
    height = columns.z_mm - base.level_mm(*columns.grid.centres_mm()).ravel()[columns.cell]
    roof = np.full(len(height), np.inf)
    same = columns.cell[1:] == columns.cell[:-1]
    roof[:-1][same] = height[1:][same]
    assumed = np.zeros(len(height), dtype=bool)
    if len(columns.assumed):
        assumed |= columns.assumed
        assumed[:-1] |= columns.assumed[1:] & same
    return columns.cell[columns.up], height[columns.up], roof[columns.up], assumed[columns.up]


def _land_mm(grid: Grid, rim: Rim, beyond: Bools, base: BasePlane) -> Floats:
    flat = rim.land & beyond
    if not flat.any():
        return np.full(grid.shape, np.inf)
    x, y = grid.centres_mm()
    level = plane_mm(rim.plane, x, y) - LAND_MM
    return np.where(grown(flat), base.heights_mm(x, y, level), np.inf)


def neighbours(grid: Grid, cell: Ints, floor_mm: Floats, top_mm: Floats) -> tuple[Ints, Ints]:
    """Pair stretches of neighbouring cells that overlap in height.

    `cell` (m,); `floor_mm`, `top_mm` (m,).
    """
    fast = loops(KERNELS)
    if fast is not None:
        pairs = np.empty((2, PAIRS * len(cell) + 1), np.int64)
        count = fast.pair_rooms(cell, floor_mm, top_mm, grid.shape[1], pairs)
        if count > pairs.shape[1]:
            pairs = np.empty((2, count), np.int64)
            fast.pair_rooms(cell, floor_mm, top_mm, grid.shape[1], pairs)
        return pairs[0, :count], pairs[1, :count]
    start = np.searchsorted(cell, np.arange(grid.shape[0] * grid.shape[1] + 1))
    ends: list[tuple[Ints, Ints]] = []
    for step in (1, grid.shape[1]):
        first = start[np.minimum(cell + step, len(start) - 2)]
        count = start[np.minimum(cell + step + 1, len(start) - 1)] - first
        for k in range(int(count.max(initial=0))):
            a = np.flatnonzero(count > k)
            b = first[a] + k
            meet = np.minimum(top_mm[a], top_mm[b]) > np.maximum(floor_mm[a], floor_mm[b])
            ends.append((a[meet], b[meet]))
    return (
        np.concatenate([a for a, _ in ends] or [cell[:0]]),
        np.concatenate([b for _, b in ends] or [cell[:0]]),
    )


def _joined(grid: Grid, cell: Ints, floor: Floats, top: Floats) -> Ints:
    """Name the rooms: stretches in neighbouring cells that overlap in height share a name."""
    fast = loops(KERNELS)
    if fast is not None:
        names = np.arange(len(cell))
        fast.join_rooms(cell, floor, top, grid.shape[1], names)
        return names
    a, b = neighbours(grid, cell, floor, top)
    names = np.arange(len(cell))
    while len(a):  # each turn gives the lesser name to what meets, and then to all of that name
        less, more = np.minimum(names[a], names[b]), np.maximum(names[a], names[b])
        np.minimum.at(names, more, less)
        while not np.array_equal(names, further := names[names]):
            names = further
        apart = names[a] != names[b]
        a, b = a[apart], b[apart]
    return names


LEAST_MM = 0.1  # shallower pockets are noise of scan and grid


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Air:
    """Air that stone cannot drive out.

    Parameters
    ----------
    trapped_ml : float
        Its volume.
    place_mm : ndarray or None
        (2,) middle of it in the frame; None where there is none.
    """

    trapped_ml: float
    place_mm: Floats | None


def find_air(rooms: ReachableVoid) -> Air:
    """Find the air that stays under roofs."""
    cell, floor = rooms.cell[rooms.filled], rooms.floor_mm[rooms.filled]
    top = np.minimum(rooms.roof_mm[rooms.filled], 0.0)
    if not (top < 0.0).any():
        return Air(trapped_ml=0.0, place_mm=None)
    a, b = neighbours(rooms.grid, cell, floor, top)
    passage = best_passage_mm(a, b, top, top >= 0.0)
    stays = top - np.maximum(passage, floor)
    stays = np.where(stays > LEAST_MM, stays, 0.0)
    trapped_ml = float(stays.sum()) * rooms.grid.pitch_mm**2 / 1000.0
    if trapped_ml == 0.0:
        return Air(trapped_ml=0.0, place_mm=None)
    j, i = np.divmod(cell, rooms.grid.shape[1])
    middle = np.array([np.average(i, weights=stays), np.average(j, weights=stays)])
    return Air(
        trapped_ml=trapped_ml,
        place_mm=np.array(rooms.grid.low_mm) + middle * rooms.grid.pitch_mm,
    )


def best_passage_mm(a: Ints, b: Ints, top_mm: Floats, is_open: Bools) -> Floats:
    """Give the lowest top on the best way from each stretch, (m,), to an open one.

    `a`, `b` (p,) are pairs that meet; where there is no way out it is the lowest of all.
    """
    tops = np.where(is_open, top_mm.max(), top_mm)
    best = np.where(is_open, tops, -np.inf)
    one, other = np.append(a, b), np.append(b, a)
    news = is_open
    while news.any():  # what has a better way out tells those that it meets
        told = news[one] & ~is_open[other]
        before = best.copy()
        np.maximum.at(best, other[told], np.minimum(best[one[told]], tops[other[told]]))
        news = best > before
    return np.where(best > -np.inf, best, tops)
