"""How a cavity stands for looking: right is right, the front is ahead, out of the opening is up."""

from dataclasses import dataclass

import numpy as np

from volest.cavity.base_line import BasePlane
from volest.cavity.clock import Clock
from volest.cavity.frame import Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stand:
    """The frame of drawings: x to the right, y to the front, z up, 0 in the middle of the dial.

    Parameters
    ----------
    turn : ndarray
        (3, 3) its axes in the cavity's frame, one a row.
    middle_mm : ndarray
        (3,) its origin there.
    """

    turn: Floats
    middle_mm: Floats

    def drawn(self, points_mm: Floats) -> Floats:
        """Bring points from the cavity's frame into the drawing.

        Parameters
        ----------
        points_mm : ndarray
            (n, 3) in the cavity's frame.

        Returns
        -------
        ndarray
            (n, 3) in the drawing.
        """
        return np.asarray((points_mm - self.middle_mm) @ self.turn.T)

    def undrawn(self, points_mm: Floats) -> Floats:
        """Bring points from the drawing back into the cavity's frame.

        Parameters
        ----------
        points_mm : ndarray
            (n, 3) in the drawing.

        Returns
        -------
        ndarray
            (n, 3) in the cavity's frame.
        """
        return np.asarray(points_mm @ self.turn + self.middle_mm)


def on_base_line(base: BasePlane, points_mm: Floats) -> Floats:
    """Move points along z onto the base line.

    Parameters
    ----------
    base : BasePlane
        The base line.
    points_mm : ndarray
        (n, 2) or (n, 3) in the cavity's frame; x and y count.

    Returns
    -------
    ndarray
        (n, 3) there too.
    """
    x, y = points_mm[:, 0], points_mm[:, 1]
    return np.stack([x, y, base.level_mm(x, y)], axis=1)


def stand_of(clock: Clock, base: BasePlane) -> Stand:
    """Stand a cavity so that its dial is upright and its base line passes through the origin.

    Parameters
    ----------
    clock : Clock
        The dial; 12 becomes the front.
    base : BasePlane
        The base line.

    Returns
    -------
    Stand
        The frame of drawings.
    """
    ahead_x, ahead_y = (float(v) for v in clock.front)
    return Stand(
        turn=np.array([[ahead_y, -ahead_x, 0.0], [ahead_x, ahead_y, 0.0], [0.0, 0.0, 1.0]]),
        middle_mm=on_base_line(base, np.array([clock.centre_mm]))[0],
    )
