"""Marked preparations: stone under the margin, and the room beside for a saw.

On the cast imprints are towers. Each column keeps its lowest floor, so that a tower is seen with
all that juts out over it, as a blade meets it that is led straight down. The margin is where the
wall of a tower ends: by rays from its middle, at the first place where it is no longer steep. The
outer edge of a ledge is not seen: it lies level with the gum.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import label, map_coordinates, minimum_filter
from scipy.spatial import cKDTree
from skimage.morphology import local_minima, reconstruction
from skimage.segmentation import watershed

from volest.cavity.base_line import BasePlane
from volest.cavity.cast import outside_mm
from volest.cavity.columns import Grid, Surface
from volest.cavity.frame import Bools, Floats, Ints
from volest.cavity.imprints import FINE_MM, Imprints, fine_columns, reaching_under
from volest.cavity.trim import Clock
from volest.cavity.void import ReachableVoid
from volest.notes import Note

REACH_MM = 14.0  # off a mark: over a molar, the widest gap that is told, and into the neighbour
FISSURE_MM = 1.5  # pits parted by less belong to one tooth; of made stumps by 1.2 at most
# Across the row stand the cusps of one tooth, in premolars parted by up to 4, seldom another one.
ACROSS_MM, APART_MM, ALONG = 4.0, 8.0, 0.64
OVER_TIP_MM = 2.0  # from there on it is wall; lower lie cusps, also those of a stump
LEAST_HIGH_MM = 2.5  # from tip to margin; what is lower is no stump
STEEP, RUN_MM = 1.5, 0.3  # a wall rises more than that, over so much; gum and moats less
RAYS, SEEN_RAYS = 72, 0.75  # round a tower, and the share that must find an end
SCALLOP_MM = 4.0  # a wall that ends so far over most of the margin went on into gum or tray
LEAST_AT = 0.05  # of the rays: so many may lie nearer to the base line
WIDEST_MM = 14.0  # of a tower: molars have 11.1 at most, and what scanning does to them
LEDGE_MM = 1.0  # beyond the wall a mark may lie on the ledge
TOP_MM = 0.05  # within so much of the margin a wall has ended: over what noise a scan has
FACING_DEG = 20.0  # to either side: there all rays must find an end, or the width is not clear
TOWARDS_MM = 20.0  # from a mark, where there is no row: so far off the hours of its sides differ
FAR_MM = 8.0  # further off there is no neighbour to saw by
BLADE_MM = 0.15  # no blade is thinner: what leaves less room touches; practice, no source
_TURNS = np.arange(RAYS) * 2.0 * np.pi / RAYS
_WAYS = np.stack([np.sin(_TURNS), np.cos(_TURNS)], axis=1)  # of rays, in rows and columns


@dataclass(frozen=True, slots=True, kw_only=True)
class Free:
    """The room between a preparation and a neighbour."""

    towards_hour: int  # where on the dial the row ends on that neighbour's side
    # The least from where one wall ends to where the other does, 0 where no blade passes; None
    # where that is not clear.
    width_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Preparation:
    """What a marked tooth has round it."""

    mark_mm: tuple[float, float, float]  # in the scan's own frame
    hour: int  # where on the dial it lies
    high_mm: float  # from its tip to where its margin lies nearest to the base line
    # Stone from its margin to the base line, along that line's normal: the least, and the most.
    least_mm: float
    most_mm: float
    # The nearest neighbour and the one across from it; fewer where there is none within 8 mm.
    free: tuple[Free, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Preparations:
    """All marked preparations of an impression."""

    each: tuple[Preparation, ...]  # those whose margin was found, in the order of their marks
    over_mm: float  # how far the first pour stands over the base line
    wanted_mm: float  # what the lab wants under a margin, the stone over the base line counted
    notes: tuple[Note, ...]


def find_preparations(
    marks_mm: Sequence[tuple[float, float, float]],
    surface: Surface,
    rooms: ReachableVoid,
    base: BasePlane,
    clock: Clock,
    *,
    imprints: Imprints | None,
    over_mm: float,
    wanted_mm: float,
) -> Preparations:
    """Measure each preparation that is marked in the scan's own frame, (k, 3)."""
    reaching, lowest = reaching_under(surface, base, 0.0), outside_mm(rooms)
    guessed = np.append(rooms.grid.map_of(rooms.cell[rooms.assumed]), False)
    row_mm = None if imprints is None else imprints.curve_mm
    found: list[Preparation | None] = []
    for mark in marks_mm:
        # The columns round it, cut finer: floors, and the mark, are over the base line along its
        # normal, infinite where not seen.
        mark_mm = surface.frame.to_frame(np.array(mark))
        corner, count = mark_mm[:2] - REACH_MM, int(2.0 * REACH_MM / FINE_MM) + 1
        columns = fine_columns(reaching, corner, corner + 2.0 * REACH_MM, (count, count))
        cell = rooms.grid.cells_of(*columns.grid.centres_mm()).ravel()
        own = columns.up & (columns.z_mm < 0.0) & (columns.z_mm > lowest[cell][columns.cell])
        floor = np.full(count * count, np.inf)
        floor[columns.cell[own][::-1]] = columns.z_mm[own][::-1]  # the lowest one is written last
        floor[guessed[cell]] = np.inf
        floor_mm = floor.reshape(count, count) * base.upright
        over_line_mm = float(base.heights_mm(*mark_mm)) * base.upright
        one = _measured(mark, columns.grid, floor_mm, over_line_mm, row_mm, clock=clock)
        found.append(one)
    each = tuple(one for one in found if one is not None)
    nowhere = [mark for mark, one in zip(marks_mm, found, strict=True) if one is None]
    notes = []
    low = [one for one in each if one.least_mm + over_mm < wanted_mm]
    if low:
        have_mm = min(one.least_mm for one in low) + over_mm
        notes.append(
            Note(
                "short-die",
                have_mm=have_mm,
                hours=tuple(dict.fromkeys(one.hour for one in low)),
                wanted_mm=wanted_mm,
                higher_mm=wanted_mm - have_mm,
            )
        )
    if nowhere:
        places = tuple(f"({x:.1f}, {y:.1f}, {z:.1f})" for x, y, z in nowhere)
        x, y, _ = surface.frame.to_frame(np.array(nowhere).T)
        hours = tuple(dict.fromkeys(clock.hours(x, y).tolist()))
        notes.append(Note("mark-in-no-imprint", places=places, hours=hours))
    return Preparations(each=each, over_mm=over_mm, wanted_mm=wanted_mm, notes=tuple(notes))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Tower:
    """Its cells, its middle in rows and columns, and by rays how far out its wall ends, how high.

    Both are nan where no end was seen.
    """

    cells: Bools
    middle: Floats
    reach_mm: Floats
    level_mm: Floats

    @property
    def outline(self) -> Floats:
        """Where its wall ends, (k, 2) in rows and columns, closely spaced."""
        ends = self.middle + _WAYS * self.reach_mm[:, None] / FINE_MM
        ways = np.roll(ends, -1, axis=0) - ends
        points = (ends[:, None] + ways[:, None] * np.linspace(0.0, 1.0, 8)[:, None]).reshape(-1, 2)
        return np.asarray(points[np.isfinite(points).all(axis=1)])

    def is_seen_towards(self, place: Floats) -> bool:
        """Say whether its wall has an end on all rays that face a place, (2,)."""
        turned = (np.arange(RAYS) - _ray(place - self.middle) + RAYS / 2) % RAYS - RAYS / 2
        return bool(np.isfinite(self.reach_mm[np.abs(turned) <= FACING_DEG * RAYS / 360.0]).all())


