"""How thick the cast will be: stone between the floor and the base line, and up to the pour's top.

Heights, not balls: the largest ball that fits is small at every edge, and elsewhere the same.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt, median_filter, minimum_filter

from volest.cavity.base_line import BasePlane
from volest.cavity.cells import joined
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
    grid = rooms.grid
    floor = floors_mm(rooms)
    covered = np.isfinite(floor)
    over = ~rooms.filled & ~covered.ravel()[rooms.cell]
    # What stands over the line and has covered floor all round is floor too; a wall joins the rim.
    wall = joined(~grid.map_of(rooms.cell), ~covered)
    off_mm = distance_transform_edt(np.pad(~wall, 1))[1:-1, 1:-1] * grid.pitch_mm
    seen = grid.map_of(rooms.cell)
    seen.ravel()[rooms.cell[rooms.assumed]] = False
    all_mm = np.where(covered, floor, 0.0)
    all_mm.ravel()[rooms.cell[over]] = rooms.floor_mm[over]
    low = median_filter(all_mm, size=3)  # a lone spike is no floor
    stone = np.where(seen & (off_mm >= OFF_WALL_MM), -low * base.upright, np.inf)
    least_mm, hour, thin_mm2 = None, None, 0.0
    if np.isfinite(stone).any():
        at = int(np.argmin(stone))
        least_mm = float(stone.ravel()[at])
        hour = int(clock.hours(*grid.places_mm(np.array(at))))
        thin_mm2 = float(np.count_nonzero(stone + over_mm < wanted_mm)) * grid.pitch_mm**2
    notes: tuple[Note, ...] = ()
    if least_mm is not None and thin_mm2 >= THIN_MM2:
        thin = Note(
            "thin-stone",
            hour=hour,
            area_mm2=thin_mm2,
            have_mm=max(least_mm + over_mm, 0.0),
            wanted_mm=wanted_mm,
            higher_mm=wanted_mm - least_mm - over_mm,
        )
        notes = (thin,)
    return Thickness(
        least_mm=least_mm,
        least_hour=hour,
        over_mm=over_mm,
        wanted_mm=wanted_mm,
        thin_mm2=thin_mm2,
        total_mm=float(-rooms.floor_mm[rooms.filled].min()) * base.upright + over_mm,
        behind=() if imprints is None else _behind(floor, seen, base, grid, imprints),
        notes=notes,
    )


def _behind(
    floor: Floats, seen: Bools, base: BasePlane, grid: Grid, imprints: Imprints
) -> tuple[Behind, ...]:
    """Measure the stone behind each imprint, and behind the gum beside it."""
    found = []
    whole = minimum_filter(seen, size=5)  # beside a hole the deepest place is that hole's border
    is_gum = (imprints.piece == 0) & np.isfinite(floor)
    wall = joined(~np.isfinite(floor), ~(floor < -RIM_MM))
    off_rim = distance_transform_edt(np.pad(~wall, 1))[1:-1, 1:-1] * grid.pitch_mm >= OFF_RIM_MM
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
