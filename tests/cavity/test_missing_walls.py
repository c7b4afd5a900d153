"""Closed trays of which the walls round one half are missing.

Truth is what the cavity holds up to the rim that is left, boxed in where the walls stood
(manifold3d); it lies inside the interval, and the gap is noted.
"""

import pytest
from manifold3d import Manifold

from tests.cavity.posing import measured, random_move
from tests.cavity.trays import WALL_MM, Tray, corners_of, trays
from tests.marks import slow

BY_NAME = {tray.name: tray for tray in trays()}


def half_walled(tray: Tray, share: float) -> Manifold:
    """Return the tray less all that stands beside x = middle, over a share of the depth."""
    x_low, y_low, z_low, x_high, y_high, _ = tray.cavity.bounding_box()
    size = (x_high - x_low + 2 * WALL_MM, y_high - y_low + 2 * WALL_MM, WALL_MM - z_low)
    block = Manifold.cube(size).translate((x_low - WALL_MM, y_low - WALL_MM, z_low - WALL_MM))
    opened = block - tray.cavity - tray.cavity.translate((0.0, 0.0, 1.0))
    half = Manifold.cube((size[0], size[1] + 2.0, -share * z_low + 1.0))
    return opened - half.translate(((x_low + x_high) / 2.0, y_low - WALL_MM - 1.0, share * z_low))


@pytest.mark.parametrize("share", [0.5, 0.9])
@pytest.mark.parametrize(
    "name", ["cuboid", "hemisphere", "frustum", "half-ellipsoid", "sunk-sphere"]
)
@pytest.mark.parametrize("seed", [1, *slow(2)])
def test_half_a_wall_missing_is_told_and_covered(name: str, share: float, seed: int) -> None:
    tray = BY_NAME[name]
    result = measured(corners_of(half_walled(tray, share)), random_move(seed))
    assert "needs-boxing" in {note.code for note in result.notes}
    assert result.volume_low_ml is not None
    assert result.volume_high_ml is not None
    assert result.volume_low_ml <= tray.facets_ml(0.0) <= result.volume_high_ml
