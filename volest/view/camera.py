"""Where the eye stands from which all of a scan is seen."""

import numpy as np

from volest.cavity.frame import Floats

VIEW_ANGLE_DEG = 23.0
ABOVE = (0.0, 0.0, 1.0)
BACK = (0.25, -1.0, 0.95)  # over the back into the opening
_ASIDE = 0.08
_REACH = 2.5  # diagonals of the scan: at that angle all of it is seen from there


def eye_and_middle(points_mm: Floats, way: tuple[float, float, float]) -> tuple[Floats, Floats]:
    """Place the eye so that all points are seen, and what it looks at, both in the drawing.

    That is a little aside, as the legend stands on the right.
    """
    middle = (points_mm.min(axis=0) + points_mm.max(axis=0)) / 2.0
    middle[0] += _ASIDE * float(np.ptp(points_mm[:, 0]))
    reach = _REACH * float(np.linalg.norm(np.ptp(points_mm, axis=0)))
    return middle + reach * np.array(way) / np.linalg.norm(way), middle
