"""Sets of cells on a map: grown by their neighbours, by a reach, or to all that hangs together."""

import numpy as np
from scipy import ndimage

from volest.cavity.columns import Bools
from volest.scan.compiling import loops

MAP_LOOPS = "volest.cavity.map_loops"


def grown(cells: Bools, *, corners: bool = False) -> Bools:
    """Add to a set of cells those that touch one of it.

    The dilation of morphology by the smallest structure; written out because a general one takes
    ten times as long on maps of this size.

    >>> grown(np.array([[1, 0, 0], [0, 0, 0]], dtype=bool)).astype(int)
    array([[1, 1, 0],
           [1, 0, 0]])
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
    """Add to a set of cells those whose middles lie no farther than a reach from one of it.

    >>> within(np.array([[1, 0, 0, 0]], dtype=bool), 2.0).astype(int)
    array([[1, 1, 1, 0]])
    """
    fast = loops(MAP_LOOPS)
    if fast is not None:
        near = np.zeros_like(cells)
        fast.within(cells, reach, near)
        return near
    if not cells.any():  # from nowhere there is no distance
        return cells.copy()
    return np.asarray(ndimage.distance_transform_edt(~cells) <= reach)


def joined(seeds: Bools, cells: Bools) -> Bools:
    """Choose of a set the cells that hang together, by sides, with one of some seeds.

    >>> cells = np.array([[1, 1, 0, 1]], dtype=bool)
    >>> joined(np.array([[1, 0, 0, 0]], dtype=bool), cells).astype(int)
    array([[1, 1, 0, 0]])
    """
    names, count = ndimage.label(cells)
    chosen = np.zeros(count + 1, dtype=bool)
    chosen[names[seeds]] = True
    chosen[0] = False
    return np.asarray(chosen[names])
