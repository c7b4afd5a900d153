"""The room for stone: what liquid poured into the opening reaches below the base line.

In a column, room is every stretch from a surface facing up to the next one facing down, or to the
open top. Stretches in neighbouring cells that overlap in height are one room. Room that reaches
the base line inside the footprint is filled, and so is all that joins it, undercuts too; sealed
bubbles and the outside of the tray are not.
"""

from dataclasses import dataclass, field, replace

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
    """Stretches of columns that stone fills; heights are over the base line, along z."""

    grid: Grid
    cell: Ints  # (m,) flat cell number of each stretch
    # (m,) where each begins and ends; the roof is infinite under the open sky
    floor_mm: Floats
    roof_mm: Floats
    # (m,) whether it is filled up to the base line; the others stand in the footprint over it
    filled: Bools
    # cells, of the grid's shape, in which surface below the base line lies out of the footprint
    outside: Bools
    # height, of the grid's shape, from which the surface is a flat rim; infinite off it
    land_mm: Floats
    # area of the footprint without surface, filled from its border, and the room over it
    hole_mm2: float
    hole_ml: float
    sealed_ml: float  # room below the base line that has no way to the opening
    leaks: bool  # whether filled room joins the outside of the scan through a hole in a wall
    assumed: Bools  # (m,) whether floor or roof was not seen by the scanner
    hole_cell: Ints = field(default_factory=lambda: np.empty(0, np.int64))  # (k,) flat cells of it

    def of(self, chosen: Bools) -> "ReachableVoid":
        """Give some of the stretches, (m,), alone."""
        names = ("cell", "floor_mm", "roof_mm", "filled", "assumed")
        return replace(self, **{name: getattr(self, name)[chosen] for name in names})

    @property
    def covered_mm2(self) -> float:
        """Area of the cells that have stretches; these are sorted by cell."""
        cells = np.count_nonzero(np.diff(self.cell, prepend=-1))
        return float(cells) * self.grid.pitch_mm**2

    @property
    def pieces_ml(self) -> Floats:
        """Volumes, (k,), of what is filled in each piece of the footprint."""
        names, _ = label(self.grid.map_of(self.cell))
        filled = np.minimum(self.roof_mm, 0.0)[self.filled] - self.floor_mm[self.filled]
        depth_mm = np.bincount(self.cell[self.filled], filled, names.size)
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
    # Cells of the footprint without a floor get the one that their border suggests.
    hole = np.flatnonzero(inside & ~grid.map_of(cell))
    hole_floor = base.heights_mm(*grid.places_mm(hole), relief.top_mm.ravel()[hole])
    cell = np.concatenate([cell, hole])
    order = np.argsort(cell, kind="stable") if len(hole) else np.s_[:]
    cell, floor, roof, assumed = (
        cell[order],
        np.concatenate([floor, hole_floor])[order],
        np.concatenate([roof, np.full(len(hole), np.inf)])[order],
        np.concatenate([assumed, np.ones(len(hole), dtype=bool)])[order],
    )
    filled, sealed = _filled(grid, cell, floor, roof, inside)
    below, is_open = floor < 0.0, np.isinf(roof)
    keep = filled | ((inside & ~rim.land).ravel()[cell] & ~below & is_open)
    in_footprint = footprint.inside.ravel()[cell]
    tunnel = filled & ~in_footprint & ~assumed  # what is guessed proves no hole
    meet = tunnel | (below & is_open & ~in_footprint)
    roofed = filled & ~is_open & (np.minimum(roof, 0.0) - floor > FOLD_MM)
    area_ml = grid.pitch_mm**2 / 1000.0
    return ReachableVoid(
        grid=grid,
        cell=cell[keep],
        floor_mm=floor[keep],
        roof_mm=roof[keep],
        filled=filled[keep],
        assumed=assumed[keep],
        outside=grid.map_of(cell[below & is_open]) & ~(inside | rim.land),
        land_mm=_land_mm(grid, rim, beyond, base),
        hole_cell=hole,
        hole_mm2=len(hole) * grid.pitch_mm**2,
        hole_ml=float(-np.minimum(hole_floor, 0.0).sum()) * area_ml,
        sealed_ml=float((np.minimum(roof, 0.0) - floor)[sealed].sum()) * area_ml,
        leaks=_leaks(grid, cell[meet], floor[meet], roof[meet], tunnel[meet])
        or _opens_into_air(grid, relief, cell[roofed]),
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


def _leaks(grid: Grid, cell: Ints, floor: Floats, roof: Floats, tunnel: Bools) -> bool:
    """Say whether filled room inside a wall, a tunnel, meets open room out of the footprint."""
    if not tunnel.any():
        return False
    a, b = neighbours(grid, cell, floor, np.minimum(roof, 0.0))
    meets = np.count_nonzero(tunnel[a] != tunnel[b])
    return bool(meets * grid.pitch_mm > LEAST_LEAK_MM)


def _opens_into_air(grid: Grid, relief: HeightMap, roofed: Ints) -> bool:
    """Say whether filled room under a roof reaches the end of the scan, as through a sheer wall."""
    mouths = grid.map_of(roofed) & grown(relief.outside) & ~relief.outside
    names, _ = label(mouths, np.ones((3, 3)))
    widest = np.bincount(names[mouths]).max(initial=0)
    return bool(widest * grid.pitch_mm > LEAST_LEAK_MM)


def _stretches(columns: Columns, base: BasePlane) -> tuple[Ints, Floats, Floats, Bools]:
    """Pair each surface that faces up with the next one in its column; say if one was assumed."""
    height = columns.z_mm - base.level_mm(*columns.grid.centres_mm()).ravel()[columns.cell]
    roof = np.full(len(height), np.inf)
    same = columns.cell[1:] == columns.cell[:-1]
    roof[:-1][same] = height[1:][same]
    assumed = np.zeros(len(height), dtype=bool)
    if len(columns.assumed):
        assumed[:] = columns.assumed
        assumed[:-1] |= columns.assumed[1:] & same
    return columns.cell[columns.up], height[columns.up], roof[columns.up], assumed[columns.up]


def _land_mm(grid: Grid, rim: Rim, beyond: Bools, base: BasePlane) -> Floats:
    x, y = grid.centres_mm()
    level = plane_mm(rim.plane, x, y) - LAND_MM
    return np.where(grown(rim.land & beyond), base.heights_mm(x, y, level), np.inf)


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
    ends = [(cell[:0], cell[:0])]
    for step in (1, grid.shape[1]):
        first = start[np.minimum(cell + step, len(start) - 2)]
        count = start[np.minimum(cell + step + 1, len(start) - 1)] - first
        for k in range(int(count.max(initial=0))):
            a = np.flatnonzero(count > k)
            b = first[a] + k
            meet = np.minimum(top_mm[a], top_mm[b]) > np.maximum(floor_mm[a], floor_mm[b])
            ends.append((a[meet], b[meet]))
    a, b = (np.concatenate(each) for each in zip(*ends, strict=True))
    return a, b


def _joined(grid: Grid, cell: Ints, floor: Floats, top: Floats) -> Ints:
    """Name the rooms: stretches in neighbouring cells that overlap in height share a name."""
    a, b = neighbours(grid, cell, floor, top)
    names = np.arange(len(cell))
    fast = loops(KERNELS)
    if fast is not None:
        fast.join_rooms(a, b, names)
        return names
    while len(a):  # each turn gives the lesser name to what meets, and then to all of that name
        less, more = np.minimum(names[a], names[b]), np.maximum(names[a], names[b])
        np.minimum.at(names, more, less)
        while not np.array_equal(names, further := names[names]):
            names = further
        apart = names[a] != names[b]
        a, b = a[apart], b[apart]
    return names


LEAST_POCKET_MM = 0.1  # shallower ones are noise of scan and grid
LEAST_AIR_ML = 0.02  # a bubble of 3.4 mm; smaller ones are the vibrator's to drive out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Air:
    """Air that stone cannot drive out."""

    trapped_ml: float  # its volume
    place_mm: Floats | None  # (2,) middle of it in the frame; None where there is none


def trapped_mm(a: Ints, b: Ints, floor_mm: Floats, top_mm: Floats, is_open: Bools) -> Floats:
    """Give how high air stays under the top of each stretch, (m,); `a`, `b` (p,) are pairs."""
    stays = top_mm - np.maximum(best_passage_mm(a, b, top_mm, is_open), floor_mm)
    return np.where(stays > LEAST_POCKET_MM, stays, 0.0)


def find_air(rooms: ReachableVoid) -> Air:
    """Find the air that stays under roofs."""
    cell, floor = rooms.cell[rooms.filled], rooms.floor_mm[rooms.filled]
    top = np.minimum(rooms.roof_mm[rooms.filled], 0.0)
    if not (top < 0.0).any():
        return Air(trapped_ml=0.0, place_mm=None)
    a, b = neighbours(rooms.grid, cell, floor, top)
    stays = trapped_mm(a, b, floor, top, top >= 0.0)
    trapped_ml = float(stays.sum()) * rooms.grid.pitch_mm**2 / 1000.0
    if trapped_ml == 0.0:
        return Air(trapped_ml=0.0, place_mm=None)
    middle = [np.average(v, weights=stays) for v in rooms.grid.places_mm(cell)]
    return Air(trapped_ml=trapped_ml, place_mm=np.array(middle))


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
