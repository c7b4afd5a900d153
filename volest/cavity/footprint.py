"""The footprint: what the cavity covers seen along the pour axis, inside of the rim's crest.

Two floods rise over the relief, one from the pits and one from where the scan falls away to the
outside; they meet on the crest. Where the scan simply ends without having passed a crest (an open
heel), the footprint ends there too: that stretch is a dam that somebody must box in.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from volest.cavity.cells import divided, flood_levels, grown
from volest.cavity.frame import Bools, Floats
from volest.cavity.height_map import HeightMap

MM3_PER_ML = 1000.0
RISING_SHARE = 0.1  # of the scan's edge: whole impressions rise nearly nowhere
LEAST_POOL_MM = 0.3  # deeper than scanner noise, shallower than any pit
MAIN_POOL_SHARE = 0.2  # of the largest pool: leaves dents of the outer side and the bench out
BARELY_HELD = 0.05  # of what it would hold if boxed in: less, and the pits are not in the pools
FALL_OVER_MM = 1.6  # about the radius of a rounded rim
FALLING = -0.5  # slope outward, steeper than a trough's floor runs out at a heel
RISING = 0.5  # slope outward of a wall that has not come to its crest
PAST_CREST_MM = (
    5.0  # this far below the lowest way to it the edge lies beyond the rim, not at a heel
)
FADED_OUT = 2.5  # standard deviations; what lies beyond weighs too little to turn a direction
CORNER_MM = 10.0  # of the edge: an outer side falls away for longer
EVEN_OUT_MM = 1.0  # along the edge, so that one cell does not decide


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """A round patch that a person took into the footprint or out of it."""

    # its middle and radius in the frame
    x_mm: float
    y_mm: float
    radius_mm: float
    is_in: bool  # whether it belongs to the footprint


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Footprint:
    """The cavity seen from above; maps have the grid's shape."""

    inside: Bools  # cells of the cavity
    border: Bools  # cells along the border of it: the rim's crest, or the scan's end
    # part of the scan's edge that still rises where the scan ends: near 0 for a scan that has
    # passed the rim, near 1 for the skin of a cast seen from inside
    rising_share: float
    # what hollows hold that are as large as a cavity, and lie too low to belong to this one
    left_out_ml: float = 0.0

    @property
    def has_passed_rim(self) -> bool:
        """Whether the scan goes on over the rim nearly all round."""
        return self.rising_share <= RISING_SHARE


def pools(relief: HeightMap, *, dammed: bool = False) -> Floats:
    """Fill every depression to the height at which it spills over the scan's edge."""
    if not dammed:
        return _pools(relief, relief.outside, dammed=False)
    edge = _edge(relief)
    falls = _long(edge & (_outward_slope(relief) < FALLING), relief.grid.pitch_mm)
    depth = _pools(relief, falls, dammed=True)
    if falls.any() or not edge.any():
        return depth
    brim_mm = float(np.median(relief.top_mm[edge]))
    return np.clip(depth, 0.0, np.maximum(brim_mm - relief.top_mm, 0.0))


def _long(edge: Bools, pitch_mm: float) -> Bools:
    """Keep stretches that are more than the corner between a wall and an open end."""
    names, count = ndimage.label(edge, np.ones((3, 3)))
    cells = np.bincount(names.ravel(), minlength=count + 1)
    cells[0] = 0
    return np.asarray((cells * pitch_mm > CORNER_MM)[names])


def _pools(relief: HeightMap, drain: Bools, *, dammed: bool) -> Floats:
    low, high = relief.top_mm.min() - 1.0, relief.top_mm.max()
    floor = np.where(relief.outside, high if dammed else low, relief.top_mm)
    return np.where(relief.outside, 0.0, flood_levels(floor, drain) - floor)


def _edge(relief: HeightMap) -> Bools:
    return grown(relief.outside) & ~relief.outside


