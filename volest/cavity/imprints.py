"""Tooth imprints: parted where the section along the row narrows, named where that is clear.

The row is a curve through the deepest floors. Along it the area of the cross-section, near the
tips, falls between two teeth, whatever their cusps do. A piece is named only where both of its
borders are clear; how many teeth there are is never told.
"""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from volest.cavity.base_line import BasePlane, resting_plane
from volest.cavity.columns import Columns, Grid, Surface, cut_columns
from volest.cavity.frame import Bools, Floats, Ints
from volest.cavity.trim import Clock
from volest.cavity.void import ReachableVoid

STEP_MM = 0.2  # of the row
LEANING = 0.2  # mm per mm: a plane under few teeth that leans more is none the teeth meet in
CURVE_MM = 6.0  # over the level of the tips: floors that the row's curve is laid through
BESIDE_MM = 7.0  # off the curve: half of the broadest molar, and room for a turned one
CROWN_MM, HIGHEST_MM = 6.0, 10.0  # counted over the local tips, and over their level at most
NEAR_TIP_MM = 3.0  # along the row: half of a small tooth
ENVELOPE_MM = 9.0  # of the section: a tooth's, whatever its neighbours are
VALLEY, LEAST_VALLEY = 0.16, 0.05  # of the envelope: fissures of molars came to 0.13
APART_MM = 4.5  # borders: the narrowest incisor has 5 mm
WIDEST_MM = 12.8  # of one tooth; wider pieces are parted at weaker valleys
CLEAR_VALLEY = 0.2  # of the envelope, at both borders of what is named
OVERLAP = 0.5  # of the envelope: where more is left at a border, teeth overlap
NAMED_MM = (4.0, 13.0)  # widths of teeth, 5 to 11.1 in the tables, and what scanning does to them
LONGEST_MM, MOLAR_MM = 9.5, 6.0  # along the row, but for molars, which are so broad across it
MIDDLE_MM = 2.0  # how well mirroring tells the middle of made rows
LEAST_ROW = 3  # imprints; through fewer a curve runs any way
GUM_OVER_MM = 3.0  # what ends so far over the level of the tips is no tooth, nor a stump of one
# Natural tips of made jaws lie within 0.8 of their level, stumps of theirs within 2.8.
FLANK_MM, TOOTH_OVER_MM = 1.0, 1.0
# Crowns and stumps have on both sides, in one of these mm over their tip, a wall as steep as that,
# mm back per mm of rise: made ones came to 0.6. Gum that hangs so deep slants, 0.77 and more.
WALL_MM, WALL_RUN = (1.0, 2.0, 3.0, 4.0, 5.0), 0.8
# What looks prepared ends so far over the level of the others, natural made ones came to 1.5, and
# stands so far off both borders, so far over its tip: natural ones touch there, or nearly do.
PREPARED_OVER_MM, FREE_MM, FREE_AT_MM = 1.6, 0.4, 2.0
ARCH_MM, ARCH_CHORD = 70.0, 0.75  # of the row; arches have 110 and end to end 0.4 of that
CURVE_POINTS = 2000
NARROW_AT_MM, FINE_MM = 3.0, 0.1  # over the tip, where stone must pass; and the columns there
LEAST_CELLS = 50  # a curve through fewer is none
STRAIGHT = 0.35  # spread across over that along: under it a row is no arc; arches have 0.6
ARC_RAD, WHOLE_RAD = 1.8, 2.6  # seen from a circle's middle: from these on rows are arcs, and long


@dataclass(frozen=True, slots=True, kw_only=True)
class Imprint:
    """A piece of the row."""

    hour: int  # where it lies on the dial
    # where it begins and ends along the row
    from_mm: float
    to_mm: float
    place_mm: tuple[float, float]  # its deepest place in the frame
    deep_mm: float  # how far that lies under the base line: the stone behind the tip
    # how wide it is 3 mm over the tip, across its narrower way; None where that was not seen
    width_mm: float | None
    is_clear: bool  # whether both of its borders are, so that it may be named
    # which it is from the front, or along a part of an arch; None where that is not clear
    number: int | None
    # on which side of the front it lies, -1 or 1 along the row; 0 where there is none, or it was
    # not found
    side: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Imprints:
    """The row and its pieces."""

    piece: Ints  # map, of the grid's shape: 1, 2 ... in the imprints' order, 0 off the row
    curve_mm: Floats  # (k, 2) the row's curve
    is_arch: bool  # whether the row turns round a front
    end_hours: tuple[int, ...]  # where on the dial the row begins and ends
    each: tuple[Imprint, ...]  # none where the row is toothless, or does not part
    # those that look prepared, numbered from 1, and where, in the scan's own frame
    prepared: tuple[tuple[int, tuple[float, float, float]], ...] = ()


