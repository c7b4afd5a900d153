"""Properties of the smooth set operations."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from tests.corpus.blend import Relief, round_max, smooth_max, smooth_min, step

LENGTHS = st.floats(-20.0, 20.0)
RADII = st.floats(0.05, 5.0)


@given(LENGTHS, LENGTHS, RADII)
def test_rounding_is_bounded_and_even(first: float, second: float, radius: float) -> None:
    one, two = np.array(first), np.array(second)
    joined = float(smooth_max(one, two, radius))
    assert max(first, second) <= joined <= max(first, second) + radius / 4.0 + 1e-12
    assert joined == float(smooth_max(two, one, radius))
    assert np.isclose(float(smooth_min(-one, -two, radius)), -joined)


@given(LENGTHS, LENGTHS, RADII)
def test_round_edge_is_sharp_far_away(first: float, second: float, radius: float) -> None:
    rounded = float(round_max(np.array(first), np.array(second), radius))
    assert rounded >= max(first, second) - 1e-12
    if min(first, second) < -radius:
        assert np.isclose(rounded, max(first, second))


def test_quarter_circle() -> None:
    # x^2 + y^2 = r^2: points of a circle of radius 1 round (-1, -1) lie on the rounded edge
    angle = np.linspace(0.0, np.pi / 2.0, 9)
    edge = round_max(np.cos(angle) - 1.0, np.sin(angle) - 1.0, 1.0)
    assert np.allclose(edge, 0.0)


def test_step_ends_level() -> None:
    assert step(1.0, 3.0, np.array([0.0, 1.0, 2.0, 3.0, 9.0])).tolist() == [0, 0, 0.5, 1, 1]


def test_relief_depends_on_its_numbers_only() -> None:
    one = Relief(np.random.default_rng(3), 0.2, (4.0, 9.0))
    two = Relief(np.random.default_rng(3), 0.2, (4.0, 9.0))
    spots = np.linspace(-30.0, 30.0, 50)
    assert np.array_equal(one(spots, spots, spots), two(spots, spots, spots))
    assert np.abs(one(spots, -spots, 2.0 * spots)).max() <= 0.2
