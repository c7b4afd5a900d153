"""Compiled loops of reading; each does what the numpy code beside its call does."""

import numpy as np
from numpy.typing import NDArray

from volest.scan.checks import DIGEST
from volest.scan.compiling import compiled

Floats = NDArray[np.float64]
ONE, HALF = np.uint64(1), np.uint64(32)


@compiled
def look_over(
    triangles: Floats, reach: float, areas: Floats, keys: NDArray[np.uint32]
) -> tuple[int, int]:
    """Write areas and digests, (n,), of triangles, (n, 3, 3).

    Returns how many coordinates are no numbers within a reach of zero, and how many x are zero.
    """
    far = level = 0
    bits = triangles.view(np.uint64)
    for t in range(triangles.shape[0]):
        for corner in range(3):
            level += triangles[t, corner, 0] == 0.0
            for axis in range(3):
                far += 0 if abs(triangles[t, corner, axis]) <= reach else 1
        x, y, z = triangles[t, 0, 0], triangles[t, 0, 1], triangles[t, 0, 2]
        ax, ay, az = triangles[t, 1, 0] - x, triangles[t, 1, 1] - y, triangles[t, 1, 2] - z
        bx, by, bz = triangles[t, 2, 0] - x, triangles[t, 2, 1] - y, triangles[t, 2, 2] - z
        i, j, k = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
        areas[t] = 0.5 * np.sqrt(i * i + j * j + k * k)
        key = bits[t, 0, 0] ^ (bits[t, 1, 1] * DIGEST) ^ (bits[t, 2, 2] >> ONE)
        keys[t] = key ^ (key >> HALF)
    return far, level
