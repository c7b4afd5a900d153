"""Taking the cast out: what an overhang holds along the way out, and which imprints are slender.

Overhangs are measured by columns. Areas of triangles only choose which other ways are tried: noise
on steep walls adds a quarter to them and more.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import minimum_filter
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from volest.cavity.base_line import BasePlane
from volest.cavity.columns import Grid, Surface, cut_columns, grid_over
from volest.cavity.frame import Floats, Ints
from volest.cavity.imprints import Imprints
from volest.cavity.trim import Clock
from volest.cavity.void import ReachableVoid, neighbours
from volest.notes import Note

LEAST_ML = 0.01  # at an hour: less is the grid's
WITHIN_DEG, RINGS, TURNS = 20.0, 5, 16  # ways out that a hand finds; practice, no source
TRAY_MM = 0.5  # what lies so far under all floors about is the tray's outside
TRIED = 2  # of the ways with least area under them, cut anew
GRAIN_MM = 1.0  # over which areas are summed, so that noise on walls cancels
LESS_ML, LESS_SHARE = 0.1, 0.2  # a way that saves less is not worth a word
# A ridge that is held on both sides: practice, no source. A made toothless one has 1.1 mL along the
# best way, 0.1 to 0.2 at each of nine hours, sound arches with teeth 0.14 mL in all.
LOCKED_ML, LOCKED_MM, LOCKED_HOUR_ML, LOCKED_HOURS = 0.5, 0.5, 0.05, 6
NECKS_MM = np.arange(3.0, 9.5, 0.5)  # over the tip; nearer to it all teeth are thin


@dataclass(frozen=True, slots=True, kw_only=True)
class Undercut:
    """What is under an overhang at one hour: seen area, how far in, and the stone there."""

    hour: int
    area_mm2: float
    deep_mm: float
    ml: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WayOut:
    """A way out that leans towards an hour, and the stone under overhangs along it."""

    lean_deg: float
    hour: int
    ml: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Slender:
    """An imprint's weakest section."""

    imprint: int  # which, from 1
    per_mm2: float  # its height over the section modulus about the weak axis: for ranking
    # where the section lies, and its area
    over_tip_mm: float
    neck_mm2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Separation:
    """What holds the cast in the impression."""

    # stone under overhangs along the pour axis, how much of it where surface was not seen, their
    # area seen along it, and how far in they go from their lip
    ml: float
    unseen_ml: float
    area_mm2: float
    deep_mm: float
    hours: tuple[Undercut, ...]
    better: WayOut | None  # a way out with clearly less; None where none within 20 degrees has
    slender: tuple[Slender, ...]  # all imprints, the most slender first
    notes: tuple[Note, ...]  # what a person must act on


def find_separation(
    surface: Surface, rooms: ReachableVoid, base: BasePlane, clock: Clock, imprints: Imprints | None
) -> Separation:
    """Measure overhangs along the pour axis, look for a better way out, and rank the imprints."""
    grid = rooms.grid
    roofed = rooms.filled & np.isfinite(rooms.roof_mm)
    cell = rooms.cell[roofed]
    ml = (np.minimum(rooms.roof_mm[roofed], 0.0) - rooms.floor_mm[roofed]) * grid.pitch_mm**2 / 1e3
    deep = reach_mm(rooms)[roofed]
    at = clock.hours(*grid.places_mm(cell))
    hours = []
    for hour in np.unique(at):
        own = at == hour
        if ml[own].sum() >= LEAST_ML:
            area_mm2 = len(np.unique(cell[own])) * grid.pitch_mm**2
            deep_mm, its_ml = float(deep[own].max()), float(ml[own].sum())
            hours.append(Undercut(hour=int(hour), area_mm2=area_mm2, deep_mm=deep_mm, ml=its_ml))
    better, least_ml = _better(surface, rooms, base, clock)
    held = [one for one in hours if one.deep_mm >= LOCKED_MM and one.ml >= LOCKED_HOUR_ML]
    notes: tuple[Note, ...] = ()
    if least_ml >= LOCKED_ML and len(held) >= LOCKED_HOURS:
        deep_mm = float(deep.max())
        notes = (Note("ridge-undercut", ml=float(ml.sum()), deep_mm=deep_mm, least_ml=least_ml),)
    return Separation(
        ml=float(ml.sum()),
        unseen_ml=float(ml[rooms.assumed[roofed]].sum()),
        area_mm2=len(np.unique(cell)) * grid.pitch_mm**2,
        deep_mm=float(deep.max(initial=0.0)),
        hours=tuple(hours),
        better=better,
        slender=() if imprints is None else _slender(rooms, base, imprints),
        notes=notes,
    )