def find_footprint(relief: HeightMap, corrections: Sequence[Correction] = ()) -> Footprint:
    """Find the cells inside of the rim's crest."""
    edge = _edge(relief)
    slope = _outward_slope(relief)
    inner, left_out_mm = _main_pools(relief, edge & (slope < FALLING))
    away = edge & ((slope < FALLING) | _past_a_crest(relief, inner))
    inner &= ~away
    markers = inner + 2 * away.astype(np.int64)
    inside = divided(relief.top_mm, markers, ~relief.outside) == 1
    for correction in corrections:
        inside = _corrected(relief, inside, correction)
    border = inside & grown(~inside)
    rising = float(np.mean(slope[edge] > RISING)) if edge.any() else 0.0
    cell_ml = relief.grid.pitch_mm**2 / MM3_PER_ML
    return Footprint(
        inside=inside,
        border=border,
        rising_share=rising,
        left_out_ml=float(left_out_mm[~inside].sum()) * cell_ml,
    )


def _past_a_crest(relief: HeightMap, inner: Bools) -> Bools:
    """Say where the surface lies far below the lowest way to it from the pits."""
    return np.asarray(flood_levels(relief.top_mm, inner) - relief.top_mm > PAST_CREST_MM)


def _corrected(relief: HeightMap, inside: Bools, correction: Correction) -> Bools:
    x, y = relief.grid.centres_mm()
    patch = np.hypot(x - correction.x_mm, y - correction.y_mm) <= correction.radius_mm
    return inside | (patch & ~relief.outside) if correction.is_in else inside & ~patch


def _main_pools(relief: HeightMap, falls: Bools) -> tuple[Bools, Floats]:
    """Find the pools that count: large, and standing about as high as the highest large one.

    The depth of the large ones that do not is given back too.
    """
    depth = pools(relief)
    if depth.sum() < BARELY_HELD * _room_mm(relief):
        boxed = _pools(relief, falls, dammed=True)
        if depth.sum() < BARELY_HELD * boxed.sum():  # it runs out at open heels
            depth = boxed
    names, count = ndimage.label(depth > LEAST_POOL_MM)
    known = np.arange(1, count + 1)
    held = ndimage.sum_labels(depth, names, known)
    wet = names > 0
    level = np.full(count + 1, -np.inf)
    np.maximum.at(level, names[wet], (relief.top_mm + depth)[wet])
    level = level[1:]
    large = held >= MAIN_POOL_SHARE * held.max(initial=0.0)
    high = level >= np.max(level[large], initial=-np.inf) - PAST_CREST_MM
    main, low = (np.append(False, which)[names] for which in (large & high, large & ~high))
    return np.asarray(main), np.where(low, depth, 0.0)


def _room_mm(relief: HeightMap) -> float:
    """Sum of depths that no boxing in can pass: everywhere up to the highest point."""
    return float((relief.top_mm.max() - relief.top_mm)[~relief.outside].sum())


def _outward_slope(relief: HeightMap) -> Floats:
    """Rise per mm towards the outside, near the scan's edge, evened out along the edge."""
    cells = EVEN_OUT_MM / relief.grid.pitch_mm
    outside = ndimage.gaussian_filter(relief.outside.astype(float), 2.0 * cells, truncate=FADED_OUT)
    edge = _edge(relief)
    out = np.stack([way[edge] for way in np.gradient(outside)])  # (2, cells of the edge)
    out /= np.maximum(np.linalg.norm(out, axis=0), 1e-12)
    back = np.stack(np.nonzero(edge)) - out * FALL_OVER_MM / relief.grid.pitch_mm
    behind = ndimage.map_coordinates(relief.top_mm, back, order=1, mode="nearest")
    slope = np.zeros(edge.shape)
    slope[edge] = (relief.top_mm[edge] - behind) / FALL_OVER_MM
    weight = ndimage.gaussian_filter(edge.astype(float), cells)
    return np.asarray(ndimage.gaussian_filter(slope, cells) / np.maximum(weight, 1e-12))
