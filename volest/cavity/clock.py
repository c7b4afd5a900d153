"""Places on the rim told as on a clock: seen into the opening, 12 is the front of the arch."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull

from volest.cavity.columns import Grid
from volest.cavity.frame import Bools, Floats, Ints

HOURS = 12
ON_EDGE = 1e-9  # cells; a middle on the hull's edge is in it, however figures are rounded


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Clock:
    """A dial over the footprint.

    Parameters
    ----------
    centre_mm : ndarray
        (2,) middle of the dial, in the frame.
    front : ndarray
        (2,) unit vector from there to 12.
    """

    centre_mm: Floats
    front: Floats

    def hours(self, x_mm: Floats, y_mm: Floats) -> Ints:
        """Tell the hour at which places lie, clockwise as seen into the opening.

        `x_mm`, `y_mm` (m,); gives (m,).
        """
        x, y = x_mm - self.centre_mm[0], y_mm - self.centre_mm[1]
        ahead = x * self.front[0] + y * self.front[1]
        right = x * self.front[1] - y * self.front[0]
        hour = np.rint(np.arctan2(right, ahead) * HOURS / (2.0 * np.pi)).astype(np.int64)
        return np.asarray((hour - 1) % HOURS + 1)


def find_clock(grid: Grid, inside: Bools) -> Clock:
    """Lay the dial: an arch narrows to the front, so its outline leans out that way.

    The front is the direction of the largest skewness of the convex outline along its principal
    axes. On a quadrant, which has no front of its own, it is one of its ends.
    """
    outline = convex_outline(inside)
    x, y = (v[outline] for v in grid.centres_mm())
    centre = np.array([x.mean(), y.mean()])
    places = np.stack([x, y]) - centre[:, None]
    _, axes = np.linalg.eigh(places @ places.T)
    along = axes.T @ places
    skew = (along * along * along).mean(axis=1)
    main = int(np.argmax(np.abs(skew)))
    return Clock(centre_mm=centre, front=axes[:, main] * (1.0 if skew[main] >= 0.0 else -1.0))


def convex_outline(inside: Bools) -> Bools:
    """Fill a set of cells up to its convex hull, row by row.

    >>> convex_outline(np.array([[1, 0, 0, 0, 1]], dtype=bool)).tolist()
    [[True, True, True, True, True]]
    """
    rows = np.flatnonzero(inside.any(axis=1))
    first = inside[rows].argmax(axis=1)
    last = inside.shape[1] - 1 - inside[rows, ::-1].argmax(axis=1)
    ends = np.stack([np.tile(rows, 2), np.append(first, last)], axis=1)  # (2 rows, 2)
    corners = (ends[:, None] + np.array([[-0.5, 0], [0.5, 0], [0, -0.5], [0, 0.5]])).reshape(-1, 2)
    ring = corners[ConvexHull(corners).vertices]
    numbers = np.arange(inside.shape[0])
    low, high = _sides(ring, numbers)
    i = np.arange(inside.shape[1])
    covered = (numbers >= rows[0]) & (numbers <= rows[-1])
    within = (i >= low[:, None] - ON_EDGE) & (i <= high[:, None] + ON_EDGE)
    return np.asarray(within & covered[:, None])


def _sides(ring: Floats, rows: Ints) -> tuple[Floats, Floats]:
    """Return where a convex ring, (k, 2) of row and cell, is crossed by each row, low and high."""
    ring = np.roll(ring, -int(ring[:, 0].argmin()), axis=0)
    end = int(ring[:, 0].argmax())
    there, back = ring[: end + 1], np.vstack([ring[end:], ring[:1]])[::-1]
    one, other = (np.interp(rows, chain[:, 0], chain[:, 1]) for chain in (there, back))
    return np.minimum(one, other), np.maximum(one, other)