def _measured(
    mark: tuple[float, float, float],
    grid: Grid,
    floor_mm: Floats,
    over_mm: float,
    row_mm: Floats | None,
    *,
    clock: Clock,
) -> Preparation | None:
    """Measure the tower that a mark lies in; None where it lies in none whose border is clear."""
    floor, at = np.minimum(floor_mm, 0.0), (grid.shape[0] // 2, grid.shape[1] // 2)
    if not float(floor_mm[at]) - LEAST_HIGH_MM <= over_mm <= LEAST_HIGH_MM:
        return None
    # Pits less deep than a fissure are filled; each of the others is a tower of its own.
    filled = reconstruction(np.minimum(floor + FISSURE_MM, 0.0), floor, method="erosion")
    tower = watershed(floor, label(local_minima(filled), np.ones((3, 3)))[0])
    row = None if row_mm is None else (row_mm - grid.low_mm)[:, ::-1] / FINE_MM
    cells = _with_cusps(floor, tower, int(tower[at]), row)
    tip_mm = float(floor[cells].min())
    own = _tower(floor_mm, cells, row)
    middle, reach, level = own.middle, own.reach_mm, own.level_mm
    seen = np.isfinite(level)
    if np.count_nonzero(seen) < SEEN_RAYS * RAYS:
        return None
    margin_mm = float(np.quantile(level[seen], 1.0 - LEAST_AT))
    ray, away = _ray(at - middle), np.hypot(*(at - middle)) * FINE_MM
    wide = reach + np.roll(reach, RAYS // 2)
    if (
        margin_mm - tip_mm < LEAST_HIGH_MM
        or np.nanmax(wide) > WIDEST_MM
        or not away <= np.interp(ray, np.arange(RAYS)[seen], reach[seen], period=RAYS) + LEDGE_MM
    ):
        return None
    y, x = np.array(grid.low_mm)[::-1] + middle * FINE_MM
    return Preparation(
        mark_mm=mark,
        hour=int(clock.hours(x, y)),
        high_mm=margin_mm - tip_mm,
        least_mm=-margin_mm,
        most_mm=-float(np.quantile(level[seen], LEAST_AT)),
        free=_free(grid, floor_mm, tower, own, row, clock=clock),
    )


def _with_cusps(floor_mm: Floats, tower: Ints, name: int, row: Floats | None) -> Bools:
    """Give the cells of a tower, with what stands beside it across the row as cusps do."""
    own = tower == name
    tip, whole = _tip(floor_mm, own), own
    for other in np.unique(tower[minimum_filter(~own, 3) != ~own]):
        its = tower == other
        its_tip = _tip(floor_mm, its)
        beside = minimum_filter(np.where(its, floor_mm, np.inf), 3)
        pass_mm = np.maximum(floor_mm, beside)[own].min()
        is_low = pass_mm - max(floor_mm[tip], floor_mm[its_tip]) < ACROSS_MM
        if other and is_low and _is_across(tip, its_tip, row):
            whole = whole | its
    return np.asarray(whole)


def _is_across(tip: tuple[np.intp, ...], other: tuple[np.intp, ...], row: Floats | None) -> bool:
    """Say whether a tip lies near another one and across the row, (k, 2) in rows and columns."""
    if row is None:
        return False
    along = _along(tip, row)
    off = np.array(other) - tip
    away = float(np.linalg.norm(off))
    return away * FINE_MM < APART_MM and bool(
        abs(off @ along) < ALONG * away * np.linalg.norm(along)
    )


def _along(place: Floats | tuple[np.intp, ...], row: Floats) -> Floats:
    """Give the way along the row where it lies nearest to a place, (2,)."""
    at = int(np.argmin(np.linalg.norm(row - place, axis=1)))
    return np.asarray(row[min(at + 1, len(row) - 1)] - row[max(at - 1, 0)])


def _tower(floor_mm: Floats, own: Bools, row: Floats | None) -> _Tower:
    """Find where a tower's wall ends, from over its cusps on; a hollow along the row is none."""
    tip = _tip(floor_mm, own)
    names, count = label(own & (floor_mm < floor_mm[tip] + OVER_TIP_MM))
    parts = [names == name for name in range(1, count + 1)]
    cusps = [part for part in parts if part[tip] or _is_across(tip, _tip(floor_mm, part), row)]
    inside = np.logical_or.reduce(cusps)
    middle = np.argwhere(inside).mean(axis=0)
    run, step = round(RUN_MM / FINE_MM), np.arange(round(WIDEST_MM / FINE_MM))
    at = middle[:, None, None] + _WAYS.T[:, :, None] * step
    # A wall that goes on into what was not seen has no end that is known.
    seen_mm = np.where(np.isfinite(floor_mm), floor_mm, np.nan)
    height = map_coordinates(seen_mm, at, order=1, cval=np.nan)
    within = map_coordinates(inside, at, order=0, cval=False)
    windows = np.lib.stride_tricks.sliding_window_view(height, run + 1, axis=1)
    is_end = ~(windows[:, :, -1] - windows[:, :, 0] >= STEEP * RUN_MM)
    is_end &= step[:-run] > (within * step).max(axis=1, keepdims=True)
    rays, end = np.arange(RAYS), is_end.argmax(axis=1)
    level = np.where(is_end.any(axis=1), windows[rays, end].max(axis=1), np.nan)
    if np.isfinite(level).any():
        level[level > np.nanmedian(level) + SCALLOP_MM] = np.nan
    # On a flat that is where it begins, and between two towers on the crest.
    end += (windows[rays, end] >= level[:, None] - TOP_MM).argmax(axis=1)
    wall, top = height[rays, end - 1], height[rays, end]
    part = np.clip((level - TOP_MM - wall) / np.maximum(top - wall, TOP_MM), 0.0, 1.0)
    reach = (end - 1.5 + part) * FINE_MM  # halfway from the last cell of the wall to the next
    return _Tower(cells=own, middle=middle, reach_mm=reach, level_mm=level)


def _tip(floor_mm: Floats, which: Bools) -> tuple[np.intp, ...]:
    return np.unravel_index(np.argmin(np.where(which, floor_mm, np.inf)), which.shape)


def _ray(way: Floats) -> float:
    """Say which ray, a part of one too, a way of rows and columns goes along."""
    return float(np.arctan2(*way) * RAYS / (2.0 * np.pi)) % RAYS


def _free(
    grid: Grid, floor: Floats, tower: Ints, own: _Tower, row: Floats | None, *, clock: Clock
) -> tuple[Free, ...]:
    """Measure the gaps to the nearest neighbour, and to the nearest one on the other side."""
    others = np.where(own.cells, 0, tower)
    names = np.unique(others[floor < float(np.nanmedian(own.level_mm)) - LEAST_HIGH_MM])
    cells = [_with_cusps(floor, others, name, row) for name in names if name]
    gaps = [_gap(floor, own, _tower(floor, one, row)) for one in cells]
    free: list[Free] = []
    ways: list[Floats] = []
    for width_mm, way, is_seen in sorted(gaps, key=lambda gap: gap[0]):
        if width_mm > FAR_MM or any(way @ other > 0.0 for other in ways):
            continue
        ways.append(way)
        end = np.array(grid.low_mm) + REACH_MM + way[::-1] * TOWARDS_MM
        if row is not None:
            along = _along(own.middle, row) @ way
            end = np.array(grid.low_mm) + row[-1 if along > 0.0 else 0, ::-1] * FINE_MM
        told_mm = (width_mm if width_mm >= BLADE_MM else 0.0) if is_seen else None
        free.append(Free(towards_hour=int(clock.hours(*end)), width_mm=told_mm))
    return tuple(free)


def _gap(floor_mm: Floats, own: _Tower, its: _Tower) -> tuple[float, Floats, bool]:
    """Measure a gap from wall to wall, the way there, and whether it was all seen."""
    outline = its.outline if len(its.outline) else its.middle[None]
    apart, nearest = cKDTree(own.outline).query(outline)
    k = int(np.argmin(apart))
    here, there = own.outline[nearest[k]], outline[k]
    across = np.rint(np.linspace(here, there, int(apart[k]) + 2)).astype(np.int64)
    is_seen = np.isfinite(floor_mm[tuple(across.T)]).all()
    is_seen &= own.is_seen_towards(there) and its.is_seen_towards(here)
    way = (there - own.middle) / np.linalg.norm(there - own.middle)
    return float(apart[k]) * FINE_MM, way, bool(is_seen)
