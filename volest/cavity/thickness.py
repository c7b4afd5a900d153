"""How thick the cast will be, up to the base line and the pour's top; a palate that is left out.

Heights, not balls: the largest ball that fits is small at every edge, and elsewhere the same.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt, label, median_filter, minimum_filter
from scipy.spatial import cKDTree

from volest.cavity.base_line import BasePlane
from volest.cavity.cells import grown, joined
from volest.cavity.columns import Grid
from volest.cavity.frame import Bools, Floats
from volest.cavity.imprints import Imprints, floors_mm
from volest.cavity.trim import Clock
from volest.cavity.void import ReachableVoid
from volest.notes import Note

OFF_WALL_MM = 8.0  # off the rim: nearer to it the floor of an upper is still its wall
RING_MM = 1.6  # round an imprint: the gum beside the tooth
RIM_MM, OFF_RIM_MM = 1.0, 0.8  # what has less stone, out to the rim, is no gum, nor is so near it
LEAST_RING = 0.1  # of the ring; less is no gum to judge by
THIN_MM2 = 10.0  # a smaller place is not where a cast breaks; practice, no source
LEAST_MM2 = 100.0  # a smaller palate is not worth a wall; practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Behind:
    """Stone behind an imprint."""

    imprint: int  # which, from 1
    # from its deepest place, and from the gum beside it, up to the base line; None where that was
    # not seen, or has no gum beside it but the tray's rim
    tip_mm: float | None
    gum_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Thickness:
    """Heights of stone, along the base line's normal."""

    # the least up to the base line, off the walls, negative where the floor stands over it; None
    # where all of the floor is near one
    least_mm: float | None
    least_hour: int | None  # where that is
    over_mm: float  # stone over the base line: the heap, or the base
    wanted_mm: float  # what the lab wants of a cast at its thinnest
    thin_mm2: float  # area off the walls that has less
    total_mm: float  # height of the whole cast, from the deepest imprint to its top
    behind: tuple[Behind, ...]  # stone behind each imprint
    notes: tuple[Note, ...]  # what a person must act on


def find_thickness(
    rooms: ReachableVoid,
    base: BasePlane,
    clock: Clock,
    imprints: Imprints | None,
    *,
    over_mm: float,
    wanted_mm: float,
) -> Thickness:
    """Measure the stone over the floor; so much more stands over the base line."""
    grid, floor = rooms.grid, floors_mm(rooms)
    covered = np.isfinite(floor)
    over = ~rooms.filled & ~covered.ravel()[rooms.cell]
    # What stands over the line and has covered floor all round is floor too; a wall joins the rim.
    off_mm = _off_mm(joined(~grid.map_of(rooms.cell), ~covered), grid)
    seen = grid.map_of(rooms.cell)
    seen.flat[rooms.cell[rooms.assumed]] = False
    all_mm = np.where(covered, floor, 0.0)
    all_mm.flat[rooms.cell[over]] = rooms.floor_mm[over]
    low = median_filter(all_mm, size=3)  # a lone spike is no floor
    stone = np.where(seen & (off_mm >= OFF_WALL_MM), -low * base.upright, np.inf)
    at = int(np.argmin(stone))
    least_mm, hour = float(stone.flat[at]), int(clock.hours(*grid.places_mm(np.array(at))))
    thin_mm2 = float(np.count_nonzero(stone + over_mm < wanted_mm)) * grid.pitch_mm**2
    thin = Note(
        "thin-stone",
        hour=hour,
        area_mm2=thin_mm2,
        have_mm=max(least_mm + over_mm, 0.0),
        wanted_mm=wanted_mm,
        higher_mm=wanted_mm - least_mm - over_mm,
    )
    is_told = math.isfinite(least_mm)
    return Thickness(
        least_mm=least_mm if is_told else None,
        least_hour=hour if is_told else None,
        over_mm=over_mm,
        wanted_mm=wanted_mm,
        thin_mm2=thin_mm2,
        total_mm=float(-rooms.floor_mm[rooms.filled].min()) * base.upright + over_mm,
        behind=() if imprints is None else _behind(floor, seen, base, grid, imprints),
        notes=(thin,) if thin_mm2 >= THIN_MM2 else (),
    )


