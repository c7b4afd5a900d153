"""Compiled loops over samples; each does what the numpy code of its stage does, in that order."""

import numpy as np

from volest.cavity.frame import Floats
from volest.cavity.surface_loops import Point, View
from volest.scan.compiling import compiled


@compiled
def twice_areas_summed(triangles: Floats, upto: Floats) -> Point:
    """Fill in the running sum of twice the areas, (n,), and return the sum of the normals."""
    area = nx = ny = nz = 0.0
    for t in range(len(triangles)):
        x, y, z = triangles[t, 0, 0], triangles[t, 0, 1], triangles[t, 0, 2]
        ax, ay, az = triangles[t, 1, 0] - x, triangles[t, 1, 1] - y, triangles[t, 1, 2] - z
        bx, by, bz = triangles[t, 2, 0] - x, triangles[t, 2, 1] - y, triangles[t, 2, 2] - z
        i, j, k = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
        area += np.sqrt(i * i + j * j + k * k)
        upto[t] = area
        nx += i
        ny += j
        nz += k
    return nx, ny, nz


@compiled
def points_turned(points: Floats, view: View, out: Floats) -> None:
    """Bring points (3, m) into the frame, as Frame.to_frame does."""
    for m in range(points.shape[1]):
        x, y, z = points[0, m] - view[9], points[1, m] - view[10], points[2, m] - view[11]
        out[0, m] = view[0] * x + view[1] * y + view[2] * z
        out[1, m] = view[3] * x + view[4] * y + view[5] * z
        out[2, m] = view[6] * x + view[7] * y + view[8] * z
