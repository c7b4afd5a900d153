"""The cast: how thick it will be, what holds it in the impression, a palate that is left out.

Thickness is by heights, not balls: the largest ball that fits is small at every edge, and elsewhere
the same. Overhangs are measured by columns; areas of triangles only choose which other ways are
tried: noise on steep walls adds a quarter to them and more.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt, find_objects, label, median_filter, minimum_filter
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from volest.cavity.base_line import BasePlane
from volest.cavity.cells import grown, joined
from volest.cavity.columns import Grid, Surface, cut_columns, grid_over
from volest.cavity.frame import Bools, Floats, Ints
from volest.cavity.imprints import Imprints, floors_mm
from volest.cavity.trim import Clock
from volest.cavity.void import ReachableVoid, neighbours
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
    reach, places = int(RING_MM / grid.pitch_mm) + 2, find_objects(imprints.piece)
    for number, (one, place) in enumerate(zip(imprints.each, places, strict=True), start=1):
        box = tuple(slice(max(way.start - reach, 0), way.stop + reach) for way in place)
        off = distance_transform_edt(imprints.piece[box] != number) * grid.pitch_mm
        ring = is_gum[box] & (off <= RING_MM)
        gum = -floor[box][ring & off_rim[box]] * base.upright
        has_gum = len(gum) > LEAST_RING * np.count_nonzero(ring)
        is_seen = whole.flat[grid.cells_of(*np.array(one.place_mm))]
        tip_mm = one.deep_mm if is_seen else None
        gum_mm = float(np.quantile(gum, 0.25)) if has_gum else None
        found.append(Behind(imprint=number, tip_mm=tip_mm, gum_mm=gum_mm))
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
    if imprints is None or not imprints.is_arch:
        return None
    from skimage.draw import polygon2mask
    from skimage.measure import find_contours

    curve, grid, floor = imprints.curve_mm, rooms.grid, floors_mm(rooms)
    covered = np.isfinite(floor)
    places = np.stack(grid.centres_mm(), axis=-1)
    away_mm = np.zeros(grid.shape)
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


LEAST_ML = 0.01  # at an hour: less is the grid's
WITHIN_DEG, RINGS, TURNS = 20.0, 5, 16  # ways out that a hand finds; practice, no source
TRAY_MM = 0.5  # what lies so far under all floors about is the tray's outside
TRIED = 2  # of the ways with least area under them, cut anew
GRAIN_MM = 1.0  # over which areas are summed, so that noise on walls cancels
LESS_ML, LESS_SHARE = 0.1, 0.2  # a way that saves less is not worth a word
# A ridge that is held on both sides: practice, no source. A made toothless one has 1.1 mL along the
# best way, 0.1 to 0.2 at each of nine hours, sound arches with teeth 0.14 mL in all.
LOCKED_ML, LOCKED_MM, LOCKED_HOUR_ML, LOCKED_HOURS = 0.5, 0.5, 0.05, 6
NECKS_MM = np.arange(3.0, 9.5, 0.5)  # over the tip; nearer to it all teeth are thin


@dataclass(frozen=True, slots=True, kw_only=True)
class Undercut:
    """What is under an overhang at one hour: seen area, how far in, and the stone there."""

    hour: int
    area_mm2: float
    deep_mm: float
    ml: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WayOut:
    """A way out that leans towards an hour, and the stone under overhangs along it."""

    lean_deg: float
    hour: int
    ml: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Slender:
    """An imprint's weakest section."""

    imprint: int  # which, from 1
    per_mm2: float  # its height over the section modulus about the weak axis: for ranking
    # where the section lies, and its area
    over_tip_mm: float
    neck_mm2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Separation:
    """What holds the cast in the impression."""

    # stone under overhangs along the pour axis, how much of it where surface was not seen, their
    # area seen along it, and how far in they go from their lip
    ml: float
    unseen_ml: float
    area_mm2: float
    deep_mm: float
    hours: tuple[Undercut, ...]
    better: WayOut | None  # a way out with clearly less; None where none within 20 degrees has
    slender: tuple[Slender, ...]  # all imprints, the most slender first
    notes: tuple[Note, ...]  # what a person must act on