def floors_mm(rooms: ReachableVoid) -> Floats:
    """Give open floors over the base line, along z; infinite where there is none."""
    floor = np.full(rooms.grid.shape, np.inf)
    open_up = rooms.filled & (rooms.roof_mm >= 0.0)
    floor.ravel()[rooms.cell[open_up]] = rooms.floor_mm[open_up]
    return floor


def find_imprints(
    surface: Surface, rooms: ReachableVoid, base: BasePlane, clock: Clock
) -> Imprints | None:
    """Lay the row's curve and part it; None where nothing is deep enough to be a row."""
    grid, floor = rooms.grid, floors_mm(rooms)
    inside = np.isfinite(floor)
    over = _over_tips(grid, floor, inside)
    deep = over < min(CURVE_MM, 0.5 * float(over[inside].max(initial=0.0)))
    if np.count_nonzero(deep) < LEAST_CELLS:
        return None
    curve = _curve(grid, over, deep)
    length = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(curve, axis=0), axis=1)))
    places = np.stack([v.ravel() for v in grid.centres_mm()], axis=1)
    row = np.flatnonzero(inside)
    # Places as far from all of the curve, as a palate has them, are slow to search for the nearest.
    off_mm, nearest = cKDTree(curve).query(places[row], distance_upper_bound=BESIDE_MM + 0.1)
    row, at = row[off_mm <= BESIDE_MM], length[nearest[off_mm <= BESIDE_MM]]
    section, top = _section(at, over.ravel()[row], float(length[-1]), grid.pitch_mm)
    crown = over.ravel()[row] < top[(at / STEP_MM).astype(int)]
    row, at, over_row = row[crown], at[crown], over.ravel()[row[crown]]
    chord = np.linalg.norm(curve[-1] - curve[0]) / length[-1]
    is_arch = bool(length[-1] > ARCH_MM and chord < ARCH_CHORD)
    middle = _middle_mm(curve, length) if is_arch else None
    piece = np.zeros(floor.shape, np.int64)
    each, prepared = list[Imprint](), []
    on_level = 0  # clear ones whose tips reach the others' level
    borders = _borders(section)
    for (low, low_clear), (high, high_clear) in pairwise(borders):
        # The row's ends take what lies beyond the curve.
        cells = np.flatnonzero((at >= low) & ((at < high) | (high == borders[-1][0])))
        if not len(cells):
            continue
        lowest = cells[np.argmin(over_row[cells])]
        tip_mm, long_mm = float(over_row[lowest]), high - low
        # The lowest place of gum is the next tooth's flank, at the border; a tooth's lies within.
        is_flank = not low + FLANK_MM <= at[lowest] <= high - FLANK_MM
        is_low, is_end = tip_mm > TOOTH_OVER_MM, low == 0.0 or high == borders[-1][0]
        if tip_mm > GUM_OVER_MM or (is_end and (long_mm < NAMED_MM[0] or (is_flank and is_low))):
            continue
        is_molar = len(cells) * grid.pitch_mm**2 / long_mm > MOLAR_MM
        fits = NAMED_MM[0] <= long_mm <= (NAMED_MM[1] if is_molar else LONGEST_MM)
        way = np.subtract(*curve[np.searchsorted(length, [high, low]).clip(max=len(curve) - 1)])
        run = _wall_run(places[row[cells]], over_row[cells] - tip_mm, way, grid.pitch_mm)
        # What ends the row and lies lower may be the gum at a heel, as steep as it may be.
        is_clear = low_clear and high_clear and fits and run <= WALL_RUN
        is_clear = is_clear and not (is_flank or (is_end and is_low))
        on_level += is_clear and not is_low
        x, y = places[row[lowest]]
        under_mm = floor.ravel()[row[lowest]]
        each.append(
            Imprint(
                hour=int(clock.hours(x, y)),
                from_mm=low,
                to_mm=high,
                place_mm=(float(x), float(y)),
                deep_mm=float(-under_mm * base.upright),
                width_mm=None,
                is_clear=is_clear,
                number=None,
                side=0 if middle is None else 1 if 0.5 * (low + high) > middle else -1,
            )
        )
        piece.ravel()[row[cells]] = len(each)
        own = at[cells][over_row[cells] < tip_mm + FREE_AT_MM]
        is_free = min(own.min() - low, high - own.max()) >= FREE_MM
        if is_clear and is_free and tip_mm > PREPARED_OVER_MM:
            tip = surface.frame.from_frame(np.array([x, y, base.level_mm(x, y) + under_mm]))
            prepared.append((len(each), tuple(tip.tolist())))
    if len(each) < LEAST_ROW or on_level * 2 < len(each):
        each, prepared, piece = [], [], np.zeros_like(piece)
    each = _with_widths(each, piece, surface, rooms, base)
    return Imprints(
        piece=piece,
        curve_mm=curve,
        is_arch=is_arch,
        end_hours=tuple(int(hour) for hour in clock.hours(*curve[[0, -1]].T)),
        each=_numbered(each, middle, is_arch=is_arch),
        prepared=tuple(prepared),
    )


