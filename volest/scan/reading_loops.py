"""Compiled loops of reading; each does what the numpy code beside its call does."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from volest.scan.checks import DIGEST, MIXER
from volest.scan.compiling import compiled

Floats = NDArray[np.float64]
BLOCK = 256  # triangles at a time: what is worked out of them stays in the nearest cache


@compiled
def look_over(
    block: NDArray[Any],
    first: int,
    factor: float,
    reach: float,
    out: tuple[Floats, Floats, NDArray[np.uint32]],
) -> tuple[int, int]:
    """Write corners, (3, 3, n), areas and digests, (n,), of triangles, (b, 3, 3), from one on.

    Returns how many of them have a coordinate that is no number within a reach of zero, and how
    many corners lie at exactly 0, 0, 0.
    """
    far = zeros = 0
    for begin in range(0, len(block), BLOCK):
        end = min(begin + BLOCK, len(block))
        for t in range(begin, end):
            for corner in range(3):
                for axis in range(3):
                    out[0][axis, corner, first + t] = block[t, corner, axis] * factor
        found = measured(first + begin, first + end, reach, out)
        far += found[0]
        zeros += found[1]
    return far, zeros


@compiled
def measured(
    begin: int, end: int, reach: float, out: tuple[Floats, Floats, NDArray[np.uint32]]
) -> tuple[int, int]:
    """Do the second half of `look_over`, in which the compiler takes several triangles at once."""
    far = zeros = 0
    corners, areas, keys = out
    bits = corners.view(np.uint64)
    for t in range(begin, end):
        x, y, z = corners[0, 0, t], corners[1, 0, t], corners[2, 0, t]
        p, q, r = corners[0, 1, t], corners[1, 1, t], corners[2, 1, t]
        s, u, v = corners[0, 2, t], corners[1, 2, t], corners[2, 2, t]
        near = (abs(x) <= reach) & (abs(y) <= reach) & (abs(z) <= reach)
        near &= (abs(p) <= reach) & (abs(q) <= reach) & (abs(r) <= reach)
        near &= (abs(s) <= reach) & (abs(u) <= reach) & (abs(v) <= reach)
        far += 0 if near else 1
        zeros += 1 if (x == 0.0) & (y == 0.0) & (z == 0.0) else 0
        zeros += 1 if (p == 0.0) & (q == 0.0) & (r == 0.0) else 0
        zeros += 1 if (s == 0.0) & (u == 0.0) & (v == 0.0) else 0
        ax, ay, az, bx, by, bz = p - x, q - y, r - z, s - x, u - y, v - z
        i, j, k = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
        areas[t] = 0.5 * np.sqrt(i * i + j * j + k * k)
        key = bits[0, 0, t] ^ (bits[1, 0, t] >> ONE) ^ (bits[2, 0, t] >> TWO)
        key ^= (bits[0, 1, t] ^ (bits[1, 1, t] >> ONE) ^ (bits[2, 1, t] >> TWO)) * DIGEST
        key ^= (bits[0, 2, t] ^ (bits[1, 2, t] >> ONE) ^ (bits[2, 2, t] >> TWO)) * MIXER
        keys[t] = key ^ (key >> HALF)
    return far, zeros


ONE, TWO, HALF = np.uint64(1), np.uint64(2), np.uint64(32)
