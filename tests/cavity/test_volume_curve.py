"""The curve's ends and steps, and which of the two ways is reported: boxes by their formula.

docs/reference/json.md states the curve; docs/explanation/geometry.md which way is reported.
"""

import numpy as np
import pytest
from manifold3d import Manifold

from tests.cavity.stages import Stages, bed, level, pit, staged, tilted
from volest.cavity.volume import Volume, find_volume

TUB = staged(bed(pit(50.0, 40.0, 15.0)))
DRILLED = staged(
    bed(pit(50.0, 40.0, 15.0), Manifold.cylinder(40.0, 2.5, 2.5, 64).translate((4.0, 3.0, -35.0)))
)


def volume_at(height_mm: float, stages: Stages = TUB) -> Volume:
    base = level(height_mm)
    return find_volume(stages.corners_mm, stages.rooms(base), base)


@pytest.mark.parametrize("height_mm", [-2.0, -6.2, 0.0])
def test_the_curve_has_a_point_every_half_mm_from_the_floor_to_5_mm_over(height_mm: float) -> None:
    heights = volume_at(height_mm).curve[:, 0]
    assert np.diff(heights) == pytest.approx(0.5)
    assert heights[-1] == pytest.approx(5.0)
    # Its first point is at the floor or less than a step under it.
    assert -15.0 - height_mm - 0.5 < heights[0] <= -15.0 - height_mm
    assert np.min(np.abs(heights)) == pytest.approx(0.0, abs=1e-12)


def test_heights_of_the_curve_are_along_the_normal() -> None:
    # z = 0.75 x - 6: along the normal a step of 0.5 along z is 0.5 / sqrt(1 + 0.75^2) = 0.4.
    base = tilted(0.75, 0.0, -6.0)
    curve = find_volume(TUB.corners_mm, TUB.rooms(base), base).curve
    assert np.diff(curve[:, 0]) == pytest.approx(0.4)


def test_the_curve_passes_through_the_volume() -> None:
    volume = volume_at(-3.0)
    at = int(np.argmin(np.abs(volume.curve[:, 0])))
    assert volume.curve[at, 1] == pytest.approx(volume.columns_ml)
    assert volume.curve[0, 1] == 0.0


def test_without_holes_the_exact_sum_is_reported() -> None:
    volume = volume_at(-2.0)
    assert not volume.holed
    assert volume.best_ml == volume.prisms_ml
    assert volume.best_ml == pytest.approx(50 * 40 * 13 / 1000, rel=1e-9)
    assert volume.columns_ml != volume.prisms_ml


def test_where_the_floor_is_missing_the_columns_are_reported() -> None:
    volume = volume_at(-2.0, DRILLED)
    assert volume.holed
    assert volume.best_ml == volume.columns_ml


def test_what_the_cavity_covers_is_its_area() -> None:
    # Cells at the border count whole: half a cell round 180 mm at most.
    assert volume_at(-2.0).footprint_mm2 == pytest.approx(2000.0, abs=180.0 * 0.37 / 2)


def test_over_the_line_the_curve_takes_in_what_slopes_outward() -> None:
    # A cone of 45 degrees, its tip at -15: pi h^3 / 3 below every height (CRC tables, 'Solids').
    cone = Manifold.cylinder(16.0, 0.0, 16.0, 256).translate((0.0, 0.0, -15.0))
    stages, base = staged(bed(cone)), level(-6.0)
    curve = find_volume(stages.corners_mm, stages.rooms(base), base).curve
    for over_mm in (-4.0, 0.0, 2.0, 4.0):
        at = int(np.argmin(np.abs(curve[:, 0] - over_mm)))
        deep_mm = 9.0 + over_mm
        assert curve[at, 1] == pytest.approx(np.pi * deep_mm**3 / 3.0 / 1000.0, rel=0.02)