def _with_widths(
    each: list[Imprint], piece: Ints, surface: Surface, rooms: ReachableVoid, base: BasePlane
) -> list[Imprint]:
    """Add how wide each is, as the largest circle in its section, where all of that was seen."""
    grid = rooms.grid
    levels = [(NARROW_AT_MM - one.deep_mm) / base.upright for one in each]
    deep = reaching_under(surface, base, max(levels, default=-np.inf))
    guessed = grid.map_of(rooms.cell[rooms.assumed])
    wide = list(each)
    for k, level in enumerate(levels):
        own = piece == k + 1
        if guessed[own].any():
            continue
        j, i = np.nonzero(own)
        low = np.array(grid.low_mm) + np.array([i.min(), j.min()]) * grid.pitch_mm
        high = np.array(grid.low_mm) + np.array([i.max(), j.max()]) * grid.pitch_mm
        count_x, count_y = ((high - low) / FINE_MM).astype(int) + 1
        columns = fine_columns(deep, low, high, (count_y, count_x))
        # A cell is cut where the highest crossing under the level faces up.
        under = np.flatnonzero(columns.z_mm < level)
        room = np.zeros(columns.grid.shape, dtype=bool)
        room.flat[columns.cell[under]] = columns.up[under]
        cell = np.maximum(grid.cells_of(*columns.grid.centres_mm()), 0)
        cut = np.pad(room & own.ravel()[cell], 1)
        # Between walls along the rows this is a cell too much, in a round section one too little.
        radius = float(ndimage.distance_transform_edt(cut).max())
        wide[k] = replace(each[k], width_mm=2.0 * radius * FINE_MM)
    return wide


Reaching = tuple[Floats, Floats, Floats]  # corners, (3, 3, n), and their bounds in plan, (2, n)


def reaching_under(surface: Surface, base: BasePlane, level: float) -> Reaching:
    """Give what reaches under a level, z over the base line."""
    height = base.heights_mm(*surface.corners_mm)
    under = np.flatnonzero(height.min(axis=0) < level)
    flat = surface.corners_mm[:2].take(under, axis=2)
    corners = np.stack([*flat, height.take(under, axis=1)])
    return corners, corners[:2].min(axis=1), corners[:2].max(axis=1)


def fine_columns(reaching: Reaching, low: Floats, high: Floats, shape: tuple[int, int]) -> Columns:
    """Cut what lies between two places, (2,), finely."""
    corners, lows, highs = reaching
    near = np.all((highs >= low[:, None]) & (lows <= high[:, None]), axis=0)
    fine = Grid(pitch_mm=FINE_MM, low_mm=(float(low[0]), float(low[1])), shape=shape)
    return cut_columns(corners.take(np.flatnonzero(near), axis=2), fine)


def _wall_run(places: Floats, over_tip: Floats, way: Floats, pitch_mm: float) -> float:
    """Say how far a wall runs back per mm where it is steepest, on the flatter of a piece's sides.

    Of cells (m, 2) and their floors' heights over the tip; `way` (2,) is that of the row.
    """
    way = way / np.linalg.norm(way)
    step, off = np.floor(places @ way / pitch_mm).astype(int), places @ (-way[1], way[0])
    index = np.unique(step[over_tip < WALL_MM[0]])
    under = [np.where(over_tip < mm, step, index[0] - 1) for mm in WALL_MM]
    reach = [[ndimage.maximum(way, at, index).mean() for way in (off, -off)] for at in under]
    return float(np.diff(reach, axis=0).min(axis=0).max())


