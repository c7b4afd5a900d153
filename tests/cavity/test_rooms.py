"""What stone reaches: bubbles, undercuts, separate pits and the outside of the tray.

Volumes of boxes and balls by their formulas; what a boolean cuts is stated by manifold3d.
"""

import math

import numpy as np
import pytest
from manifold3d import Manifold

from tests.cavity.stages import bed, below_ml, box, level, pit, staged, tilted
from volest.cavity.base_line import BasePlane
from volest.cavity.rooms import Rooms
from volest.cavity.volume import column_volumes_ml


def tub() -> Manifold:
    return pit(50.0, 40.0, 15.0)


LINE = level(-1.0)
TUB_ML = 50 * 40 * 14 / 1000


def filled_ml(rooms: Rooms) -> float:
    return float(column_volumes_ml(rooms, np.zeros(1))[0])


def rooms_of(solid: Manifold, base: BasePlane = LINE) -> Rooms:
    return staged(solid).rooms(base)


def test_tub_is_filled_and_its_outside_is_not() -> None:
    rooms = rooms_of(bed(tub()))
    assert filled_ml(rooms) == pytest.approx(TUB_ML, rel=0.01)
    assert rooms.sealed_ml == 0.0
    assert rooms.hole_mm2 == 0.0


def test_sealed_bubble_is_left_out_and_named() -> None:
    bubble = Manifold.sphere(4.0, 64).translate((6.0, -5.0, -22.0))
    rooms = rooms_of(bed(tub(), bubble))
    assert filled_ml(rooms) == pytest.approx(TUB_ML, rel=0.01)
    assert rooms.sealed_ml == pytest.approx(4 / 3 * math.pi * 4.0**3 / 1000, rel=0.02)


def test_bubble_with_a_way_in_is_filled() -> None:
    bubble = Manifold.sphere(4.0, 64).translate((6.0, -5.0, -18.0))
    rooms = rooms_of(bed(tub(), bubble))
    truth = (Manifold.cube((50.0, 40.0, 14.0)).translate((-25.0, -20.0, -15.0)) + bubble).volume()
    assert filled_ml(rooms) == pytest.approx(truth / 1000, rel=0.01)
    assert rooms.sealed_ml == 0.0


def test_undercut_is_counted() -> None:
    slot = box((12.0, 20.0, 4.0), (22.0, 0.0, -6.0))  # reaches 3 mm under the wall
    rooms = rooms_of(bed(tub(), slot))
    assert filled_ml(rooms) == pytest.approx(TUB_ML + 3 * 20 * 4 / 1000, rel=0.01)


def test_slot_below_a_low_line_is_not_reached_from_above_it() -> None:
    # The slot meets the tub only over the line: it lies under the wall and is not filled from here.
    slot = box((12.0, 20.0, 3.0), (23.0, 0.0, -4.0)) + box((2.0, 20.0, 7.0), (28.0, 0.0, -4.0))
    low = level(-8.0)
    rooms = rooms_of(bed(tub(), slot), low)
    assert filled_ml(rooms) == pytest.approx(50 * 40 * 7 / 1000, rel=0.01)


def test_separate_pits_under_a_low_line_are_all_poured() -> None:
    basin = pit(50.0, 40.0, 5.0)
    pits = [pit(10.0, 12.0, 15.0, (-15.0, 3.0)), pit(12.0, 9.0, 13.0, (14.0, -4.0))]
    rooms = rooms_of(bed(basin, *pits), level(-8.0))
    truth = (10 * 12 * 7 + 12 * 9 * 5) / 1000
    assert filled_ml(rooms) == pytest.approx(truth, rel=0.03)


def test_room_outside_the_tray_is_none() -> None:
    # A handle and a foot with a gutter in it, all below the base line.
    handle = box((30.0, 12.0, 4.0), (45.0, 0.0, -8.0))
    foot = box((90.0, 60.0, 6.0), (0.0, 0.0, -24.0)) - box((10.0, 40.0, 3.0), (38.0, 0.0, -24.0))
    for solid in (bed(tub()) + handle, bed(tub()) + handle + foot):
        assert filled_ml(rooms_of(solid)) == pytest.approx(TUB_ML, rel=0.01)


def test_leaning_line_cuts_the_room_along_it() -> None:
    base = tilted(0.1, -0.05, -6.0)
    prism = Manifold.cube((50.0, 40.0, 40.0)).translate((-25.0, -20.0, -15.0))
    assert filled_ml(rooms_of(bed(tub()), base)) == pytest.approx(below_ml(prism, base), rel=0.01)


def test_hole_in_the_floor_is_filled_and_measured() -> None:
    rooms = rooms_of(bed(tub(), Manifold.cylinder(40.0, 2.5, 2.5, 64).translate((4.0, 3.0, -35.0))))
    assert rooms.hole_mm2 == pytest.approx(math.pi * 2.5**2, rel=0.1)
    assert rooms.hole_ml == pytest.approx(rooms.hole_mm2 * 14.0 / 1000, rel=0.01)
    assert filled_ml(rooms) == pytest.approx(TUB_ML, rel=0.01)


@pytest.mark.parametrize("turn_deg", [0.0, 37.0, 90.0, 200.0])
def test_turning_about_the_pour_axis_changes_little(turn_deg: float) -> None:
    slot = box((12.0, 20.0, 4.0), (22.0, 0.0, -6.0))
    rooms = rooms_of(bed(tub(), slot).rotate((0.0, 0.0, turn_deg)))
    assert filled_ml(rooms) == pytest.approx(TUB_ML + 3 * 20 * 4 / 1000, rel=0.01)


def test_stretches_that_are_kept_do_not_overlap() -> None:
    rooms = rooms_of(bed(tub(), box((12.0, 20.0, 4.0), (22.0, 0.0, -6.0))))
    assert np.all(rooms.roof_mm > rooms.floor_mm)
    same = rooms.cell[1:] == rooms.cell[:-1]
    assert np.all(rooms.floor_mm[1:][same] >= rooms.roof_mm[:-1][same])