def _off_mm(wall: Bools, grid: Grid) -> Floats:
    """Measure how far cells lie from a wall, or from the grid's border."""
    return np.asarray(distance_transform_edt(np.pad(~wall, 1))[1:-1, 1:-1] * grid.pitch_mm)


def _behind(
    floor: Floats, seen: Bools, base: BasePlane, grid: Grid, imprints: Imprints
) -> tuple[Behind, ...]:
    """Measure the stone behind each imprint, and behind the gum beside it."""
    found = []
    whole = minimum_filter(seen, size=5)  # beside a hole the deepest place is that hole's border
    is_gum = (imprints.piece == 0) & np.isfinite(floor)
    off_rim = _off_mm(joined(~np.isfinite(floor), ~(floor < -RIM_MM)), grid) >= OFF_RIM_MM
    for number, imprint in enumerate(imprints.each, start=1):
        j, i = np.nonzero(imprints.piece == number)
        reach = int(RING_MM / grid.pitch_mm) + 2
        box = tuple(slice(max(int(v.min()) - reach, 0), int(v.max()) + reach) for v in (j, i))
        off = distance_transform_edt(imprints.piece[box] != number) * grid.pitch_mm
        ring = is_gum[box] & (off <= RING_MM)
        gum = -floor[box][ring & off_rim[box]] * base.upright
        is_seen = whole.ravel()[grid.cells_of(*np.array(imprint.place_mm)[:, None])[0]]
        found.append(
            Behind(
                imprint=number,
                tip_mm=imprint.deep_mm if is_seen else None,
                gum_mm=float(np.quantile(gum, 0.25))
                if len(gum) > LEAST_RING * np.count_nonzero(ring)
                else None,
            )
        )
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class Palate:
    """The palate left out."""

    kept_mm: float  # how far inside of the row's middle stone is kept
    ml: float  # what is not poured: up to the base line, and over it
    area_mm2: float  # what is covered, seen along the pour axis
    # Length of the wall, its area, and where it is highest, up to the pour's top.
    edge_mm: float
    wall_mm2: float
    high_mm: float


def find_palate(
    rooms: ReachableVoid,
    base: BasePlane,
    imprints: Imprints | None,
    *,
    kept_mm: float,
    over_mm: float,
) -> Palate | None:
    """Measure what lies further than that inside of the row; None where no arch is found."""
    from skimage.draw import polygon2mask
    from skimage.measure import find_contours

    if imprints is None or not imprints.is_arch:
        return None
    curve, grid, floor = imprints.curve_mm, rooms.grid, floors_mm(rooms)
    covered = np.isfinite(floor)
    places = np.stack(grid.centres_mm(), axis=-1)
    away_mm = np.full(grid.shape, 0.0)
    away_mm[covered] = cKDTree(curve).query(places[covered])[0]
    names, _ = label(away_mm > kept_mm)
    within = polygon2mask(grid.shape, (curve - grid.low_mm)[:, ::-1] / grid.pitch_mm)
    shares = np.bincount(names[within], minlength=2)
    palate = names == np.argmax(shares[1:]) + 1  # behind the row it goes on
    area_mm2 = float(np.count_nonzero(palate)) * grid.pitch_mm**2
    if not shares[1:].any() or area_mm2 < LEAST_MM2:
        return None
    high_mm = np.where(covered, over_mm - floor * base.upright, 0.0)
    edge_mm, wall_mm2, highest_mm = 0.0, 0.0, 0.0
    for line in find_contours(away_mm, kept_mm, mask=covered):
        at = np.rint(0.5 * (line[1:] + line[:-1])).astype(np.int64)
        steps_mm = np.linalg.norm(np.diff(line, axis=0), axis=1) * grid.pitch_mm
        own = grown(palate, corners=True)[tuple(at.T)]
        edge_mm += float(steps_mm[own].sum())
        wall_mm2 += float((steps_mm * high_mm[tuple(at.T)])[own].sum())
        highest_mm = max(highest_mm, float(high_mm[tuple(at[own].T)].max(initial=0.0)))
    return Palate(
        kept_mm=kept_mm,
        ml=float((over_mm - floor[palate]).sum()) * grid.pitch_mm**2 / 1000.0,
        area_mm2=area_mm2,
        edge_mm=edge_mm,
        wall_mm2=wall_mm2,
        high_mm=highest_mm,
    )
