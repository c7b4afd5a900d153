"""Which hollows are the cavity's, what a person decided otherwise, and what was left out.

Rings as in `terrain`, two of them beside each other; volumes and areas by the circle's formula.
"""

import math

import numpy as np
import pytest

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
from volest.cavity.footprint import Correction, find_footprint, pools
from volest.cavity.relief import Relief

FAR_MM = 40.0  # between the middles of two rings
GRID = grid_about(60.0)


def bowl(x: Floats, y: Floats, radius_mm: float, crest_mm: float, deep_mm: float = 6.0) -> Floats:
    """A flat floor with a wall of 2 mm's rise a mm, a level crest of 1 mm, and a fall beyond it."""
    off = np.hypot(x, y) - radius_mm
    beyond = crest_mm - 2.0 * np.maximum(off - 1.0, 0.0)
    return np.where(off < 0.0, crest_mm - np.minimum(-2.0 * off, deep_mm), beyond)


def two(radius_mm: float, crest_mm: float = 10.0) -> tuple[Relief, Bools]:
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