def _numbered(each: list[Imprint], middle: float | None, *, is_arch: bool) -> tuple[Imprint, ...]:
    """Count from the front to both sides, or along a part, as far as each piece is clear."""
    # A piece across the middle is of neither side: what is first on either is not known.
    if is_arch and (
        middle is None
        or any(one.from_mm + MIDDLE_MM < middle < one.to_mm - MIDDLE_MM for one in each)
    ):
        return tuple(each)
    # What was left out between two pieces may be gum, or a low stump, which counts.
    meets = [True, *(one.to_mm == other.from_mm for one, other in pairwise(each)), True]
    named = {}
    for side in (-1, 1) if is_arch else (0,):
        ranks = [k for k, one in enumerate(each) if one.side == side][:: side or 1]
        for number, k in enumerate(ranks, start=1):
            if not (each[k].is_clear and meets[k + (side < 0)]):
                break
            named[k] = number
    return tuple(replace(one, number=named.get(k)) for k, one in enumerate(each))


def _over_tips(grid: Grid, floor: Floats, inside: Bools) -> Floats:
    """Give heights over the plane that the tips rest on; infinite off the cavity."""
    x, y = (v[inside] for v in grid.centres_mm())
    points = np.stack([x, y, floor[inside]])
    low = points[:, points[2] <= np.quantile(points[2], 0.3)]
    plane = resting_plane(low, low[:2].mean(axis=1))
    if plane is None or float(np.hypot(*plane[:2])) > LEANING:
        plane = np.array([0.0, 0.0, points[2].min()])
    over = np.full(floor.shape, np.inf)
    over[inside] = points[2] - (plane[0] * x + plane[1] * y + plane[2])
    return over


def _curve(grid: Grid, over: Floats, deep: Bools) -> Floats:
    """Lay a smooth curve, (k, 2), through the deep cells, the deepest first."""
    x, y = (v[deep] for v in grid.centres_mm())
    root = np.sqrt(float(over[deep].max()) + 1e-3 - over[deep])
    places = np.stack([x, y], axis=1)
    middle = np.average(places, axis=0, weights=root**2)
    spread, axes = np.linalg.eigh(np.cov((places - middle).T, aweights=root**2))
    off, along = ((places - middle) @ axes).T
    circle = np.column_stack([2.0 * places, np.ones(len(x))]) * root[:, None]
    centre = np.linalg.lstsq(circle, (places**2).sum(axis=1) * root, rcond=None)[0][:2]
    ray = places - centre
    angle = np.arctan2(ray[:, 1], ray[:, 0])
    seen = np.unique((angle % (2.0 * np.pi) * (360.0 / (2.0 * np.pi))).astype(int) % 360)
    gaps = np.diff(seen, append=seen[0] + 360)
    first = float(np.deg2rad(seen[(int(np.argmax(gaps)) + 1) % len(seen)]))
    angle = (angle - first) % (2.0 * np.pi)
    angle = np.where(angle > 2.0 * np.pi - np.deg2rad(gaps.max() / 2.0), 0.0, angle)
    span = float(angle.max())
    if span > ARC_RAD and spread[0] > STRAIGHT**2 * spread[1]:
        degree = 6 if span > WHOLE_RAD else 4
        radius = np.polynomial.Polynomial.fit(angle, np.hypot(*ray.T), degree, w=root)
        turn = np.linspace(0.0, span, CURVE_POINTS)
        way = np.stack([np.cos(turn + first), np.sin(turn + first)], axis=1)
        return np.asarray(centre + radius(turn)[:, None] * way)
    bow = np.polynomial.Polynomial.fit(along, off, 3, w=root)
    step = np.linspace(along.min(), along.max(), CURVE_POINTS)
    return np.asarray(middle + np.stack([bow(step), step], axis=1) @ axes.T)