def find_separation(
    surface: Surface, rooms: ReachableVoid, base: BasePlane, clock: Clock, imprints: Imprints | None
) -> Separation:
    """Measure overhangs along the pour axis, look for a better way out, and rank the imprints."""
    grid = rooms.grid
    roofed = rooms.filled & np.isfinite(rooms.roof_mm)
    cell = rooms.cell[roofed]
    ml = (np.minimum(rooms.roof_mm[roofed], 0.0) - rooms.floor_mm[roofed]) * grid.pitch_mm**2 / 1e3
    deep = reach_mm(rooms)[roofed]
    at = clock.hours(*grid.places_mm(cell))
    hours = []
    for hour in np.unique(at):
        own = at == hour
        if ml[own].sum() >= LEAST_ML:
            area_mm2 = len(np.unique(cell[own])) * grid.pitch_mm**2
            deep_mm, its_ml = float(deep[own].max()), float(ml[own].sum())
            hours.append(Undercut(hour=int(hour), area_mm2=area_mm2, deep_mm=deep_mm, ml=its_ml))
    better, least_ml = _better(surface, rooms, base, clock)
    held = [one for one in hours if one.deep_mm >= LOCKED_MM and one.ml >= LOCKED_HOUR_ML]
    notes: tuple[Note, ...] = ()
    if least_ml >= LOCKED_ML and len(held) >= LOCKED_HOURS:
        deep_mm = float(deep.max())
        notes = (Note("ridge-undercut", ml=float(ml.sum()), deep_mm=deep_mm, least_ml=least_ml),)
    return Separation(
        ml=float(ml.sum()),
        unseen_ml=float(ml[rooms.assumed[roofed]].sum()),
        area_mm2=len(np.unique(cell)) * grid.pitch_mm**2,
        deep_mm=float(deep.max(initial=0.0)),
        hours=tuple(hours),
        better=better,
        slender=() if imprints is None else _slender(rooms, base, imprints),
        notes=notes,
    )


def reach_mm(rooms: ReachableVoid) -> Floats:
    """Measure how far each stretch under a roof, (m,), lies in from the lip of its overhang.

    The lip is where open stretches meet those under one roof: a wall that flares over it is none.
    """
    grid, is_open = rooms.grid, np.isinf(rooms.roof_mm)
    a, b = neighbours(grid, rooms.cell, rooms.floor_mm, rooms.roof_mm)
    under = ~is_open[a] & ~is_open[b]
    one, other = np.append(a, b), np.append(b, a)
    at_lip = is_open[one] & ~is_open[other]
    count = len(rooms.cell)
    met = coo_array((np.ones(under.sum()), (a[under], b[under])), shape=(count, count))
    _, name = connected_components(met)
    far = name * (grid.shape[0] + grid.shape[1])  # so that another overhang's lip is never nearest
    j, i = np.divmod(rooms.cell, grid.shape[1])
    lips = np.stack([j[one[at_lip]], i[one[at_lip]], far[other[at_lip]]], axis=1)
    reach = np.zeros(count)
    if len(lips):
        off, at = cKDTree(lips).query(np.stack([j, i, far], axis=1)[~is_open])
        has_lip = lips[at, 2] == far[~is_open]  # none where it is closed in all round
        reach[~is_open] = np.where(has_lip, (off - 0.5) * grid.pitch_mm, 0.0)  # from between cells
    return reach


def _better(
    surface: Surface, rooms: ReachableVoid, base: BasePlane, clock: Clock
) -> tuple[WayOut | None, float]:
    """Look for a way out with clearly less under it; give the least volume too."""
    corners = surface.corners_mm
    middle = corners.mean(axis=1)
    lowest = outside_mm(rooms)
    over = base.heights_mm(*middle)
    near = np.flatnonzero(over < 0.0)
    near = near[over[near] > lowest[rooms.grid.cells_of(middle[0, near], middle[1, near])]]
    corners = corners.take(near, axis=2)
    turns = np.arange(TURNS) * 2.0 * np.pi / TURNS
    ways = [(0.0, 0.0, 0.0)]
    for lean_deg in np.arange(1, RINGS + 1) * WITHIN_DEG / RINGS:
        slope = math.tan(math.radians(lean_deg))
        ways += [(lean_deg, slope * math.cos(turn), slope * math.sin(turn)) for turn in turns]
    # Area vectors, summed over grains of the surface.
    (ax, ay, az), (bx, by, bz) = (corners[:, k] - corners[:, 0] for k in (1, 2))
    area = 0.5 * np.stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx])
    places = middle[:, near]
    grain = np.floor((places - places.min(axis=1, keepdims=True)) / GRAIN_MM).astype(np.int64)
    name = np.ravel_multi_index(tuple(grain), tuple(grain.max(axis=1, initial=0) + 1))
    areas = np.stack([np.bincount(name, part) for part in area], axis=1)
    areas = areas[areas.any(axis=1)]
    facing = areas[:, 2] - np.array(ways)[:, 1:] @ -areas[:, :2].T  # (ways, grains), along the way
    order = np.argsort(np.maximum(-facing, 0.0).sum(axis=1), kind="stable")
    straight_ml = under_ml(corners, base, rooms.grid.pitch_mm)
    least_ml, least = straight_ml, ways[0]
    for k in [k for k in order if k][:TRIED]:
        ml = under_ml(corners, base, rooms.grid.pitch_mm, ways[k][1:])
        if ml < least_ml:
            least_ml, least = ml, ways[k]
    if straight_ml - least_ml < max(LESS_ML, LESS_SHARE * straight_ml):
        return None, least_ml
    hour = int(clock.hours(*(clock.centre_mm + least[1:])))
    return WayOut(lean_deg=float(least[0]), hour=hour, ml=least_ml), least_ml


