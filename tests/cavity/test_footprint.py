"""The footprint of reliefs from formulas: areas by the circle's and the rectangle's formula.

Which hollows are the cavity's, what a person decided otherwise, and what was left out.

Rings as in `terrain`, two of them beside each other; volumes and areas by the circle's formula.
"""

import math

import numpy as np
import pytest
from manifold3d import Manifold
from scipy import ndimage

from tests.cavity.stages import bed, box, pit, staged
from tests.cavity.terrain import (
    PITCH_MM,
    Bools,
    Floats,
    area_mm2,
    disc,
    grid_about,
    relief_of,
    ring,
)
from volest.cavity.cells import flood_levels, grown
from volest.cavity.columns import Grid
from volest.cavity.footprint import Correction, _outward_slope, find_footprint, pools
from volest.cavity.height_map import HeightMap

RING_MM2 = math.pi * 20.0**2
EDGE_MM2 = 2.0 * math.pi * 20.0 * PITCH_MM  # one cell all along the crest
FAR_MM = 40.0  # between the middles of two rings
GRID = grid_about(60.0)


def where(relief: HeightMap) -> tuple[Floats, Floats]:
    return relief.grid.centres_mm()


def mound(x: Floats, y: Floats) -> Floats:
    """A palate: it rises in the middle, lower than the crest, and is dry in the pools."""
    return ring(x, y) + 8.0 * np.exp(-(x**2 + y**2) / 40.0)


def notched(x: Floats, y: Floats) -> Floats:
    """The ring with its crest torn down to a height of 4 over a width of 8."""
    torn = (np.abs(y) < 4.0) & (x > 0.0)
    return np.where(torn, np.minimum(ring(x, y), 4.0), ring(x, y))


def trough(x: Floats, y: Floats) -> Floats:
    """A straight trough along y with crests at x = +-10, and the scan's end across it."""
    away = np.abs(x) + 0.0 * y
    return np.where(away < 10.0, 10.0 - np.minimum(10.0 - away, 5.0) * 2.0, 30.0 - 2.0 * away)


def test_pools_fill_to_where_they_spill() -> None:
    # A trough floor at 0 and a crest at 10 with a notch down to 4.
    depth = pools(relief_of(notched, disc(26.0)))
    assert depth.max() == pytest.approx(4.0, abs=2 * PITCH_MM)
    assert pools(relief_of(ring, disc(26.0))).max() == pytest.approx(10.0, abs=2 * PITCH_MM)


def test_pool_of_a_paraboloid_has_its_volume() -> None:
    # Elliptic paraboloid, pi a b h / 2 (CRC Standard Mathematical Tables, 'Solids'; from memory).
    relief = relief_of(
        lambda x, y: np.minimum(12.0 * ((x / 24.0) ** 2 + (y / 18.0) ** 2), 12.0), disc(28.0)
    )
    held_mm3 = pools(relief).sum() * PITCH_MM**2
    assert held_mm3 == pytest.approx(math.pi * 24.0 * 18.0 * 12.0 / 2.0, rel=2e-3)


def test_a_heap_holds_nothing() -> None:
    relief = relief_of(lambda x, y: -np.hypot(x, y), disc(26.0))
    assert not pools(relief).any()
    assert not find_footprint(relief).inside.any()


def test_border_runs_on_the_crest() -> None:
    footprint = find_footprint(relief_of(ring, disc(26.0)))
    assert area_mm2(footprint.inside) == pytest.approx(RING_MM2, abs=EDGE_MM2)
    x, y = grid_about().centres_mm()
    radius = np.hypot(x, y)[footprint.border]
    assert radius.min() > 20.0 - 2 * PITCH_MM
    assert radius.max() < 20.0 + 2 * PITCH_MM
    assert not (footprint.border & ~footprint.inside).any()
    assert footprint.rising_share == 0.0


def test_palate_mound_is_inside() -> None:
    relief = relief_of(mound, disc(26.0))
    footprint = find_footprint(relief)
    x, y = where(relief)
    assert footprint.inside[np.hypot(x, y) < 19.0].all()
    assert area_mm2(footprint.inside) == pytest.approx(RING_MM2, abs=EDGE_MM2)


def test_an_island_as_high_as_the_rim_is_inside() -> None:
    relief = relief_of(lambda x, y: np.maximum(ring(x, y), 10.0 * (np.hypot(x, y) < 5.0)), disc(26))
    assert area_mm2(find_footprint(relief).inside) == pytest.approx(RING_MM2, abs=EDGE_MM2)


