"""Places along and across an arch against the ellipse and the straight line it is made of."""

import numpy as np
import pytest
from scipy.special import ellipe

from tests.corpus.arch import Arch

ARCH = Arch(half_width_mm=26.0, depth_mm=38.0)


def test_length_of_the_bow() -> None:
    # quarter of an ellipse: a E(1 - b^2 / a^2), Abramowitz and Stegun 17.3 (from memory)
    quarter = 38.0 * float(ellipe(1.0 - (26.0 / 38.0) ** 2))
    place = ARCH.places(np.array([26.0]), np.array([0.0]))
    assert place.along.item() == pytest.approx(quarter, abs=2e-3)
    assert place.across.item() == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_straight_ends(side: float) -> None:
    place = ARCH.places(np.array([side * 31.0]), np.array([-12.0]))
    assert place.across.item() == pytest.approx(5.0, abs=1e-6)
    assert np.sign(place.along.item()) == side


def test_offset_is_a_distance() -> None:
    rng = np.random.default_rng(5)
    for along in rng.uniform(-45.0, 45.0, 20):
        point, tangent, outward = ARCH.frame(float(along))
        away = rng.uniform(-4.0, 8.0)
        spot = point + away * outward
        place = ARCH.places(spot[:1], spot[1:])
        assert place.across.item() == pytest.approx(away, abs=1e-4)
        assert tangent @ outward == pytest.approx(0.0, abs=1e-12)
