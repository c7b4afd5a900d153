"""The volume below the base line, two ways, and how it grows with the base line's height."""

from dataclasses import dataclass

import numpy as np

from volest.cavity.base_line import BasePlane
from volest.cavity.frame import Floats
from volest.cavity.prisms import prism_volume_ml
from volest.cavity.rooms import Rooms
from volest.cavity.surface import Surface

CURVE_STEP_MM = 0.5
CURVE_OVER_MM = 5.0  # base lines higher than this over the rim are no first pour
CURVE_UNDER_MM = (
    200.0  # no impression is deeper; under a base line far off, the curve would not end
)
SLOPE_OVER_MM = 0.5
AGREED_SHARE = 0.005  # sound scans agreed within 0.001; damage that hurt either gave 0.02 or more


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Volume:
    """What the cavity holds up to the base line.

    Parameters
    ----------
    columns_ml : float
        From the columns.
    prisms_ml : float
        From the triangles, exactly; holes count as the columns fill them.
    holed : bool
        Whether parts of the surface are missing: the columns fill them cell by cell, while the
        exact sum and the filled cells do not quite meet at a hole's border.
    footprint_mm2 : float
        What it covers at the base line's level or over it, seen along the pour axis.
    slope_ml_per_mm : float
        Growth with the base line's height.
    curve : ndarray
        (k, 2) heights over the base line in mm, along its normal, and volumes in mL.
    """

    columns_ml: float
    prisms_ml: float
    holed: bool
    footprint_mm2: float
    slope_ml_per_mm: float
    curve: Floats

    @property
    def disagreement_ml(self) -> float:
        """How far the two ways are apart."""
        return abs(self.columns_ml - self.prisms_ml)

    @property
    def agreed(self) -> bool:
        """Whether the two ways give the same, but for the pitch."""
        return self.disagreement_ml <= AGREED_SHARE * self.columns_ml

    @property
    def best_ml(self) -> float:
        """The exact sum, or the columns where the exact sum cannot be trusted."""
        return self.prisms_ml if self.agreed and not self.holed else self.columns_ml


def find_volume(corners_mm: Floats | Surface, rooms: Rooms, base: BasePlane) -> Volume:
    """Measure the room below the base line.

    `corners_mm` (3, 3, n).
    """
    columns_ml = float(column_volumes_ml(rooms, np.zeros(1))[0])
    floor = max(float(rooms.floor_mm.min(initial=0.0)), -CURVE_UNDER_MM)
    first, last = np.floor(floor / CURVE_STEP_MM), CURVE_OVER_MM / CURVE_STEP_MM
    height = np.arange(first, last + 1) * CURVE_STEP_MM
    step = SLOPE_OVER_MM / 2.0
    under, over = column_volumes_ml(rooms, np.array([-step, step]))
    return Volume(
        columns_ml=columns_ml,
        prisms_ml=prism_volume_ml(corners_mm, rooms, base) + rooms.hole_ml,
        holed=bool(rooms.assumed[rooms.filled].any()),
        footprint_mm2=rooms.covered_mm2,
        slope_ml_per_mm=float(over - under) / SLOPE_OVER_MM / base.upright,
        curve=np.stack([height * base.upright, column_volumes_ml(rooms, height)], axis=1),
    )


def column_volumes_ml(rooms: Rooms, heights_mm: Floats) -> Floats:
    """Sum the columns up to each of some heights.

    `heights_mm` (k,); gives (k,).
    """
    area_mm2 = rooms.grid.pitch_mm**2
    filled, part = [], np.empty_like(rooms.floor_mm)  # one array for all heights
    for height in heights_mm:
        np.minimum(rooms.roof_mm, height, out=part)
        np.subtract(part, rooms.floor_mm, out=part)
        filled.append(np.maximum(part, 0.0, out=part).sum())
    return np.array(filled) * area_mm2 / 1000.0
