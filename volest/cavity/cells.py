"""Sets of cells on a map: grown by their neighbours, by a reach, or to all that hangs together."""

import math

import numpy as np
from scipy import ndimage
from skimage.morphology import reconstruction
from skimage.segmentation import watershed

from volest.cavity.frame import KERNELS, Bools, Floats, Ints
from volest.scan.compiling import loops


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
        seeded = np.where(seed, floor_mm, high)
        return np.asarray(reconstruction(seeded, floor_mm, method="erosion"))
    level = np.full(floor_mm.shape, np.inf)
    cells, queue = (np.empty(floor_mm.size, np.int64) for _ in range(2))
    fast.flooded(np.ascontiguousarray(floor_mm), seed, level, np.empty(floor_mm.size), cells, queue)
    return np.asarray(np.minimum(level, high))


def divided(heights_mm: Floats, markers: Ints, mask: Bools) -> Ints:
    """Divide the cells among floods that rise from markers (watershed by flooding).

    >>> heights = np.array([[0.0, 1.0, 2.0, 1.0, 0.0]])
    >>> divided(heights, np.array([[1, 0, 0, 0, 2]]), np.ones((1, 5), dtype=bool))
    array([[1, 1, 1, 2, 2]])
    """
    fast = loops(KERNELS)
    if fast is None:
        return np.asarray(watershed(heights_mm, markers, mask=mask)).astype(np.int64)
    labels = np.where(mask, markers, 0).astype(np.int64)
    cells, ages = (np.empty(heights_mm.size, np.int64) for _ in range(2))
    keys = np.empty(heights_mm.size)
    fast.apportioned(np.ascontiguousarray(heights_mm), labels, mask, keys, cells, ages)
    return labels
