"""Air that stays: undercuts that rise above their only way out, as the tray stands for the pour.

Air only rises. From a roofed stretch of a column it leaves to a neighbour through the heights both
share, at most at the lower of the two roofs. Of all ways to the open the best is the one whose
lowest passage is highest; a maximum spanning tree holds them all. What lies under a roof above
that passage stays air.
"""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order, minimum_spanning_tree

from volest.cavity.columns import Ints
from volest.cavity.frame import Floats
from volest.cavity.rooms import Rooms, neighbours

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


def find_air(rooms: Rooms) -> Air:
    """Find the air that stays under roofs."""
    cell, floor = rooms.cell[rooms.filled], rooms.floor_mm[rooms.filled]
    top = np.minimum(rooms.roof_mm[rooms.filled], 0.0)
    if not (top < 0.0).any():
        return Air(trapped_ml=0.0, place_mm=None)
    passage = _best_passage_mm(rooms, cell, floor, top)
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


def _best_passage_mm(rooms: Rooms, cell: Ints, floor: Floats, top: Floats) -> Floats:
    """Return, for each stretch, the lowest height on its best way to the open."""
    a, b = neighbours(rooms.grid, cell, floor, top)
    # Open stretches are the sky's own: what joins two of them says nothing about air.
    roofed = (top[a] < 0.0) | (top[b] < 0.0)
    a, b = a[roofed], b[roofed]
    open_ends = np.unique(np.concatenate([a[top[a] >= 0.0], b[top[b] >= 0.0]]))
    sky = np.full(len(open_ends), len(cell))
    a, b = np.concatenate([a, open_ends]), np.concatenate([b, sky])
    passage = np.minimum(np.append(top, 0.0)[a], np.append(top, 0.0)[b])
    size = (len(cell) + 1, len(cell) + 1)
    ends = (a.astype(np.int32), b.astype(np.int32))  # scipy before 1.17.1 takes no others here
    # Weights must be positive: a passage at the base line weighs 1, each mm deeper one more.
    tree = minimum_spanning_tree(coo_array((1.0 - passage, ends), shape=size).tocsr())
    _, before = breadth_first_order(tree, len(cell), directed=False)
    before = np.where(before < 0, len(cell), before)  # the sky itself
    tops = np.append(top, 0.0)
    lowest = np.minimum(tops, tops[before])
    while (before != len(cell)).any():  # each turn doubles the way that is looked back
        lowest = np.minimum(lowest, lowest[before])
        before = before[before]
    return np.asarray(lowest[:-1])