def horseshoe(x: Floats, y: Floats) -> Floats:
    """A round trough about r = 18, closed behind: its distance from the trough's middle line."""
    off = np.where(y > 0.0, np.abs(np.hypot(x, y) - 18.0), np.hypot(np.abs(x) - 18.0, y))
    return np.where(off < 6.0, 10.0 - 2.0 * np.minimum(6.0 - off, 4.0), 10.0 - 2.0 * (off - 6.0))


def test_tongue_space_is_outside() -> None:
    def seen(x: Floats, y: Floats) -> Bools:
        return np.asarray(horseshoe(x, y) > 2.0 - 1e-9)

    relief = relief_of(horseshoe, seen)
    footprint = find_footprint(relief)
    x, y = where(relief)
    # Half a ring of width 12 about r = 18, and two half discs of r = 6.
    expected = math.pi * 18.0 * 12.0 + math.pi * 6.0**2
    assert not footprint.inside[(np.hypot(x, y) < 11.0)].any()
    assert area_mm2(footprint.inside) == pytest.approx(expected, rel=0.04)


def test_open_heel_ends_where_the_scan_ends() -> None:
    """One end of a trough is closed; at the other the scan stops across it."""

    def heel(x: Floats, y: Floats) -> Floats:
        end = np.where(y > 10.0, 10.0 - 2.0 * np.abs(20.0 - y), -99.0)
        return np.maximum(trough(x, y), np.where(np.abs(x) < 10.0, end, -99.0)) - 0.05 * (y + 25.0)

    def seen(x: Floats, y: Floats) -> Bools:
        return (np.abs(x) < 14.0) & (y > -25.0) & (y < 24.0)

    relief = relief_of(lambda x, y: heel(x, y) + 0.1 * np.maximum(-15.0 - y, 0.0), seen)
    footprint = find_footprint(relief)
    x, y = where(relief)
    last = (y < -25.0 + 2 * PITCH_MM) & seen(x, y) & (np.abs(x) < 9.0)
    assert footprint.inside[last].all()
    assert area_mm2(footprint.inside) == pytest.approx(20.0 * 45.0, rel=0.04)


def test_border_is_carried_across_a_notch() -> None:
    relief = relief_of(notched, disc(26.0))
    footprint = find_footprint(relief)
    x, y = where(relief)
    across = (np.abs(y) < 3.0) & (x > 0.0)
    radius = np.hypot(x, y)
    assert footprint.inside[across & (radius < 14.0)].all()
    assert not footprint.inside[across & (radius > 21.0)].any()


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_quarter_turns_turn_the_footprint(turns: int) -> None:
    relief = relief_of(lambda x, y: mound(x - 2.0, y + 1.0), disc(26.0))
    turned = HeightMap(
        grid=relief.grid,
        top_mm=np.rot90(relief.top_mm, turns),
        outside=np.rot90(relief.outside, turns),
        hole=relief.hole,
    )
    back = np.rot90(find_footprint(turned).inside, -turns)
    # Cells at equal height on the crest may go to either side.
    assert area_mm2(back ^ find_footprint(relief).inside) < EDGE_MM2


def test_lifting_the_scan_changes_nothing() -> None:
    low = relief_of(mound, disc(26.0))
    high = relief_of(lambda x, y: mound(x, y) + 512.0, disc(26.0))
    assert np.array_equal(find_footprint(low).inside, find_footprint(high).inside)


def test_a_bowl_that_never_comes_to_its_rim_rises() -> None:
    bowl = relief_of(lambda x, y: 0.05 * (x**2 + y**2), disc(24.0))
    assert find_footprint(bowl).rising_share == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("seed", range(12))
def test_the_lowest_way_to_an_edge_leads_over_where_the_pits_spill(seed: int) -> None:
    # What the footprint takes for the way, against a second flood that rises from the pits.
    rng = np.random.default_rng(seed)
    seen = np.pad(rng.random((30, 40)) < 0.93, 2)
    outside = ndimage.binary_propagation(~np.pad(np.ones((30, 40), bool), 2), mask=~seen)
    top = ndimage.gaussian_filter(rng.normal(size=seen.shape), rng.uniform(0.3, 2.0))
    top[outside] = top[~outside].min()
    pits = (rng.random(seen.shape) < 0.01) & ~outside
    edge = grown(outside) & ~outside
    spill = flood_levels(top, outside)[pits].min()
    assert np.array_equal(flood_levels(top, pits)[edge], np.maximum(top, spill)[edge])


