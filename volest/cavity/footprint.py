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
PAST_CREST_MM = 5.0  # so far below the lowest way to it an edge is beyond the rim, not at a heel
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
    """Fill every depression to the height at which it spills over the scan's edge, and give depths.

    Dammed, it spills only where the edge falls for longer than the corner between a wall and an
    open end; where none does, it is full at the height of a usual edge.
    """
    if not dammed:
        return flood_levels(relief.top_mm, relief.outside) - relief.top_mm
    edge = _edge(relief)
    names, _ = ndimage.label(edge & (_outward_slope(relief) < FALLING), np.ones((3, 3)))
    is_long = np.bincount(names.ravel()) * relief.grid.pitch_mm > CORNER_MM
    is_long[0] = False
    depth = _boxed_in(relief, is_long[names])
    if is_long.any() or not edge.any():
        return depth
    brim_mm = float(np.median(relief.top_mm[edge]))
    return np.clip(depth, 0.0, np.maximum(brim_mm - relief.top_mm, 0.0))


def _boxed_in(relief: HeightMap, drain: Bools) -> Floats:
    """Fill every depression to where it spills over a drain, with a dam wherever the scan ends."""
    floor = np.where(relief.outside, relief.top_mm.max(), relief.top_mm)
    return flood_levels(floor, drain) - floor


def _edge(relief: HeightMap) -> Bools:
    return grown(relief.outside) & ~relief.outside


def find_footprint(relief: HeightMap, corrections: Sequence[Correction] = ()) -> Footprint:
    """Find the cells inside of the rim's crest."""
    top_mm, edge, slope = relief.top_mm, _edge(relief), _outward_slope(relief)
    falls = edge & (slope < FALLING)
    spill_mm = flood_levels(top_mm, relief.outside)
    depth = spill_mm - top_mm
    # No boxing in can pass room everywhere up to the highest point: it is asked first.
    if depth.sum() < BARELY_HELD * (top_mm.max() - top_mm)[~relief.outside].sum():
        boxed = _boxed_in(relief, falls)
        if depth.sum() < BARELY_HELD * boxed.sum():  # it runs out at open heels
            depth = boxed
    inner, left_out_mm = _main_pools(relief, depth)
    # The lowest way from the pits to an edge leads over where they spill, and round the scan: grids
    # leave cells free on all sides (`grid_over`), so that the outside hangs together.
    way_mm = spill_mm[inner].min(initial=top_mm.max())
    away = falls | (edge & (way_mm - top_mm > PAST_CREST_MM))
    markers = np.where(away, 2, inner)
    inside = divided(top_mm, markers, ~relief.outside) == 1
    for one in corrections:
        x, y = relief.grid.centres_mm()
        patch = np.hypot(x - one.x_mm, y - one.y_mm) <= one.radius_mm
        inside = inside | (patch & ~relief.outside) if one.is_in else inside & ~patch
    cell_ml = relief.grid.pitch_mm**2 / MM3_PER_ML
    return Footprint(
        inside=inside,
        border=inside & grown(~inside),
        rising_share=float(np.mean(slope[edge] > RISING)) if edge.any() else 0.0,
        left_out_ml=float(left_out_mm[~inside].sum()) * cell_ml,
    )


def _main_pools(relief: HeightMap, depth: Floats) -> tuple[Bools, Floats]:
    """Find the pools that count: large, and standing about as high as the highest large one.

    The depth of the large ones that do not is given back too.
    """
    names, count = ndimage.label(depth > LEAST_POOL_MM)
    held = np.bincount(names.ravel(), depth.ravel())[1:]
    level = np.full(count + 1, -np.inf)
    np.maximum.at(level, names, relief.top_mm + depth)
    large = held >= MAIN_POOL_SHARE * held.max(initial=0.0)
    high = level[1:] >= level[1:][large].max(initial=-np.inf) - PAST_CREST_MM
    main, low = (np.append(False, which)[names] for which in (large & high, large & ~high))
    return np.asarray(main), np.where(low, depth, 0.0)


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
