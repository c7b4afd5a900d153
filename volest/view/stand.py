"""How a cavity stands for looking: right is right, the front is ahead, out of the opening is up."""

from dataclasses import dataclass

import numpy as np

from volest.cavity.base_line import BasePlane
from volest.cavity.clock import Clock
from volest.cavity.frame import Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stand:
    """The frame of drawings: x to the right, y to the front, z up, 0 in the middle of the dial.

    Its axes are the rows of `turn`, its origin is `middle_mm`, both in the cavity's frame.
    """

    turn: Floats
    middle_mm: Floats

    def drawn(self, points_mm: Floats) -> Floats:
        """Bring points (n, 3) from the cavity's frame into the drawing."""
        return np.asarray((points_mm - self.middle_mm) @ self.turn.T)

    def undrawn(self, points_mm: Floats) -> Floats:
        """Bring points (n, 3) from the drawing back into the cavity's frame."""
        return np.asarray(points_mm @ self.turn + self.middle_mm)


def on_base_line(base: BasePlane, points_mm: Floats) -> Floats:
    """Move points, (n, 2) or (n, 3) in the cavity's frame, along z onto the base line."""
    x, y = points_mm[:, 0], points_mm[:, 1]
    return np.stack([x, y, base.level_mm(x, y)], axis=1)


def stand_of(clock: Clock, base: BasePlane) -> Stand:
    """Stand a cavity with 12 of its dial to the front and its base line through the origin."""
    ahead_x, ahead_y = (float(v) for v in clock.front)
    return Stand(
        turn=np.array([[ahead_y, -ahead_x, 0.0], [ahead_x, ahead_y, 0.0], [0.0, 0.0, 1.0]]),
        middle_mm=on_base_line(base, np.array([clock.centre_mm]))[0],
    )
