"""The volume below the base line, two ways, and how it grows with the base line's height."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from volest.cavity.base_line import BasePlane
from volest.cavity.columns import Surface
from volest.cavity.frame import KERNELS, Floats
from volest.cavity.void import ReachableVoid
from volest.scan.compiling import in_parts, loops

CURVE_STEP_MM = 0.5
CURVE_OVER_MM = 5.0  # base lines higher than this over the rim are no first pour
CURVE_UNDER_MM = 200.0  # none is deeper; under a base line far off, the curve would not end
SLOPE_OVER_MM = 0.5
AGREED_SHARE = 0.005  # sound scans agreed within 0.001; damage that hurt either gave 0.02 or more


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Volume:
    """What the cavity holds up to the base line."""

    columns_ml: float  # from the columns
    prisms_ml: float  # from the triangles, exactly; holes count as the columns fill them
    # whether parts of the surface are missing: the columns fill them cell by cell, while the exact
    # sum and the filled cells do not quite meet at a hole's border
    holed: bool
    # what it covers at the base line's level or over it, seen along the pour axis
    footprint_mm2: float
    slope_ml_per_mm: float  # growth with the base line's height
    curve: Floats  # (k, 2) heights over the base line in mm, along its normal, and volumes in mL

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


def find_volume(corners_mm: Floats | Surface, rooms: ReachableVoid, base: BasePlane) -> Volume:
    """Measure the room below the base line; `corners_mm` (3, 3, n)."""
    floor = max(float(rooms.floor_mm.min(initial=0.0)), -CURVE_UNDER_MM)
    first, last = np.floor(floor / CURVE_STEP_MM), CURVE_OVER_MM / CURVE_STEP_MM
    height = np.arange(first, last + 1) * CURVE_STEP_MM
    step = SLOPE_OVER_MM / 2.0
    at_line, under, over, *curve = column_volumes_ml(rooms, np.append([0.0, -step, step], height))
    return Volume(
        columns_ml=float(at_line),
        prisms_ml=prism_volume_ml(corners_mm, rooms, base) + rooms.hole_ml,
        holed=bool(rooms.assumed[rooms.filled].any()),
        footprint_mm2=rooms.covered_mm2,
        slope_ml_per_mm=float(over - under) / SLOPE_OVER_MM / base.upright,
        curve=np.stack([height * base.upright, curve], axis=1),
    )


def column_volumes_ml(rooms: ReachableVoid, heights_mm: Floats) -> Floats:
    """Sum the columns up to each of some heights; `heights_mm` (k,); gives (k,)."""
    over = _over_all(rooms.floor_mm, heights_mm) - _over_all(rooms.roof_mm, heights_mm)
    return over * rooms.grid.pitch_mm**2 / 1000.0


def _over_all(ends_mm: Floats, heights_mm: Floats) -> Floats:
    """Sum how far each height lies over those of some ends, (m,), that lie below it."""
    ends_mm = np.sort(ends_mm)
    count = np.searchsorted(ends_mm, heights_mm)
    return np.asarray(count * heights_mm - np.append(0.0, np.cumsum(ends_mm))[count])


LAND_COSINE = 0.9  # a flat rim leans less than 25 degrees; a cavity's wall is steeper at its top


def prism_volume_ml(corners_mm: Floats | Surface, rooms: ReachableVoid, base: BasePlane) -> float:
    """Sum the prisms over the cavity's surface but for flat rim; `corners_mm` (3, 3, n)."""
    low, high = _reach(rooms)
    bounds = low.ravel(), high.ravel(), rooms.land_mm.ravel()
    if isinstance(corners_mm, Surface):
        surface, fast = corners_mm, loops(KERNELS)
        if fast is not None:
            plane = tuple(base.plane.tolist())
            told = (surface.backward, surface.frame.view, plane, *rooms.grid.told, bounds)

            def summed(run: slice) -> Floats:
                prisms = np.empty(run.stop - run.start)
                ends = run.start, run.stop
                count = fast.depth_sums(surface.corners, *ends, *told, LAND_COSINE, prisms)
                return prisms[:count]

            return float(np.concatenate(in_parts(summed, len(surface.triangles))).sum()) / 1000.0
        corners_mm = surface.corners_mm
    height = base.heights_mm(*corners_mm)  # (3, n)
    near = np.flatnonzero(height.min(axis=0) < 0.0)
    x, y, height = corners_mm[0][:, near], corners_mm[1][:, near], height[:, near]
    twice_area = (x[1] - x[0]) * (y[2] - y[0]) - (x[2] - x[0]) * (y[1] - y[0])
    depth, centre = _part_below(x, y, height)
    cell = rooms.grid.cells_of(centre[0], centre[1])
    low, high, land = (each[cell] for each in bounds)
    counted = (cell >= 0) & (centre[2] >= low) & (centre[2] <= high)
    over = np.flatnonzero(counted & (centre[2] > land))
    first, second = (
        np.stack([c[k, over] - c[0, over] for c in (x, y, height)], axis=1) for k in (1, 2)
    )
    whole = np.linalg.norm(np.cross(first, second), axis=1)
    counted[over] = twice_area[over] <= LAND_COSINE * whole  # what is steeper is a wall
    return float((0.5 * twice_area * depth)[counted].sum()) / 1000.0


def _part_below(x: Floats, y: Floats, height: Floats) -> tuple[Floats, tuple[Floats, ...]]:
    """Return the mean depth of each triangle's part below, over its whole area, and its centre.

    The part on the far side of the base line from a corner a is a triangle with the sides
    shortened to s and t of theirs: area share s t, centre a + (s (b - a) + t (c - a)) / 3.
    """
    depth = -height.mean(axis=0)
    centre = [values.mean(axis=0) for values in (x, y, height)]
    below = (height < 0.0).sum(axis=0)
    for count in (1, 2):
        cut = np.flatnonzero(below == count)
        # The lone corner: the one below of one, the one above of two.
        lone = (np.argmin if count == 1 else np.argmax)(height[:, cut], axis=0)
        at = [(lone + k) % 3 for k in range(3)]
        h = [height[k, cut] for k in at]
        s, t = (h[0] / (h[0] - h[k]) for k in (1, 2))
        share, lone_depth = s * t, -h[0] / 3.0
        for axis, values in enumerate((x, y, height)):
            a, b, c = (values[k, cut] for k in at)
            lone_centre = a + (s * (b - a) + t * (c - a)) / 3.0
            if count == 1:
                centre[axis][cut] = lone_centre
            else:
                rest = np.maximum(1.0 - share, 1e-12)
                centre[axis][cut] = (centre[axis][cut] - share * lone_centre) / rest
        lone_part = share * lone_depth
        depth[cut] = lone_part if count == 1 else depth[cut] - lone_part
    return depth, tuple(centre)


def _reach(rooms: ReachableVoid) -> tuple[Floats, Floats]:
    """Return the lowest and highest height at which surface in a cell bounds the cavity."""
    shape = rooms.grid.shape
    low, high = np.full(shape, np.inf), np.full(shape, -np.inf)
    cells = rooms.cell[rooms.filled]
    np.minimum.at(low.ravel(), cells, rooms.floor_mm[rooms.filled])
    np.maximum.at(high.ravel(), cells, np.minimum(rooms.roof_mm[rooms.filled], 0.0))
    low = ndimage.minimum_filter(low, size=3) - rooms.grid.pitch_mm
    high = ndimage.maximum_filter(high, size=3) + rooms.grid.pitch_mm
    high[rooms.outside] = -np.inf
    return low, high
