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
from volest.cavity.cells import grown, lowest_ways
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
    seen = _stretches(columns, base)
    # Cells of the footprint without a floor get the one that their border suggests.
    hole = np.flatnonzero(inside & ~grid.map_of(seen[0]))
    hole_floor = base.heights_mm(*grid.places_mm(hole), relief.top_mm.ravel()[hole])
    holes = hole, hole_floor, np.full(len(hole), np.inf), np.ones(len(hole), dtype=bool)
    order = np.argsort(np.append(seen[0], hole), kind="stable") if len(hole) else np.s_[:]
    cell, floor, roof, assumed = (
        np.append(here, there)[order] for here, there in zip(seen, holes, strict=True)
    )
    below, is_open = floor < 0.0, np.isinf(roof)
    in_place, in_footprint = inside.ravel()[cell], footprint.inside.ravel()[cell]
    a, b = neighbours(grid, cell, floor, np.minimum(roof, 0.0))  # over the base line none meet
    # Stone is poured where the base line is open, and runs on into what it meets, but for the open
    # outside of the tray.
    filled, takes = below & in_place & (roof >= 0.0), in_place | ~is_open
    on = takes[a] & takes[b] & ~(filled[a] & filled[b])
    one, other = a[on], b[on]
    while (told := filled[one] != filled[other]).any():
        filled[one[told]] = filled[other[told]] = True
    sealed = below & in_place & ~filled
    keep = filled | ((inside & ~rim.land).ravel()[cell] & ~below & is_open)
    # A leak is filled room inside a wall that meets the open outside; guessed room proves none.
    tunnel, out = filled & ~in_footprint & ~assumed, below & is_open & ~in_footprint
    mouths = int(np.count_nonzero((tunnel[a] & out[b]) | (out[a] & tunnel[b])))
    roofed = filled & ~is_open & (np.minimum(roof, 0.0) - floor > FOLD_MM)
    x, y = grid.centres_mm()
    land_mm = base.heights_mm(x, y, plane_mm(rim.plane, x, y) - LAND_MM)
    area_ml = grid.pitch_mm**2 / 1000.0
    return ReachableVoid(
        grid=grid,
        cell=cell[keep],
        floor_mm=floor[keep],
        roof_mm=roof[keep],
        filled=filled[keep],
        assumed=assumed[keep],
        outside=grid.map_of(cell[below & is_open]) & ~(inside | rim.land),
        land_mm=np.where(grown(rim.land & beyond), land_mm, np.inf),
        hole_cell=hole,
        hole_mm2=len(hole) * grid.pitch_mm**2,
        hole_ml=float(-np.minimum(hole_floor, 0.0).sum()) * area_ml,
        sealed_ml=float((np.minimum(roof, 0.0) - floor)[sealed].sum()) * area_ml,
        leaks=mouths * grid.pitch_mm > LEAST_LEAK_MM or _opens_into_air(grid, relief, cell[roofed]),
    )


def _stretches(columns: Columns, base: BasePlane) -> tuple[Ints, Floats, Floats, Bools]:
    """Pair each surface that faces up with the next one in its column; say if one was assumed."""
    height = columns.z_mm - base.level_mm(*columns.grid.centres_mm()).ravel()[columns.cell]
    same = columns.cell[1:] == columns.cell[:-1]
    roof = np.full(len(height), np.inf)
    roof[:-1][same] = height[1:][same]
    assumed = np.zeros(len(height), dtype=bool)
    if len(columns.assumed):
        assumed[:] = columns.assumed
        assumed[:-1] |= columns.assumed[1:] & same
    return columns.cell[columns.up], height[columns.up], roof[columns.up], assumed[columns.up]


def _opens_into_air(grid: Grid, relief: HeightMap, roofed: Ints) -> bool:
    """Say whether filled room under a roof reaches the end of the scan, as through a sheer wall."""
    mouths = grid.map_of(roofed) & grown(relief.outside) & ~relief.outside
    names, _ = label(mouths, np.ones((3, 3)))
    widest = np.bincount(names[mouths]).max(initial=0)
    return bool(widest * grid.pitch_mm > LEAST_LEAK_MM)


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
    start = np.append(0, np.cumsum(np.bincount(cell, minlength=grid.shape[0] * grid.shape[1])))
    ends = [(cell[:0], cell[:0])]
    for step in (1, grid.shape[1]):
        first = start[np.minimum(cell + step, len(start) - 1)]
        count = start[np.minimum(cell + step + 1, len(start) - 1)] - first
        for k in range(int(count.max(initial=0))):
            a = np.flatnonzero(count > k)
            b = first[a] + k
            meet = np.minimum(top_mm[a], top_mm[b]) > np.maximum(floor_mm[a], floor_mm[b])
            ends.append((a[meet], b[meet]))
    a, b = (np.concatenate(each) for each in zip(*ends, strict=True))
    return a, b


LEAST_POCKET_MM = 0.1  # shallower ones are noise of scan and grid
LEAST_AIR_ML = 0.02  # a bubble of 3.4 mm; smaller ones are the vibrator's to drive out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Air:
    """Air that stone cannot drive out."""

    trapped_ml: float  # its volume
    place_mm: Floats | None  # (2,) middle of it in the frame; None where there is none


def trapped_mm(a: Ints, b: Ints, floor_mm: Floats, top_mm: Floats, is_open: Bools) -> Floats:
    """Give how high air stays under the top of each stretch, (m,); `a`, `b` (p,) are pairs.

    It leaves by the way to an open stretch whose lowest top is highest.
    """
    down = -np.where(is_open, top_mm.max(), top_mm)
    under = ~(is_open[a] & is_open[b])
    a, b = a[under], b[under]
    way = lowest_ways(np.where(is_open, down, np.inf), a, b, np.maximum(down[a], down[b]))
    passage_mm = -np.where(way < np.inf, way, down)
    stays = top_mm - np.maximum(passage_mm, floor_mm)
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
    places = rooms.grid.places_mm(cell)
    middle = np.array([np.average(v, weights=stays) for v in places]) if trapped_ml else None
    return Air(trapped_ml=trapped_ml, place_mm=middle)