def test_two_pits_are_both_inside() -> None:
    stages = staged(
        bed(pit(20.0, 30.0, 12.0, (-15.0, 0.0)), pit(12.0, 12.0, 9.0, (15.0, 0.0))), 0.4
    )
    inside, (x, y) = stages.footprint.inside, stages.relief.grid.centres_mm()
    assert inside[(np.abs(x + 15.0) < 9.5) & (np.abs(y) < 14.5)].all()
    assert inside[(np.abs(x - 15.0) < 5.5) & (np.abs(y) < 5.5)].all()


def test_a_stub_handle_is_outside() -> None:
    solid = bed(pit(50.0, 40.0, 15.0)) + box((30.0, 12.0, 4.0), (45.0, 0.0, -8.0))
    stages = staged(solid)
    x, _ = stages.relief.grid.centres_mm()
    assert not stages.footprint.inside[x > 31.5].any()


def test_a_plate_under_the_tray_is_outside() -> None:
    plate = Manifold.cylinder(3.0, 75.0, 75.0, 64).translate((0.0, 0.0, -33.0))
    stages = staged(bed(pit(50.0, 40.0, 15.0)) + plate)
    x, y = stages.relief.grid.centres_mm()
    assert not stages.footprint.inside[(np.abs(x) > 31.5) | (np.abs(y) > 26.5)].any()
    assert stages.footprint.inside[(np.abs(x) < 24.5) & (np.abs(y) < 19.5)].all()


def test_empty_grid_of_outside_has_no_footprint() -> None:
    grid = Grid(pitch_mm=0.4, low_mm=(0.0, 0.0), shape=(9, 9))
    nothing = np.zeros(grid.shape, dtype=bool)
    relief = HeightMap(grid=grid, top_mm=np.zeros(grid.shape), outside=~nothing, hole=nothing)
    footprint = find_footprint(relief)
    assert not footprint.inside.any()
    assert footprint.rising_share == 0.0


def bowl(x: Floats, y: Floats, radius_mm: float, crest_mm: float, deep_mm: float = 6.0) -> Floats:
    """A flat floor with a wall of 2 mm's rise a mm, a level crest of 1 mm, and a fall beyond it."""
    off = np.hypot(x, y) - radius_mm
    beyond = crest_mm - 2.0 * np.maximum(off - 1.0, 0.0)
    return np.where(off < 0.0, crest_mm - np.minimum(-2.0 * off, deep_mm), beyond)


def two(radius_mm: float, crest_mm: float = 10.0) -> tuple[HeightMap, Bools]:
    """See a ring of radius 20 with a smaller one apart, and say which cells are the smaller's."""
    relief = relief_of(
        lambda x, y: np.maximum(bowl(x, y, 20.0, 10.0), bowl(x - FAR_MM, y, radius_mm, crest_mm)),
        lambda x, y: (np.hypot(x, y) < 24.0) | (np.hypot(x - FAR_MM, y) < radius_mm + 4.0),
        GRID,
    )
    x, y = GRID.centres_mm()
    return relief, np.asarray(np.hypot(x - FAR_MM, y) < radius_mm - 0.5)


def held_mm3(radius_mm: float) -> float:
    """What a bowl holds: the frustum between its floor and its crest."""
    foot = radius_mm - 3.0
    return math.pi / 3.0 * 6.0 * (radius_mm**2 + radius_mm * foot + foot**2)


@pytest.mark.parametrize(("radius_mm", "counts"), [(9.3, False), (10.6, True)])
def test_a_hollow_counts_from_a_fifth_of_the_largest_on(radius_mm: float, *, counts: bool) -> None:
    # 0.17 and 0.24 of what the large one holds; a fifth parts a second pit from a tray's dents.
    relief, small = two(radius_mm)
    share = held_mm3(radius_mm) / held_mm3(20.0)
    assert (share > 0.2) == counts
    footprint = find_footprint(relief)
    assert footprint.inside[small].any() == counts
    assert footprint.inside[small].all() == counts
    assert footprint.left_out_ml == pytest.approx(0.0)


@pytest.mark.parametrize(("lower_mm", "counts"), [(4.6, True), (5.4, False)])
def test_a_hollow_more_than_5_mm_lower_is_left_out(lower_mm: float, *, counts: bool) -> None:
    # docs/reference/refusals.md, hollow-left-out: 'lies over 5 mm lower than its rim'
    relief, small = two(14.0, 10.0 - lower_mm)
    footprint = find_footprint(relief)
    assert footprint.inside[small].all() == counts
    expected_ml = 0.0 if counts else held_mm3(14.0) / 1000.0
    assert footprint.left_out_ml == pytest.approx(expected_ml, rel=0.03)


RING = relief_of(ring, disc(26.0))


