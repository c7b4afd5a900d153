"""Floods over maps of heights: what they reach at which level, and where two of them meet."""

import numpy as np
from skimage.morphology import reconstruction
from skimage.segmentation import watershed

from volest.cavity.columns import Bools, Ints
from volest.cavity.frame import Floats
from volest.scan.compiling import loops

LOOPS = "volest.cavity.flood_loops"


def flood_levels(floor_mm: Floats, seed: Bools) -> Floats:
    """Let water well up from the seeds until it has reached every cell.

    It is the reconstruction by erosion of the floor from the seeds (Vincent 1993; from memory):
    of all ways from a seed, over sides and corners, the one whose highest cell is lowest.

    >>> floor = np.array([[0.0, 3.0, 1.0, 5.0]])
    >>> flood_levels(floor, np.array([[True, False, False, False]]))
    array([[0., 3., 3., 5.]])
    """
    high = floor_mm.max()
    fast = loops(LOOPS)
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
    fast = loops(LOOPS)
    if fast is None:
        return np.asarray(watershed(heights_mm, markers, mask=mask)).astype(np.int64)
    labels = np.where(mask, markers, 0).astype(np.int64)
    cells, ages = (np.empty(heights_mm.size, np.int64) for _ in range(2))
    keys = np.empty(heights_mm.size)
    fast.apportioned(np.ascontiguousarray(heights_mm), labels, mask, keys, cells, ages)
    return labels