def reach_mm(rooms: ReachableVoid) -> Floats:
    """Measure how far each stretch under a roof, (m,), lies in from the lip of its overhang.

    The lip is where open stretches meet those under one roof: a wall that flares over it is none.
    """
    grid, is_open = rooms.grid, np.isinf(rooms.roof_mm)
    a, b = neighbours(grid, rooms.cell, rooms.floor_mm, rooms.roof_mm)
    under = ~is_open[a] & ~is_open[b]
    one, other = np.append(a, b), np.append(b, a)
    at_lip = is_open[one] & ~is_open[other]
    count = len(rooms.cell)
    met = coo_array((np.ones(under.sum()), (a[under], b[under])), shape=(count, count))
    _, name = connected_components(met)
    far = name * (grid.shape[0] + grid.shape[1])  # so that another overhang's lip is never nearest
    j, i = np.divmod(rooms.cell, grid.shape[1])
    lips = np.stack([j[one[at_lip]], i[one[at_lip]], far[other[at_lip]]], axis=1)
    reach = np.zeros(count)
    if len(lips):
        off, at = cKDTree(lips).query(np.stack([j, i, far], axis=1)[~is_open])
        has_lip = lips[at, 2] == far[~is_open]  # none where it is closed in all round
        reach[~is_open] = np.where(has_lip, (off - 0.5) * grid.pitch_mm, 0.0)  # from between cells
    return reach


def _better(
    surface: Surface, rooms: ReachableVoid, base: BasePlane, clock: Clock
) -> tuple[WayOut | None, float]:
    """Look for a way out with clearly less under it; give the least volume too."""
    corners = surface.corners_mm
    middle = corners.mean(axis=1)
    floor = np.full(rooms.grid.shape, np.inf)
    floor.flat[rooms.cell[::-1]] = rooms.floor_mm[::-1]  # the lowest: a cell's rise
    lowest = np.where(np.isfinite(floor), minimum_filter(floor, 5) - TRAY_MM, np.inf)
    lowest = np.append(lowest.ravel(), np.inf)  # of cell -1, outside the grid
    over = base.heights_mm(*middle)
    near = np.flatnonzero(over < 0.0)
    near = near[over[near] > lowest[rooms.grid.cells_of(middle[0, near], middle[1, near])]]
    corners = corners.take(near, axis=2)
    turns = np.arange(TURNS) * 2.0 * np.pi / TURNS
    ways = [(0.0, 0.0, 0.0)]
    for lean_deg in np.arange(1, RINGS + 1) * WITHIN_DEG / RINGS:
        slope = math.tan(math.radians(lean_deg))
        ways += [
            (float(lean_deg), slope * math.cos(turn), slope * math.sin(turn)) for turn in turns
        ]
    areas = _areas(corners, middle[:, near])
    facing = areas[:, 2] - np.array(ways)[:, 1:] @ -areas[:, :2].T  # (ways, grains), along the way
    order = np.argsort(np.maximum(-facing, 0.0).sum(axis=1), kind="stable")
    straight_ml = under_ml(corners, base, rooms.grid.pitch_mm)
    least_ml, least = straight_ml, ways[0]
    for k in [k for k in order if k][:TRIED]:
        ml = under_ml(corners, base, rooms.grid.pitch_mm, ways[k][1:])
        if ml < least_ml:
            least_ml, least = ml, ways[k]
    if straight_ml - least_ml < max(LESS_ML, LESS_SHARE * straight_ml):
        return None, least_ml
    toward = clock.centre_mm + np.array(least[1:])
    hour = int(clock.hours(*toward))
    return WayOut(lean_deg=least[0], hour=hour, ml=least_ml), least_ml


