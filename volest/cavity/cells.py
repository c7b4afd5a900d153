"""Sets of cells on a map, grown by a reach or to all that hangs together, and floods over maps."""

import math
from heapq import heapify, heappop, heappush
from typing import Any

import numpy as np
from scipy import ndimage

from volest.cavity.frame import KERNELS, Bools, Floats, Ints
from volest.scan.compiling import loops


def grown(cells: Bools, *, corners: bool = False) -> Bools:
    """Add to a set of cells those that touch one of it, by a side or, if wanted, a corner."""
    return within(cells, 1.5 if corners else 1.0)


def within(cells: Bools, reach: float) -> Bools:
    """Add to a set of cells those whose middles lie no farther than a reach from one of it.

    A disc is laid on row by row, from its narrow ends to its middle; the general ways of
    morphology, and distances, take ten times as long and more on maps of this size.
    """
    near, row, far = cells.copy(), cells.copy(), 0
    for away in range(min(int(reach), len(cells) - 1), -1, -1):
        while math.sqrt(away**2 + (far + 1) ** 2) <= reach:
            far += 1
            row[:, far:] |= cells[:, :-far]
            row[:, :-far] |= cells[:, far:]
        near[away:] |= row[: len(cells) - away]
        near[: len(cells) - away] |= row[away:]
    return near


def joined(seeds: Bools, cells: Bools) -> Bools:
    """Choose of a set the cells that hang together, by sides, with one of some seeds."""
    names, count = ndimage.label(cells)
    chosen = np.zeros(count + 1, dtype=bool)
    chosen[names[seeds]] = True
    chosen[0] = False
    return np.asarray(chosen[names])


def flood_levels(floor_mm: Floats, seed: Bools) -> Floats:
    """Let water well up from the seeds until it has reached every cell.

    It is the reconstruction by erosion of the floor from the seeds (Vincent 1993; from memory):
    of all ways from a seed, over sides and corners, the one whose highest cell is lowest.

    >>> floor = np.array([[0.0, 3.0, 1.0, 5.0]])
    >>> flood_levels(floor, np.array([[True, False, False, False]]))
    array([[0., 3., 3., 5.]])
    """
    fast = loops(KERNELS)
    if fast is not None:
        level: Floats = np.full(floor_mm.shape, np.inf)
        fast.flooded(np.ascontiguousarray(floor_mm), seed, level)
        return np.asarray(np.minimum(level, floor_mm.max()))
    # Basin by basin: water that has come into one fills it to its lowest way in.
    width = floor_mm.shape[1] + 1  # one spare cell a row, so that no step leads into another row
    floor = np.hstack([floor_mm, np.full((len(floor_mm), 1), np.inf)]).ravel()
    steps = (1, width - 1, width, width + 1)
    here = np.arange(floor.size)
    lowest, down = floor.copy(), here.copy()
    for step in steps:
        ahead, behind = np.s_[step:], np.s_[:-step]
        # Of equals down to the one that comes first: so no way goes round.
        for side, cell, is_lower in ((ahead, behind, np.less), (behind, ahead, np.less_equal)):
            lower = is_lower(floor[side], lowest[cell])
            np.copyto(lowest[cell], floor[side], where=lower)
            np.copyto(down[cell], here[side], where=lower)
    while not np.array_equal(down, twice := down[down]):  # each turn doubles the way down
        down = twice
    passes = []
    for step in steps:
        at = np.flatnonzero(down[:-step] != down[step:])
        passes.append((down[at], down[at + step], np.maximum(floor[at], floor[at + step])))
    bottom = down.reshape(-1, width)[:, :-1]
    level = np.full(floor.size, np.inf)
    np.minimum.at(level, bottom[seed], floor_mm[seed])
    level = lowest_ways(level, *map(np.concatenate, zip(*passes, strict=True)))[bottom]
    return np.asarray(np.clip(level, floor_mm, floor_mm.max()))


def lowest_ways(level: Floats, a: Ints, b: Ints, way: Floats) -> Floats:
    """Lower levels, (n,), to what comes from others over ways so high between a and b, (p,).

    Round by round, as many as basins lie on the longest way: some tens on scans of impressions.
    """
    one, other, way = np.append(a, b), np.append(b, a), np.append(way, way)
    news = np.isfinite(level)
    while news.any():
        told = np.flatnonzero(news[one])
        lowered = level.copy()
        np.minimum.at(lowered, other[told], np.maximum(level[one[told]], way[told]))
        news, level = lowered < level, lowered
    return level


def divided(heights_mm: Floats, markers: Ints, mask: Bools) -> Ints:
    """Divide the cells among floods that rise from markers (watershed by flooding).

    >>> heights = np.array([[0.0, 1.0, 2.0, 1.0, 0.0]])
    >>> divided(heights, np.array([[1, 0, 0, 0, 2]]), np.ones((1, 5), dtype=bool))
    array([[1, 1, 1, 2, 2]])
    """
    names = np.pad(np.where(mask, markers, 0).astype(np.int64), 1)
    free = np.pad(mask, 1) & (names == 0)
    starts = np.flatnonzero((names > 0) & grown(free))
    flat = [each.ravel() for each in (np.pad(heights_mm, 1), free, names, starts)]
    fast = loops(KERNELS)
    if fast is not None:
        fast.apportioned(*flat, free.shape[1])
    else:
        height, is_free, name, start = (each.data for each in flat)
        apportioned(height, is_free, name, start, free.shape[1])
    return names[1:-1, 1:-1]


def apportioned(heights: Any, free: Any, names: Any, starts: Any, width: int) -> None:
    """Let names grow from starts over free cells, the lowest first and the earlier of equals.

    All are flat, of rows so wide, and a border round them is not free; views of memory are quicker
    than arrays where this is not compiled. Four neighbours (Vincent and Soille 1991; from memory).
    """
    heap = [(heights[cell], age, cell) for age, cell in enumerate(starts)]
    heapify(heap)
    age = len(heap)
    while len(heap) > 0:
        _, _, cell = heappop(heap)
        for beside in (cell - width, cell - 1, cell + 1, cell + width):
            if free[beside]:
                free[beside], names[beside] = False, names[cell]
                heappush(heap, (heights[beside], age, beside))
                age += 1