X, Y = RING.grid.centres_mm()


def patch(*, is_in: bool) -> Correction:
    return Correction(x_mm=17.0, y_mm=-9.0, radius_mm=8.0, is_in=is_in)


def test_a_patch_is_taken_out_where_it_lies() -> None:
    before, after = (find_footprint(RING, given) for given in ((), (patch(is_in=False),)))
    in_patch = np.hypot(X - 17.0, Y + 9.0) <= 8.0
    assert np.array_equal(after.inside, before.inside & ~in_patch)
    assert (after.border & ~after.inside).sum() == 0


def test_a_patch_is_taken_in_where_the_scan_is() -> None:
    before, after = (find_footprint(RING, given) for given in ((), (patch(is_in=True),)))
    in_patch = np.hypot(X - 17.0, Y + 9.0) <= 8.0
    assert np.array_equal(after.inside, before.inside | (in_patch & ~RING.outside))
    # Part of the patch lies beyond the scan, where nothing can be taken in.
    assert (in_patch & RING.outside).any()


def test_the_last_word_counts() -> None:
    out_then_in = find_footprint(RING, (patch(is_in=False), patch(is_in=True))).inside
    in_then_out = find_footprint(RING, (patch(is_in=True), patch(is_in=False))).inside
    in_patch = np.hypot(X - 17.0, Y + 9.0) <= 8.0
    assert out_then_in[in_patch & ~RING.outside].all()
    assert not in_then_out[in_patch].any()


def test_a_patch_is_round() -> None:
    grown = find_footprint(RING, (Correction(x_mm=0.0, y_mm=0.0, radius_mm=23.0, is_in=True),))
    assert area_mm2(grown.inside) == pytest.approx(math.pi * 23.0**2, rel=0.01)


def heel(x: Floats, _: Floats) -> Floats:
    """A trough along y, 10 mm deep, its crests at x = +-10."""
    off = np.abs(x) - 10.0
    return np.where(off < 0.0, -np.minimum(-2.0 * off, 10.0), -2.0 * off)


def between(x: Floats, y: Floats) -> Bools:
    return (np.abs(x) < 14.0) & (np.abs(y) < 20.0)


def test_a_trough_open_at_both_ends_holds_what_it_would_boxed_in() -> None:
    relief = relief_of(heel, between)
    assert pools(relief).sum() == 0.0
    # Its section, a trapezoid of 20 over 10 by 10 deep, times 40 mm of length.
    boxed_mm3 = pools(relief, dammed=True).sum() * PITCH_MM**2
    assert boxed_mm3 == pytest.approx((20.0 + 10.0) / 2.0 * 10.0 * 40.0, rel=0.03)


def test_a_trough_open_at_both_ends_is_inside_to_its_ends() -> None:
    footprint = find_footprint(relief_of(heel, between))
    assert area_mm2(footprint.inside) == pytest.approx(20.0 * 40.0, rel=0.04)
    assert footprint.inside[(np.abs(X) < 9.0) & (np.abs(Y) < 19.0)].all()
    # Its ends neither rise nor fall: a share of the edge rises that is none.
    assert footprint.rising_share == 0.0


def test_rising_share_is_the_part_of_the_edge_that_rises() -> None:
    # A bowl whose wall rises to the edge over a third of the way round, and falls over the rest.
    def partly(x: Floats, y: Floats) -> Floats:
        away = np.hypot(x, y)
        rising = np.abs(np.arctan2(y, x)) < np.pi / 3.0
        return np.where(rising, 2.0 * away, np.where(away < 14.0, 2.0 * away, 56.0 - 2.0 * away))

    share = find_footprint(relief_of(partly, disc(18.0))).rising_share
    assert share == pytest.approx(1.0 / 3.0, abs=0.04)


@pytest.mark.parametrize("pitch_mm", [0.2, 0.4])
def test_the_slope_at_an_edge_is_that_of_the_surface_across_it(pitch_mm: float) -> None:
    # On a plane that rises by 1 in 2 along x the rise outwards, at an angle round a disc, is half
    # its cosine; the steps of the cells along the edge are evened out.
    grid = grid_about(24.0, pitch_mm)
    relief = relief_of(lambda x, _y: 0.5 * x, disc(20.0), grid)
    slope = _outward_slope(relief)
    x, y = where(relief)
    edge = (slope != 0.0) & (np.hypot(x, y) > 19.0)
    off = slope[edge] - 0.5 * np.cos(np.arctan2(y[edge], x[edge]))
    assert np.abs(off).max() < 0.1  # 0.13 and 0.29 where the steps tell
