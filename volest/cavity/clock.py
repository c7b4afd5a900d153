"""Places on the rim told as on a clock: seen into the opening, 12 is the front of the arch."""

from dataclasses import dataclass

import numpy as np
from skimage.morphology import convex_hull_image

from volest.cavity.columns import Bools, Grid, Ints
from volest.cavity.frame import Floats

HOURS = 12


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

        Parameters
        ----------
        x_mm, y_mm : ndarray
            (m,) places in the frame.

        Returns
        -------
        ndarray
            (m,) hours, 1 to 12.
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

    Parameters
    ----------
    grid : Grid
        The cells.
    inside : ndarray
        The footprint.

    Returns
    -------
    Clock
        The dial.
    """
    outline = convex_hull_image(inside)
    x, y = (v[outline] for v in grid.centres_mm())
    centre = np.array([x.mean(), y.mean()])
    places = np.stack([x, y]) - centre[:, None]
    _, axes = np.linalg.eigh(places @ places.T)
    skew = ((axes.T @ places) ** 3).mean(axis=1)
    main = int(np.argmax(np.abs(skew)))
    return Clock(centre_mm=centre, front=axes[:, main] * (1.0 if skew[main] >= 0.0 else -1.0))
