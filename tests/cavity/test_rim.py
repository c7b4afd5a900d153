"""The rim: planes of which the truth is known, gross outliers and all.

The median of |sin| over whole periods is sin 45 degrees: it gives the spread of a wavy crest.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.cavity.stages import bed, pit, staged
from tests.cavity.terrain import PITCH_MM, Floats, area_mm2, disc, relief_of, ring
from volest.cavity.footprint import find_footprint
from volest.cavity.relief import Relief
from volest.cavity.rim import Rim, find_rim, parted, robust_plane
from volest.errors import ScanError

REPEATABLE = settings(max_examples=40, deadline=None, derandomize=True)
FAR_BELOW_MM = 1.5  # stone runs out there unless boxed; common practice, no source
SLOPE = st.floats(-0.5, 0.5)


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


def rim_of(relief: Relief) -> Rim:
    x, y = relief.grid.centres_mm()
    seen = ~relief.outside
    return find_rim(
        relief, find_footprint(relief), np.stack([x[seen], y[seen], relief.top_mm[seen]])
    )


def leaning(a: float, b: float) -> Relief:
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