def _areas(corners: Floats, middle: Floats) -> Floats:
    """Sum area vectors, (g, 3), over grains of the surface."""
    (ax, ay, az), (bx, by, bz) = (corners[:, k] - corners[:, 0] for k in (1, 2))
    area = 0.5 * np.stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx])
    grain = np.floor((middle - middle.min(axis=1, keepdims=True)) / GRAIN_MM).astype(np.int64)
    sizes = grain.max(axis=1, initial=0) + 1
    name = np.ravel_multi_index(tuple(grain), tuple(sizes))
    sums = np.stack([np.bincount(name, part) for part in area], axis=1)
    return np.asarray(sums[sums.any(axis=1)])


def under_ml(
    corners: Floats, base: BasePlane, pitch_mm: float, slope: tuple[float, float] = (0.0, 0.0)
) -> float:
    """Measure the room under roofs along a way that leans by slopes in x and y, by columns.

    `corners` (3, 3, n) of the cavity's surface below the base line; a shear makes the way upright.
    """
    height = base.heights_mm(*corners)
    sheared = np.stack([corners[0] - slope[0] * height, corners[1] - slope[1] * height, height])
    grid = grid_over(sheared[0].ravel(), sheared[1].ravel(), pitch_mm)
    columns = cut_columns(sheared.take(_roofed(sheared, grid), axis=2), grid)
    same = (columns.cell[1:] == columns.cell[:-1]) & columns.up[:-1] & ~columns.up[1:]
    deep_mm = (np.minimum(columns.z_mm[1:], 0.0) - columns.z_mm[:-1])[same]
    return float(np.maximum(deep_mm, 0.0).sum()) * pitch_mm**2 / 1000.0


def _roofed(corners: Floats, grid: Grid) -> Ints:
    """Choose the triangles, (k,), that may cross a column in which one faces down."""
    (ax, ay), (bx, by) = (corners[:2, k] - corners[:2, 0] for k in (1, 2))
    down = cut_columns(corners.take(np.flatnonzero(ax * by < ay * bx), axis=2), grid)
    roofs = np.zeros((grid.shape[0] + 1, grid.shape[1] + 1), dtype=np.int64)
    roofs[1:, 1:].flat[np.unique(down.cell)] = 1
    roofs = roofs.cumsum(axis=0).cumsum(axis=1)
    (i, i_to), (j, j_to) = (
        [
            np.ceil((end(corners[axis], axis=0) - grid.low_mm[axis]) / grid.pitch_mm).astype(int)
            for end in (np.min, np.max)
        ]
        for axis in (0, 1)
    )
    return np.flatnonzero(roofs[j_to, i_to] - roofs[j, i_to] - roofs[j_to, i] + roofs[j, i])


def _slender(rooms: ReachableVoid, base: BasePlane, imprints: Imprints) -> tuple[Slender, ...]:
    """Rank the imprints by height over section modulus, each at its worst height."""
    piece = imprints.piece.ravel()[rooms.cell]
    pitch = rooms.grid.pitch_mm
    found: list[Slender] = []
    for number in range(1, len(imprints.each) + 1):
        own = np.flatnonzero((piece == number) & rooms.filled)
        if not len(own):
            continue
        floor, top = rooms.floor_mm[own] * base.upright, rooms.roof_mm[own] * base.upright
        places_mm = np.stack(rooms.grid.places_mm(rooms.cell[own]))
        sections: list[Slender] = []
        for over_mm in NECKS_MM[floor.min() + NECKS_MM < 0.0]:
            level = float(floor.min() + over_mm)
            cut = (floor < level) & (top > level)
            if not cut.any():  # under a pocket's roof, over its neighbour's floor
                continue
            places = places_mm[:, cut]
            values, axes = np.linalg.eigh(np.cov(places, bias=True))
            off = axes[:, 0] @ (places - places.mean(axis=1, keepdims=True))
            area_mm2 = float(np.count_nonzero(cut)) * pitch**2
            inertia = area_mm2 * (float(values[0]) + pitch**2 / 12.0)
            per_mm2 = float(over_mm * np.abs(off).max() / inertia)
            sections.append(
                Slender(
                    imprint=number, per_mm2=per_mm2, over_tip_mm=float(over_mm), neck_mm2=area_mm2
                )
            )
        if sections:
            found.append(max(sections, key=lambda one: one.per_mm2))
    return tuple(sorted(found, key=lambda one: -one.per_mm2))