def _section(
    at_mm: Floats, over: Floats, length_mm: float, pitch_mm: float
) -> tuple[Floats, Floats]:
    """Give the section's area, mm2, per step of the row, and its top over the tips' level.

    Of cells, (m,), how far along the row they lie, and their floors over the tips.
    """
    count = int(length_mm / STEP_MM) + 1
    at = (at_mm / STEP_MM).astype(int)
    tips = np.full(count, np.inf)
    np.minimum.at(tips, at, over)
    near = 2 * int(NEAR_TIP_MM / STEP_MM) + 1
    tips = ndimage.minimum_filter1d(tips, near, mode="nearest")
    tips = ndimage.gaussian_filter1d(
        np.where(np.isfinite(tips), tips, HIGHEST_MM), near / 4.0, mode="nearest"
    )
    top = np.minimum(tips + CROWN_MM, HIGHEST_MM)
    area = np.bincount(at, np.clip(top[at] - over, 0.0, None), count) * pitch_mm**2 / STEP_MM
    return ndimage.gaussian_filter1d(area, 0.4 / STEP_MM, mode="constant"), top


def _borders(section: Floats) -> list[tuple[float, bool]]:
    """Find where the row is parted, mm along it, each with whether that is clear; ends included."""
    wide = 2 * int(ENVELOPE_MM / 2.0 / STEP_MM) + 1
    share = section / np.maximum(ndimage.maximum_filter1d(section, wide, mode="nearest"), 1e-9)
    ends, apart = [0, len(section) - 1], APART_MM / STEP_MM
    every = [k for k, deep in valleys(share, 1) if deep >= LEAST_VALLEY]
    kept = {k: deep for k, deep in valleys(share, int(apart)) if deep >= LEAST_VALLEY}
    borders = sorted({*ends, *(k for k, p in kept.items() if p >= VALLEY)})
    pieces = list(pairwise(borders))
    for low, high in pieces:  # what is too wide is parted, and so are its parts
        between = [k for k in kept if low + apart <= k <= high - apart]
        if (high - low) * STEP_MM > WIDEST_MM and between:
            border = max(between, key=lambda k: kept[k])
            borders.append(border)
            pieces += [(low, border), (border, high)]
    # Overlapping teeth leave two such valleys: one not much lower than the other is not clear.
    for k in [k for k in kept if share[k] > OVERLAP]:
        lower = [float(share[j] - share[k]) for j in every if 0 < abs(k - j) < apart]
        kept[k] = min([kept[k], *lower])
    return [(k * STEP_MM, k in ends or kept[k] >= CLEAR_VALLEY) for k in sorted(borders)]


def valleys(share: Floats, apart: int) -> list[tuple[int, float]]:
    """Find places lower than both sides, 0 beyond the ends; the lower one of any that lie close.

    Each with its depth: how far it must rise, on the side where that is less, to a lower place.
    """
    padded = np.concatenate([[0.0], share, [0.0]])
    first = np.append(0, np.flatnonzero(np.diff(padded)) + 1)  # of each run of one value
    last = np.append(first[1:], len(padded)) - 1
    value = padded[first]
    low = np.flatnonzero((value[1:-1] < value[:-2]) & (value[1:-1] < value[2:])) + 1
    kept: list[int] = []
    for k in ((first + last)[low] // 2)[np.lexsort((-low, value[low]))].tolist():
        if all(abs(k - other) >= apart for other in kept):
            kept.append(k)
    return [(k - 1, float(min(_rise(padded[k::-1]), _rise(padded[k:])))) for k in sorted(kept)]


def _rise(heights: Floats) -> Floats:
    """Say how far heights rise over the first before they fall under it."""
    return np.asarray(heights[: np.argmax(heights < heights[0]) or None].max() - heights[0])


def _middle_mm(curve: Floats, length: Floats) -> float | None:
    """Find where along it a curve is most like its mirror image; None where that is at no front."""

    def at(places: Floats) -> Floats:
        return np.stack([np.interp(places, length, curve[:, k]) for k in (0, 1)], axis=1)

    def stray(s: float) -> float:
        away = np.linspace(0.0, min(s, length[-1] - s), 40)[1:]
        u, v = at(s + away) - at(np.array([s])), at(s - away) - at(np.array([s]))
        axis = (u + v).sum(axis=0)
        axis /= max(float(np.linalg.norm(axis)), 1e-9)
        wide = (u + v) @ np.array([-axis[1], axis[0]])
        return float(np.mean(((u - v) @ axis) ** 2 + wide**2))

    places = np.linspace(0.35, 0.65, 61) * length[-1]
    best = int(np.argmin([stray(float(s)) for s in places]))
    return float(places[best]) if 0 < best < len(places) - 1 else None
