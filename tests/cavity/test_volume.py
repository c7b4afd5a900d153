"""Volume, curve and slope: boxes by their formula, and rooms made by hand.

The curve's ends and steps, and which of the two ways is reported: boxes by their formula.

docs/reference/json.md states the curve; docs/explanation/geometry.md which way is reported.
"""

import numpy as np
import pytest
from manifold3d import Manifold

from tests.cavity.stages import (
    Stages,
    bed,
    below_ml,
    box,
    level,
    pit,
    staged,
    staged_triangles,
    tilted,
)
from tests.cavity.trays import Floats, trays
from volest.cavity.columns import Grid
from volest.cavity.void import ReachableVoid
from volest.cavity.volume import Volume, column_volumes_ml, find_volume

TUB = staged(bed(pit(50.0, 40.0, 15.0)))
DRILLED = staged(
    bed(pit(50.0, 40.0, 15.0), Manifold.cylinder(40.0, 2.5, 2.5, 64).translate((4.0, 3.0, -35.0)))
)


def rooms_made(floor_mm: Floats, roof_mm: Floats, cell: list[int]) -> ReachableVoid:
    grid = Grid(pitch_mm=2.0, low_mm=(0.0, 0.0), shape=(1, max(cell) + 1))
    return ReachableVoid(
        grid=grid,
        cell=np.array(cell),
        floor_mm=floor_mm,
        roof_mm=roof_mm,
        filled=np.ones(len(cell), dtype=bool),
        assumed=np.zeros(len(cell), dtype=bool),
        outside=np.zeros(grid.shape, dtype=bool),
        land_mm=np.full(grid.shape, np.inf),
        hole_mm2=0.0,
        hole_ml=0.0,
        sealed_ml=0.0,
        leaks=False,
    )


def test_columns_add_up_between_floor_and_roof() -> None:
    # An open column from -6, an undercut from -5 to -3, and one that begins above the line.
    rooms = rooms_made(np.array([-6.0, -5.0, 1.0]), np.array([np.inf, -3.0, np.inf]), [0, 1, 2])
    volumes = column_volumes_ml(rooms, np.array([-10.0, -4.0, 0.0, 2.0]))
    assert volumes * 1000 / 4.0 == pytest.approx([0.0, 2 + 1, 6 + 2, 8 + 2 + 1])


def test_volume_curve_and_slope_of_a_tub() -> None:
    stages, base = staged(bed(pit(50.0, 40.0, 15.0))), level(-2.0)
    volume = find_volume(stages.corners_mm, stages.rooms(base), base)
    assert volume.prisms_ml == pytest.approx(26.0, rel=1e-9)
    assert volume.columns_ml == pytest.approx(26.0, rel=0.01)
    assert volume.slope_ml_per_mm == pytest.approx(2.0, rel=0.01)
    assert volume.footprint_mm2 == pytest.approx(2000.0, rel=0.01)
    height, curve_ml = volume.curve.T
    assert curve_ml == pytest.approx(np.maximum(height + 13.0, 0.0) * 2.0, rel=0.01, abs=1e-9)
    assert height[0] <= -13.0
    assert 0.0 in height


def test_heights_are_along_a_leaning_normal() -> None:
    # z = 0.5 x - 9: a step of the line along its normal lifts it by more along z.
    stages, base = staged(bed(pit(20.0, 40.0, 20.0))), tilted(0.5, 0.0, -9.0)
    volume = find_volume(stages.corners_mm, stages.rooms(base), base)
    # The section of the prism with the line is 20 mm / cos(lean) by 40 mm.
    section_mm2 = 20.0 * np.sqrt(1.25) * 40.0
    assert volume.slope_ml_per_mm * 1000 == pytest.approx(section_mm2, rel=0.02)
    height, curve_ml = volume.curve.T
    at = int(np.argmin(np.abs(height - 2.0)))
    lifted = tilted(0.5, 0.0, -9.0 + height[at] * np.sqrt(1.25))
    prism = box((20.0, 40.0, 60.0), (0.0, 0.0, 40.0))
    assert curve_ml[at] == pytest.approx(below_ml(prism, lifted), rel=0.02)


def test_two_ways_agree_on_every_tray() -> None:
    base = level(-1.5)
    for tray in trays():
        stages = staged_triangles(tray.triangles(is_open=False))
        volume = find_volume(stages.corners_mm, stages.rooms(base), base)
        truth = tray.facets_ml(-1.5)
        assert volume.prisms_ml == pytest.approx(truth, rel=1e-4), tray.name
        assert volume.columns_ml == pytest.approx(truth, rel=0.01), tray.name
        assert np.all(np.diff(volume.curve[:, 1]) >= -1e-12), tray.name


def stated(columns_ml: float, prisms_ml: float) -> Volume:
    return Volume(
        columns_ml=columns_ml,
        prisms_ml=prisms_ml,
        holed=False,
        footprint_mm2=2000.0,
        slope_ml_per_mm=2.0,
        curve=np.zeros((2, 2)),
    )


def test_the_exact_sum_is_reported_while_the_ways_agree() -> None:
    good, bad = stated(40.0, 40.1), stated(40.0, 37.0)
    assert (good.agreed, good.best_ml) == (True, 40.1)
    assert (bad.agreed, bad.best_ml) == (False, 40.0)
    assert bad.disagreement_ml == pytest.approx(3.0)


def test_holes_count_in_both_ways() -> None:
    drill = Manifold.cylinder(40.0, 2.5, 2.5, 64).translate((4.0, 3.0, -35.0))
    stages, base = staged(bed(pit(50.0, 40.0, 15.0), drill)), level(-1.0)
    rooms = stages.rooms(base)
    volume = find_volume(stages.corners_mm, rooms, base)
    assert rooms.hole_ml > 0.2
    assert volume.agreed
    assert volume.best_ml == pytest.approx(28.0, rel=2e-3)


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
