"""The plane on which a body would rest: under all its points, and highest below a place."""

import numpy as np

from volest.cavity.frame import Floats

AROUND = 1e3  # times the points' spread: corners of the triangle that the search begins with
OVER = 1e6  # times it: so high that they bear nothing once three points do
ROUNDING_MM = 1e-9  # over the plane by less than figures are rounded
MOST_STEPS = 1000  # some twenty were enough for arches


def resting_plane(points_mm: Floats, place_mm: Floats) -> Floats | None:
    """Find the plane under all points that is highest over a place.

    It is the facet of their lower convex hull there. The simplex method on its linear programme:
    a triangle of points round the place bears the plane; the point that lies lowest under it takes
    the place of the corner that leaves the place inside (Dantzig; from memory).

    `points_mm` (3, m); `place_mm` (2,); gives (3,).

    >>> x = np.array([0.0, 4.0, 0.0, 1.0])
    >>> y = np.array([0.0, 0.0, 4.0, 1.0])
    >>> z = np.array([1.0, 5.0, 9.0, 10.0])
    >>> np.round(resting_plane(np.stack([x, y, z]), np.array([1.0, 1.0])), 9)
    array([1., 2., 1.])
    """
    x, y, z = points_mm[0] - place_mm[0], points_mm[1] - place_mm[1], points_mm[2]
    spread = float(max(np.ptp(x), np.ptp(y), np.ptp(z), ROUNDING_MM))
    turns = 2.0 * np.pi * np.arange(3) / 3.0
    bearing = np.stack([np.cos(turns), np.sin(turns), np.full(3, OVER / AROUND)], axis=1)
    bearing *= AROUND * spread  # (3, 3), a point a row
    which = np.full(3, -1)
    for _ in range(MOST_STEPS):
        corners = np.column_stack([bearing[:, :2], np.ones(3)])
        a, b, c = np.linalg.solve(corners, bearing[:, 2])
        over = z - (a * x + b * y + c)
        lowest = int(np.argmin(over))
        if over[lowest] >= -ROUNDING_MM:
            break
        # Shares of the corners in the place, and in the new point.
        ours, its = np.linalg.solve(corners.T, [[0.0, x[lowest]], [0.0, y[lowest]], [1.0, 1.0]]).T
        leaves = int(np.argmin(np.where(its > 0.0, ours / np.where(its > 0.0, its, 1.0), np.inf)))
        bearing[leaves], which[leaves] = (x[lowest], y[lowest], z[lowest]), lowest
    else:
        return None
    if (which < 0).any():
        return None
    return np.array([a, b, c - a * place_mm[0] - b * place_mm[1]])
