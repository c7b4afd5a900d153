"""What stone reaches: bubbles, undercuts, separate pits and the outside of the tray.

Volumes of boxes and balls by their formulas; what a boolean cuts is stated by manifold3d.

Leaks, pieces and land: tunnels of stated width, boxes by their formula.
"""

import math

import numpy as np
import pytest
from manifold3d import Manifold

from tests.cavity.posing import given, measured, random_move
from tests.cavity.stages import Stages, bed, below_ml, box, level, pit, staged, tilted
from tests.cavity.trays import corners_of
from volest.cavity.base_line import BasePlane
from volest.cavity.void import ReachableVoid, neighbours
from volest.cavity.volume import column_volumes_ml
from volest.settings import Base

FINE_MM = 0.1


def tub() -> Manifold:
    return pit(50.0, 40.0, 15.0)


LINE = level(-1.0)


TUB_ML = 50 * 40 * 14 / 1000


def filled_ml(rooms: ReachableVoid) -> float:
    return float(column_volumes_ml(rooms, np.zeros(1))[0])


def rooms_of(solid: Manifold, base: BasePlane = LINE) -> ReachableVoid:
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


def small(*cavities: Manifold) -> Manifold:
    """A block of 24 x 20 x 12 on a plate of 40 x 30, with cavities cut out of it."""
    block = box((24.0, 20.0, 12.0), (0.0, 0.0, 0.0)) + box((40.0, 30.0, 2.0), (0.0, 0.0, -10.0))
    for cavity in cavities:
        block = block - cavity
    return block


def pool() -> Manifold:
    return box((16.0, 12.0, 9.0), (0.0, 0.0, 1.0))


def tunnelled(wide_mm: float, through_mm: float = 10.0) -> Stages:
    tunnel = box((through_mm, wide_mm, 2.0), (6.0 + through_mm / 2.0, 0.3, -3.0))
    return staged(small(pool(), tunnel), FINE_MM)


@pytest.mark.parametrize(("wide_mm", "leaks"), [(0.88, False), (1.12, True), (3.0, True)])
def test_a_tunnel_leaks_from_1_mm_on(wide_mm: float, *, leaks: bool) -> None:
    # own: narrower contact is a spike's or the grid's
    assert tunnelled(wide_mm).rooms(LINE).leaks == leaks


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("height_mm", [None, -2.0])
def test_a_tunnel_through_a_sheer_wall_is_told(seed: int, height_mm: float | None) -> None:
    # Outside of the block there is no scan at all. The pool of 40 x 30 x 20 by its formula, the
    # tunnel's 11 mm of wall stopped at its inner end or its outer.
    tunnel = Manifold.cylinder(40.0, 2.0, 2.0, 64).rotate((0.0, 90.0, 0.0))
    solid = bed(pit(40.0, 30.0, 20.0)) - tunnel.translate((5.0, 0.0, -12.0))
    move = random_move(seed)
    base = Base() if height_mm is None else given(move, height_mm)
    result = measured(corners_of(solid), move, base=base)
    assert "leak" in {note.code for note in result.notes}
    inner_ml = 40.0 * 30.0 * (20.0 + (height_mm or 0.0)) / 1000.0
    assert result.volume_low_ml is not None
    assert result.volume_high_ml is not None
    assert result.volume_low_ml <= inner_ml
    assert inner_ml + 11.0 * math.pi * 2.0**2 / 1000.0 <= result.volume_high_ml


@pytest.mark.parametrize("seed", range(3))
def test_a_blind_hole_in_a_sheer_wall_is_none(seed: int) -> None:
    hole = Manifold.cylinder(20.0, 2.0, 2.0, 64).rotate((0.0, 90.0, 0.0))
    solid = bed(pit(40.0, 30.0, 20.0)) - hole.translate((9.5, 0.0, -12.0))  # 1.5 mm of wall left
    result = measured(corners_of(solid), random_move(seed))
    assert "leak" not in {note.code for note in result.notes}
    told_ml = (24000.0 + 9.5 * math.pi * 2.0**2) / 1000.0
    assert result.volume_ml == pytest.approx(told_ml, rel=1e-3)


def test_an_undercut_that_ends_in_the_wall_does_not_leak() -> None:
    stages = tunnelled(3.0, through_mm=4.0)
    rooms = stages.rooms(LINE)
    assert not rooms.leaks
    filled_ml = float(column_volumes_ml(rooms, np.zeros(1))[0])
    assert filled_ml == pytest.approx((16 * 12 * 7 + 2 * 3 * 2) / 1000, rel=0.01)


def test_a_tunnel_over_the_line_does_not_leak() -> None:
    assert (
        not staged(small(pool(), box((10.0, 3.0, 2.0), (11.0, 0.3, -3.0))), FINE_MM)
        .rooms(level(-5.5))
        .leaks
    )


def test_land_is_told_from_a_little_under_the_rim() -> None:
    # A flat rim at 0 and a line at 1: land begins 0.25 mm under the rim, 1.25 under the line.
    stages = staged(small(box((12.0, 8.0, 9.0), (0.0, 0.0, 1.0))), 0.2)
    rooms = stages.rooms(level(1.0))
    on_land = stages.rim.land
    assert on_land.any()
    assert rooms.land_mm[on_land] == pytest.approx(-1.25)
    x, y = stages.relief.grid.centres_mm()
    assert np.isinf(rooms.land_mm[(np.abs(x) < 5.0) & (np.abs(y) < 3.0)]).all()
    assert np.isinf(stages.rooms(LINE).land_mm).all()  # under the rim there is none in the way


def test_pieces_are_the_pits_apart() -> None:
    pits = [box((6.0, 10.0, 7.0), (-7.0, 0.0, 1.0)), box((5.0, 10.0, 5.0), (7.0, 0.0, 1.0))]
    rooms = staged(small(*pits), FINE_MM).rooms(LINE)
    pieces = np.sort(rooms.pieces_ml[rooms.pieces_ml > 0.0])
    assert pieces == pytest.approx([5 * 10 * 3 / 1000, 6 * 10 * 5 / 1000], rel=0.01)


def test_neighbours_by_trying_all_pairs() -> None:
    rng = np.random.default_rng(3)
    grid = staged(small(pool()), 1.0).columns.grid
    free = np.zeros(grid.shape, dtype=bool)
    free[1:-1, 1:-1] = True
    cell = np.sort(np.repeat(rng.permutation(np.flatnonzero(free))[:300], 2))
    floor = rng.uniform(-9.0, 0.0, len(cell))
    top = floor + rng.uniform(0.2, 4.0, len(cell))
    first, second = neighbours(grid, cell, floor, top)
    found = {tuple(sorted(pair)) for pair in zip(first.tolist(), second.tolist(), strict=True)}
    j, i = np.divmod(cell, grid.shape[1])
    near = np.abs(j[:, None] - j) + np.abs(i[:, None] - i) == 1
    meet = np.minimum(top[:, None], top) > np.maximum(floor[:, None], floor)
    expected = {(int(a), int(b)) for a, b in np.argwhere(near & meet) if a < b}
    assert found == expected
    assert len(first) == len(expected)
