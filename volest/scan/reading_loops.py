"""Compiled loops of reading; each does what the numpy code beside its call does."""

import numpy as np
from numpy.typing import NDArray

from volest.scan.compiling import compiled

Floats = NDArray[np.float64]


@compiled
def all_within(triangles: Floats, reach: float) -> bool:
    """Whether all coordinates, (n, 3, 3), are numbers within a reach of zero."""
    far = 0
    flat = triangles.ravel()
    for k in range(len(flat)):
        far += 0 if abs(flat[k]) <= reach else 1
    return far == 0


@compiled
def write_areas(triangles: Floats, areas: Floats) -> float:
    """Write the areas, (n,), of triangles, (n, 3, 3), and return their sum.

    The sum keeps the compiler from gathering corners of several triangles at once, which is six
    times slower.
    """
    total = 0.0
    for t in range(triangles.shape[0]):
        x, y, z = triangles[t, 0, 0], triangles[t, 0, 1], triangles[t, 0, 2]
        ax, ay, az = triangles[t, 1, 0] - x, triangles[t, 1, 1] - y, triangles[t, 1, 2] - z
        bx, by, bz = triangles[t, 2, 0] - x, triangles[t, 2, 1] - y, triangles[t, 2, 2] - z
        i, j, k = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
        total += np.sqrt(i * i + j * j + k * k)
        areas[t] = 0.5 * np.sqrt(i * i + j * j + k * k)
    return total
