"""The rim: planes of which the truth is known, gross outliers and all.

The median of |sin| over whole periods is sin 45 degrees: it gives the spread of a wavy crest.

Flat rims and notches in them: plane geometry on a straight rim whose edges are stated.

The footprint is stated too, so that nothing but the rim's own stage decides.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import binary_dilation
from scipy.stats import norm

from tests.cavity.stages import bed, pit, staged, still
from tests.cavity.terrain import PITCH_MM, Bools, Floats, area_mm2, disc, relief_of, ring
from volest.cavity.footprint import Footprint, find_footprint
from volest.cavity.height_map import HeightMap
from volest.cavity.rim import Rim, beyond_edge, find_rim, parted, robust_plane
from volest.errors import ScanError

REPEATABLE = settings(max_examples=40, derandomize=True)
FAR_BELOW_MM = 1.5  # stone runs out there unless boxed; common practice, no source
SLOPE = st.floats(-0.5, 0.5)
INNER_MM, OUTER_MM = 16.0, 20.0  # cavity's edge and footprint's, both from the middle
DEEP_MM = 10.0


def ring_points(seed: int, plane: Floats, noise_mm: float = 0.05, count: int = 300) -> Floats:
    """Return points along an arch-sized ellipse on a plane z = a x + b y + c, with noise."""
    rng = np.random.default_rng(seed)
    angle = rng.uniform(0.0, 2 * np.pi, count)
    x, y = 30.0 * np.cos(angle), 25.0 * np.sin(angle)
    z = plane[0] * x + plane[1] * y + plane[2] + rng.normal(0.0, noise_mm, count)
    return np.stack([x, y, z], axis=1)


@REPEATABLE
@given(a=SLOPE, b=SLOPE, share=st.floats(0.0, 0.4), seed=st.integers(0, 999))
def test_plane_stands_gross_outliers(a: float, b: float, share: float, seed: int) -> None:
    plane = np.array([a, b, 7.0])
    points = ring_points(seed, plane)
    off = np.random.default_rng(seed).uniform(2.0, 30.0, round(share * len(points)))
    points[: len(off), 2] -= off
    found = robust_plane(points)
    assert found[:2] == pytest.approx(plane[:2], abs=1.5e-3)  # 0.09 degrees
    assert found[2] == pytest.approx(plane[2], abs=0.03)


def test_plane_stands_a_torn_stretch() -> None:
    plane = np.array([0.1, -0.2, 3.0])
    points = ring_points(1, plane)
    torn = np.arctan2(points[:, 1], points[:, 0]) > 0.6  # 40 % of the way round, all together
    points[torn, 2] -= 8.0
    assert 0.38 < torn.mean() < 0.45
    assert robust_plane(points) == pytest.approx(plane, abs=0.03)


def test_plane_without_noise_is_least_squares() -> None:
    plane = np.array([0.3, -0.1, 12.0])
    points = ring_points(2, plane, noise_mm=0.0)
    assert robust_plane(points) == pytest.approx(plane, abs=1e-9)


@REPEATABLE
@given(seed=st.integers(0, 99), shift=st.tuples(*(st.integers(-500, 500),) * 3))
def test_plane_moves_with_its_points(seed: int, shift: tuple[int, int, int]) -> None:
    points = ring_points(seed, np.array([0.2, 0.1, 5.0]))
    plane = robust_plane(points)
    a, b, c = robust_plane(points + np.array(shift, float))
    assert (a, b) == pytest.approx(plane[:2], abs=1e-6)
    moved = c + a * shift[0] + b * shift[1] - shift[2]
    assert moved == pytest.approx(plane[2], abs=1e-3)


def test_order_of_points_hardly_matters() -> None:
    points = ring_points(3, np.array([0.2, 0.1, 5.0]))
    points[:100, 2] -= 5.0
    again = robust_plane(np.random.default_rng(0).permutation(points))
    assert again == pytest.approx(robust_plane(points), abs=1e-3)


def rim_of(relief: HeightMap) -> Rim:
    return find_rim(relief, find_footprint(relief), None)


def leaning(a: float, b: float) -> HeightMap:
    return relief_of(lambda x, y: ring(x, y) + a * x + b * y, disc(26.0))


@pytest.mark.parametrize(("a", "b"), [(0.0, 0.0), (0.1, 0.0), (-0.05, 0.12)])
def test_rim_plane_is_the_crest(a: float, b: float) -> None:
    rim = rim_of(leaning(a, b))
    assert rim.plane == pytest.approx([a, b, 10.0], abs=0.5)
    assert rim.plane[:2] == pytest.approx([a, b], abs=0.01)
    assert rim.spread_mm < 0.3
    assert not (rim.stray_mm < -FAR_BELOW_MM).any()
    assert rim.crest_mm.shape == (len(rim.stray_mm), 3)


def test_wavy_rim_has_the_spread_of_its_wave() -> None:
    def wavy(x: Floats, y: Floats) -> Floats:
        return ring(x, y) + 1.2 * np.sin(6.0 * np.arctan2(y, x))

    rim = rim_of(relief_of(wavy, disc(26.0)))
    assert rim.spread_mm == pytest.approx(1.4826 * 1.2 * math.sin(math.pi / 4), rel=0.1)


def test_notch_is_missing_rim() -> None:
    def notched(x: Floats, y: Floats) -> Floats:
        return ring(x, y) - 6.0 * ((np.abs(y) < 5.0) & (x > 0.0))

    rim = rim_of(relief_of(notched, disc(26.0)))
    low = rim.crest_mm[rim.stray_mm < -FAR_BELOW_MM]
    assert rim.plane == pytest.approx([0.0, 0.0, 10.0], abs=0.4)
    assert np.all(low[:, 0] > 0.0)
    assert len(low) * PITCH_MM == pytest.approx(10.0, abs=4.0)


def test_flat_rim_is_land() -> None:
    # A flat rim of 6 mm about a pit of 50 x 40 mm: 62 x 52 less 50 x 40, and its outer half at
    # least belongs to the footprint or to the outside; none of it is meant to carry stone.
    stages = staged(bed(pit(50.0, 40.0, 15.0)))
    pitch = stages.relief.grid.pitch_mm
    kept = stages.footprint.inside & ~stages.rim.land
    assert area_mm2(kept, pitch) == pytest.approx(50.0 * 40.0, rel=0.02)
    assert stages.rim.plane == pytest.approx([0.0, 0.0, 0.0], abs=1e-9)
    assert stages.rim.spread_mm == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("radius_mm", [0.7, 1.0, 1.35, 2.0])
def test_rounded_crest_is_no_land(radius_mm: float) -> None:
    def rounded(x: Floats, y: Floats) -> Floats:
        off = np.abs(np.hypot(x, y) - 20.0)
        over = np.sqrt(np.maximum(radius_mm**2 - off**2, 0.0))
        return np.where(off < radius_mm, over, -4.0 * (off - radius_mm))

    relief = relief_of(rounded, disc(26.0))
    assert not rim_of(relief).land.any()


def test_mound_as_high_as_the_rim_is_no_land() -> None:
    def islanded(x: Floats, y: Floats) -> Floats:
        return np.where(np.hypot(x, y) < 6.0, 10.0, ring(x, y))

    rim = rim_of(relief_of(islanded, disc(26.0)))
    assert not rim.land.any()


def test_no_border_is_no_cavity() -> None:
    with pytest.raises(ScanError) as caught:
        rim_of(relief_of(lambda x, y: -np.hypot(x, y), disc(26.0)))
    assert caught.value.code == "no-cavity"


@REPEATABLE
@given(a=SLOPE, b=SLOPE, step_mm=st.floats(1.75, 6.0), seed=st.integers(0, 99))
def test_two_heights_are_parted_however_the_rim_leans(
    a: float, b: float, step_mm: float, seed: int
) -> None:
    # Every third point, as an inner flange is a third of an arch's crest.
    points = ring_points(seed, np.array([a, b, 7.0]), noise_mm=0.02)
    points[::3, 2] -= step_mm
    plane, rest_mm, share = parted(points)
    assert plane == pytest.approx([a, b, 7.0], abs=0.02)
    assert rest_mm == pytest.approx(-step_mm, abs=0.02)
    assert share == pytest.approx(1.0 / 3.0)


@REPEATABLE
@given(a=SLOPE, b=SLOPE, step_mm=st.floats(0.0, 1.5), seed=st.integers(0, 99))
def test_small_steps_are_one_rim(a: float, b: float, step_mm: float, seed: int) -> None:
    points = ring_points(seed, np.array([a, b, 7.0]), noise_mm=0.02)
    points[::3, 2] -= step_mm
    assert parted(points)[1:] == (0.0, 0.0)


def trough(x: Floats, y: Floats, inner_mm: float = INNER_MM) -> Floats:
    """A square pit with upright walls, flat all round at 0."""
    return np.where(np.maximum(np.abs(x), np.abs(y)) < inner_mm, -DEEP_MM, 0.0)


def square(relief: HeightMap) -> Footprint:
    x, y = relief.grid.centres_mm()
    inside = np.maximum(np.abs(x), np.abs(y)) < OUTER_MM
    border = inside & binary_dilation(~inside)
    return Footprint(inside=inside, border=border, rising_share=0.0)


def rim_over(height: Floats | None = None, inner_mm: float = INNER_MM) -> tuple[Rim, HeightMap]:
    """Take a flat rim, or one whose heights are given, through the stage."""
    whole = relief_of(lambda x, y: trough(x, y, inner_mm), disc(99.0))
    top = whole.top_mm if height is None else height
    relief = HeightMap(grid=whole.grid, top_mm=top, outside=whole.outside, hole=whole.hole)
    return find_rim(relief, square(relief), None), relief


def test_width_of_a_flat_rim_is_the_way_to_the_cavity() -> None:
    # Centres stand at multiples of 0.4: the cavity's last one at 15.6, so that its cells end at
    # 15.8; the footprint's last one at 19.6.
    rim, _ = rim_over()
    assert rim.land_width_mm == pytest.approx(19.6 - 15.8)
    cavity_mm2 = (2 * 15.8) ** 2
    assert area_mm2(rim.land) == pytest.approx((2 * 19.8) ** 2 - cavity_mm2)


@pytest.mark.parametrize(("inner_mm", "is_land"), [(18.7, False), (16.7, True)])
def test_a_narrow_rim_is_a_crest(inner_mm: float, *, is_land: bool) -> None:
    # A flange's crest is rounded by 1 to 2 mm; common practice, no source.
    rim, _ = rim_over(inner_mm=inner_mm)
    assert rim.land.any() == is_land
    assert (rim.land_width_mm > 0.0) == is_land


@pytest.mark.parametrize(("share", "is_land"), [(0.42, False), (0.58, True)])
def test_flat_over_most_of_the_way_round(share: float, *, is_land: bool) -> None:
    # Elsewhere the wall slopes up to the border, 45 degrees.
    whole = relief_of(trough, disc(99.0))
    x, y = whole.grid.centres_mm()
    off = np.maximum(np.abs(x), np.abs(y))
    sloping = np.maximum(-DEEP_MM, off - OUTER_MM)
    steep = np.abs(np.arctan2(y, x)) > np.pi * share
    top = np.where(steep & (off < OUTER_MM), sloping, whole.top_mm)
    rim, _ = rim_over(top)
    assert rim.land.any() == is_land


def cut_off(rim: Rim, relief: HeightMap, line_mm: float = 0.0) -> Bools:
    """Give what lies in notches outside of the inner edge, for a level base line."""
    beyond = beyond_edge(relief, square(relief), rim, rim.crest_mm[:, 2] - line_mm)
    return beyond & ~rim.land


def notched(deepest_mm: float, line_mm: float = 0.0) -> tuple[Rim, Bools, Bools, Floats]:
    """Cut a V across one side of the rim, its point in the middle of that side."""
    whole = relief_of(trough, disc(99.0))
    x, y = whole.grid.centres_mm()
    vee = -deepest_mm * np.clip(1.0 - np.abs(y) / 6.0, 0.0, None)
    top = np.where(x >= INNER_MM, np.minimum(whole.top_mm, vee), whole.top_mm)
    rim, relief = rim_over(top)
    return rim, cut_off(rim, relief, line_mm), (x >= INNER_MM) & (x < OUTER_MM) & (vee < -0.5), y


def test_a_shallow_notch_is_cut_off_along_the_inner_edge() -> None:
    # A quarter as deep as the cavity: no heel, so that stone ends where the rim's edge is.
    _, notch, cut, y = notched(0.25 * DEEP_MM)
    assert notch[cut & (np.abs(y) < 3.0)].all()
    x = np.broadcast_to(np.arange(notch.shape[1]), notch.shape)
    reach = x[notch].max() - x[notch].min()
    assert (reach + 1) * PITCH_MM == pytest.approx(OUTER_MM - INNER_MM, abs=PITCH_MM)


def test_a_deep_gap_is_an_open_heel_and_is_kept() -> None:
    # Four fifths as deep as the cavity; its flanks are shallow, but they are the same gap's.
    rim, notch, cut, y = notched(0.8 * DEEP_MM)
    assert not notch.any()
    assert not rim.land[cut & (np.abs(y) < 3.0)].any()


def test_a_base_line_under_the_notch_takes_nothing_away() -> None:
    # Stone that stays inside by itself reaches whatever lies under it.
    _, notch, _, _ = notched(0.25 * DEEP_MM, line_mm=-0.25 * DEEP_MM - 0.1)
    assert not notch.any()


def test_of_two_gaps_the_shallow_one_is_cut_off() -> None:
    whole = relief_of(trough, disc(99.0))
    x, y = whole.grid.centres_mm()
    vee = np.clip(1.0 - np.abs(y) / 6.0, 0.0, None)
    top = np.where(x >= INNER_MM, np.minimum(whole.top_mm, -0.8 * DEEP_MM * vee), whole.top_mm)
    top = np.where(x <= -INNER_MM, np.minimum(top, -0.25 * DEEP_MM * vee), top)
    notch = cut_off(*rim_over(top))
    assert notch.any()
    assert (x[notch] < 0.0).all()


def test_spread_is_the_standard_deviation_of_normal_strays() -> None:
    # 1.4826 is 1 / the normal's upper quartile: the median of |stray| of sigma 0.3 gives 0.3.
    rim, _ = rim_over()
    strays = 0.3 * norm.ppf((np.arange(2001) + 0.5) / 2001)
    normal = Rim(
        plane=rim.plane,
        crest_mm=rim.crest_mm,
        stray_mm=strays,
        land=rim.land,
        land_width_mm=0.0,
    )
    assert normal.spread_mm == pytest.approx(0.3, rel=1e-3)


def test_a_sharp_rim_between_the_centres_is_seen() -> None:
    # A knife edge at radius 20.1 and height 13 that no cell's centre meets; its corners do.
    relief = relief_of(ring, disc(26.0))
    along = np.linspace(0.0, 2 * np.pi, 4000)
    edge = np.stack([20.1 * np.cos(along), 20.1 * np.sin(along), np.full(4000, 13.0)])
    corners = np.stack([edge.T] * 3, axis=1)
    rim = find_rim(relief, find_footprint(relief), still(corners))
    assert rim.crest_mm[:, 2] == pytest.approx(13.0)
    assert rim.plane == pytest.approx([0.0, 0.0, 13.0], abs=1e-9)


def test_one_spike_does_not_lift_the_crest() -> None:
    relief = relief_of(ring, disc(26.0))
    still = rim_of(relief).crest_mm[:, 2].max()
    j, i = np.argwhere(find_footprint(relief).border)[7]
    top = relief.top_mm.copy()
    top[j, i] += 6.0
    spiked = HeightMap(grid=relief.grid, top_mm=top, outside=relief.outside, hole=relief.hole)
    assert rim_of(spiked).crest_mm[:, 2].max() <= still + 0.1


def test_points_on_one_spot_carry_no_plane() -> None:
    with pytest.raises(ScanError, match="no rim"):
        robust_plane(np.tile([3.0, 3.0, 5.0], (20, 1)))


def test_half_of_the_points_in_another_plane_decide_nothing() -> None:
    # Least median of squares breaks down at one half (Rousseeuw 1984; from memory).
    rng = np.random.default_rng(12)
    points = np.column_stack([rng.uniform(-30.0, 30.0, (200, 2)), np.zeros(200)])
    points[:, 2] = 0.2 * points[:, 0] - 0.1 * points[:, 1] + 4.0
    points[:90, 2] = -0.3 * points[:90, 0] - 20.0
    assert robust_plane(points) == pytest.approx([0.2, -0.1, 4.0], abs=1e-9)


@pytest.mark.parametrize("scale", [1e-3, 1.0, 1e3])
def test_scaling_the_points_scales_the_plane(scale: float) -> None:
    angle = np.linspace(0.0, 2 * np.pi, 60, endpoint=False)
    x, y = 30.0 * np.cos(angle), 25.0 * np.sin(angle)
    points = scale * np.stack([x, y, 0.1 * x - 0.2 * y + 7.0], axis=1)
    a, b, c = robust_plane(points)
    assert (a, b, c / scale) == pytest.approx((0.1, -0.2, 7.0), abs=1e-9)


@pytest.mark.parametrize("lean", [(0.15, 0.0), (0.0, -0.15), (0.1, 0.12)])
def test_a_leaning_flat_rim_is_the_same_land(lean: tuple[float, float]) -> None:
    level, _ = rim_over()
    whole = relief_of(trough, disc(99.0))
    x, y = whole.grid.centres_mm()
    rim, _ = rim_over(whole.top_mm + lean[0] * x + lean[1] * y)
    assert rim.plane[:2] == pytest.approx(lean, abs=7e-5)  # 0.004 degrees
    # Where the border runs level a crest takes the height of the cell beside it, which on a slope
    # is a pitch's rise higher; where it runs uphill its own.
    rise_mm = PITCH_MM * (abs(lean[0]) + abs(lean[1]))
    assert 0.0 <= rim.plane[2] <= rise_mm + 1e-9
    assert rim.spread_mm <= rise_mm
    assert np.array_equal(rim.land, level.land)
    assert rim.land_width_mm == pytest.approx(level.land_width_mm)
