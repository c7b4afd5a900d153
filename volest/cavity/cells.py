"""Sets of cells on a map: grown by their neighbours, by a reach, or to all that hangs together."""

import math
from heapq import heapify, heappop, heappush
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from volest.cavity.frame import KERNELS, Bools, Floats, Ints
from volest.scan.compiling import loops

ROUND = ((-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1))


def grown(cells: Bools, *, corners: bool = False) -> Bools:
    """Add to a set of cells those that touch one of it.

    The dilation of morphology by the smallest structure; written out because a general one takes
    ten times as long on maps of this size.
    """
    across = cells.copy()
    across[:, 1:] |= cells[:, :-1]
    across[:, :-1] |= cells[:, 1:]
    more = across.copy()
    carried = across if corners else cells
    more[1:] |= carried[:-1]
    more[:-1] |= carried[1:]
    return more


def within(cells: Bools, reach: float) -> Bools:
    """Add to a set of cells those whose middles lie no farther than a reach from one of it."""
    if 1.0 <= reach < math.sqrt(2.0):  # as on coarse maps: only what touches by a side is so near
        return grown(cells)
    fast = loops(KERNELS)
    if fast is not None:
        near = np.zeros_like(cells)
        fast.within(cells, reach, near)
        return near
    if not cells.any():  # from nowhere there is no distance
        return cells.copy()
    return np.asarray(ndimage.distance_transform_edt(~cells) <= reach)


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
    high = floor_mm.max()
    fast = loops(KERNELS)
    if fast is None:
        return np.asarray(np.minimum(_levels(floor_mm, seed), high))
    level = np.full(floor_mm.shape, np.inf)
    fast.flooded(np.ascontiguousarray(floor_mm), seed, level)
    return np.asarray(np.minimum(level, high))


def _levels(floor_mm: Floats, seed: Bools) -> Floats:
    """Flood basin by basin: water that has come into one fills it to its lowest way in."""
    sides = _about(floor_mm, np.inf)
    here = np.arange(floor_mm.size).reshape(floor_mm.shape)
    lowest, lower_side = floor_mm, here
    for side, (j, i) in zip(sides, ROUND, strict=True):
        step = j * floor_mm.shape[1] + i
        lower = side < lowest if step > 0 else side <= lowest  # of equals the first: no way round
        lowest = np.where(lower, side, lowest)
        lower_side = np.where(lower, here + step, lower_side)
    down = lower_side.ravel()
    while not np.array_equal(down, twice := down[down]):  # each turn doubles the way down
        down = twice
    bottoms, basin = np.unique(down, return_inverse=True)
    basin, count = basin.reshape(floor_mm.shape), len(bottoms)
    pairs, passes = [], []
    for side, name in zip(sides[:4], _about(basin, -1)[:4], strict=True):  # the others see the same
        apart = (name >= 0) & (name != basin)
        both = name[apart], basin[apart]
        pairs.append(np.minimum(*both) * count + np.maximum(*both))
        passes.append(np.maximum(side[apart], floor_mm[apart]))
    pair, pass_mm = np.concatenate(pairs), np.concatenate(passes)
    order = np.argsort(pass_mm)
    pair, first = np.unique(pair[order], return_index=True)  # the lowest pass of each
    ways: list[list[tuple[float, int]]] = [[] for _ in range(count)]
    for which, way_mm in zip(pair.tolist(), pass_mm[order][first].tolist(), strict=True):
        for one, other in (divmod(which, count), divmod(which, count)[::-1]):
            ways[one].append((way_mm, other))
    begin = np.full(count, np.inf)
    np.minimum.at(begin, basin[seed], floor_mm[seed])
    level = begin.tolist()
    heap = sorted((at, pool) for pool, at in enumerate(level) if at < np.inf)
    while heap:
        at, pool = heappop(heap)
        for way_mm, further in ways[pool] if at == level[pool] else ():
            if max(at, way_mm) < level[further]:
                level[further] = max(at, way_mm)
                heappush(heap, (level[further], further))
    return np.asarray(np.maximum(floor_mm, np.array(level)[basin]))


def _about(values: NDArray[Any], beyond: float) -> list[NDArray[Any]]:
    """Return maps of the eight neighbours' values, in the order of ROUND."""
    rows, width = values.shape
    wide = np.full((rows + 2, width + 2), beyond, values.dtype)  # np.pad takes ten times as long
    wide[1:-1, 1:-1] = values
    return [wide[1 + j : 1 + j + rows, 1 + i : 1 + i + width] for j, i in ROUND]


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
    width, fast = free.shape[1], loops(KERNELS)
    if fast is not None:
        fast.apportioned(*flat, width)
        return names[1:-1, 1:-1]
    height, is_free, name, start = (each.tolist() for each in flat)
    apportioned(height, is_free, name, start, width)
    return np.array(name).reshape(-1, width)[1:-1, 1:-1]


def apportioned(heights: Any, free: Any, names: Any, starts: Any, width: int) -> None:
    """Let names grow from starts over free cells, the lowest first and the earlier of equals.

    All are flat, of rows so wide, and a border round them is not free; lists are quicker than
    arrays where this is not compiled. Four neighbours (Vincent and Soille 1991; from memory).
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
