"""Patches with which a scanner's own program closed what it had not seen.

They look like scan and are not. Such a program spans a gap with few, long triangles from border to
border; a surface that was scanned has triangles of one size, and corners amid its flat parts.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from volest.scan.checks import areas_mm2

LONG = 5.0  # times the usual longest side; whole scans of one mesh size stayed below two
LEAST_MM2 = 5.0  # a smaller patch holds next to nothing
MOST_SHARE = 0.3  # of the surface: where so much of it is long, its flat parts simply are
LEAST_TRIANGLES = 10_000  # a coarser mesh is a drawn solid, with flats of its own
USUAL = 2000  # triangles that tell what is usual


def usual_side_mm(triangles: NDArray[np.float64]) -> float:
    """Return the longest side of a usual triangle of (n, 3, 3), from some of them."""
    return float(np.median(_longest_mm(triangles[:: len(triangles) // USUAL + 1])))


def long_ones(triangles: NDArray[np.float64], usual_mm: float) -> NDArray[np.bool_]:
    """Say which triangles, (n, 3, 3), are far longer than is usual."""
    return np.asarray(_longest_mm(triangles) > LONG * usual_mm)


def find_patches(triangles: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say which triangles, (n, 3, 3), belong to patches: long ones without a corner amid them."""
    found = np.zeros(len(triangles), dtype=bool)
    numbers = np.flatnonzero(long_ones(triangles, usual_side_mm(triangles)))
    if len(numbers) == 0:
        return found
    area = areas_mm2(triangles[numbers])
    _, corner = np.unique(triangles[numbers].reshape(-1, 3), axis=0, return_inverse=True)
    faces = corner.reshape(-1, 3)
    sides = np.sort(np.stack([faces, np.roll(faces, -1, axis=1)], axis=2), axis=2).reshape(-1, 2)
    _, side, count = np.unique(sides, axis=0, return_inverse=True, return_counts=True)
    owner = np.repeat(np.arange(len(faces)), 3)
    shared = coo_array((np.ones(len(side)), (owner, side))).tocsr()
    _, patch = connected_components(shared @ shared.T, directed=False)
    at_border = np.zeros(faces.max() + 1, dtype=bool)
    at_border[sides[count[side] == 1]] = True
    amid = np.bincount(patch, (~at_border[faces]).sum(axis=1)) > 0
    large = np.bincount(patch, area) > LEAST_MM2
    # One sheet over one gap: corners - sides + faces is 1 (Euler); of a tube it is 0.
    ends = np.unique(np.stack([patch[owner], faces.ravel()], axis=1), axis=0)[:, 0]
    edges = np.unique(np.stack([patch[owner], side], axis=1), axis=0)[:, 0]
    sheet = np.bincount(ends) - np.bincount(edges) + np.bincount(patch) == 1
    found[numbers] = (large & ~amid & sheet)[patch]
    return found


def _longest_mm(triangles: NDArray[np.float64]) -> NDArray[np.float64]:
    corners = np.ascontiguousarray(triangles.transpose(2, 1, 0))  # sums over long rows are fast
    sides = corners - corners[:, [1, 2, 0]]
    return np.asarray(np.sqrt((sides * sides).sum(axis=0).max(axis=0)))