def outside_mm(rooms: ReachableVoid) -> Floats:
    """Give heights, a cell each, under which the tray's outside lies; the last of none."""
    floor = np.full(rooms.grid.shape, np.inf)
    floor.flat[rooms.cell[::-1]] = rooms.floor_mm[::-1]  # the lowest: a cell's rise
    lowest = np.where(np.isfinite(floor), minimum_filter(floor, 5) - TRAY_MM, np.inf)
    return np.append(lowest.ravel(), np.inf)


def under_ml(
    corners: Floats, base: BasePlane, pitch_mm: float, slope: tuple[float, float] = (0.0, 0.0)
) -> float:
    """Measure the room under roofs along a way that leans by slopes in x and y, by columns.

    `corners` (3, 3, n) of the cavity's surface below the base line; a shear makes the way upright.
    """
    height = base.heights_mm(*corners)
    sheared = np.stack([corners[0] - slope[0] * height, corners[1] - slope[1] * height, height])
    grid = grid_over(sheared[0].ravel(), sheared[1].ravel(), pitch_mm)
    columns = cut_columns(sheared.take(_roofed(sheared, grid), axis=2), grid)
    same = (columns.cell[1:] == columns.cell[:-1]) & columns.up[:-1] & ~columns.up[1:]
    deep_mm = (np.minimum(columns.z_mm[1:], 0.0) - columns.z_mm[:-1])[same]
    return float(np.maximum(deep_mm, 0.0).sum()) * pitch_mm**2 / 1000.0


def _roofed(corners: Floats, grid: Grid) -> Ints:
    """Choose the triangles, (k,), that may cross a column in which one faces down."""
    (ax, ay), (bx, by) = (corners[:2, k] - corners[:2, 0] for k in (1, 2))
    down = cut_columns(corners.take(np.flatnonzero(ax * by < ay * bx), axis=2), grid)
    roofs = np.zeros((grid.shape[0] + 1, grid.shape[1] + 1), dtype=np.int64)
    roofs[1:, 1:].flat[np.unique(down.cell)] = 1
    roofs = roofs.cumsum(axis=0).cumsum(axis=1)
    (i, i_to), (j, j_to) = (
        [
            np.ceil((end(corners[axis], axis=0) - grid.low_mm[axis]) / grid.pitch_mm).astype(int)
            for end in (np.min, np.max)
        ]
        for axis in (0, 1)
    )
    return np.flatnonzero(roofs[j_to, i_to] - roofs[j, i_to] - roofs[j_to, i] + roofs[j, i])


def _slender(rooms: ReachableVoid, base: BasePlane, imprints: Imprints) -> tuple[Slender, ...]:
    """Rank the imprints by height over section modulus, each at its worst height."""
    piece = imprints.piece.ravel()[rooms.cell]
    pitch = rooms.grid.pitch_mm
    found: list[Slender] = []
    for number in range(1, len(imprints.each) + 1):
        own = np.flatnonzero((piece == number) & rooms.filled)
        if not len(own):
            continue
        floor, top = rooms.floor_mm[own] * base.upright, rooms.roof_mm[own] * base.upright
        places_mm = np.stack(rooms.grid.places_mm(rooms.cell[own]))
        sections: list[Slender] = []
        for over_mm in NECKS_MM[floor.min() + NECKS_MM < 0.0]:
            level = float(floor.min() + over_mm)
            cut = (floor < level) & (top > level)
            if not cut.any():  # under a pocket's roof, over its neighbour's floor
                continue
            places = places_mm[:, cut]
            values, axes = np.linalg.eigh(np.cov(places, bias=True))
            off = axes[:, 0] @ (places - places.mean(axis=1, keepdims=True))
            area_mm2 = float(np.count_nonzero(cut)) * pitch**2
            inertia = area_mm2 * (float(values[0]) + pitch**2 / 12.0)
            per_mm2, over = float(over_mm * np.abs(off).max() / inertia), float(over_mm)
            one = Slender(imprint=number, per_mm2=per_mm2, over_tip_mm=over, neck_mm2=area_mm2)
            sections.append(one)
        if sections:
            found.append(max(sections, key=lambda one: one.per_mm2))
    return tuple(sorted(found, key=lambda one: -one.per_mm2))
