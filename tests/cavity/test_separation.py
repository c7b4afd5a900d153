"""What holds a cast: balls, dovetails and pegs by their formulas, a leaning pit by its own lean.

Formulas: CRC Standard Mathematical Tables, 'Solids' (sphere) and 'Moments of inertia' (disc).
"""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from manifold3d import Manifold

from tests.cavity.stages import PIECE, Floats, bed, box, level, pit, staged_triangles
from tests.cavity.trays import corners_of
from volest.cavity.cast import Separation, find_separation, under_ml
from volest.cavity.columns import Surface
from volest.cavity.frame import Frame
from volest.cavity.imprints import Imprints
from volest.cavity.trim import find_clock

PITCH_MM = 0.2
ODD_DEG = 27.0  # straight walls then run across the grid's rows


def separated(triangles: Floats, pitch_mm: float = PITCH_MM, peg: bool = False) -> Separation:
    stages, base = staged_triangles(triangles, pitch_mm), level(0.0)
    rooms = stages.rooms(base)
    inside = stages.footprint.inside
    clock = find_clock(stages.relief.grid, inside, inside)
    frame = Frame(rotation=np.eye(3), origin_mm=np.zeros(3))
    row = None
    if peg:
        one = replace(PIECE, deep_mm=14.0, is_clear=False)
        ends = np.zeros((2, 2))
        piece = np.ones(rooms.grid.shape, np.int64)
        row = Imprints(piece=piece, curve_mm=ends, is_arch=False, end_hours=(9, 3), each=(one,))
    return find_separation(Surface(triangles=triangles, frame=frame), rooms, base, clock, row)


def trough(*half_mm: tuple[float, float]) -> Manifold:
    """Cut a trough 40 mm long by half its width at heights, from the top down."""
    parts = Manifold()
    for upper, lower in pairwise(half_mm):
        ring = [(side * x, z) for x, z in (upper, lower) for side in (-1.0, 1.0)]
        parts += Manifold.hull_points([(x, y, z) for y in (-20.0, 20.0) for x, z in ring])
    return parts


def dovetail(slope: float) -> Manifold:
    """Cut a trough 10 mm deep, 20 mm wide at the top, with walls that lean out."""
    return trough((10.0, 1.0), (10.0, 0.0), (10.0 + 10.0 * slope, -10.0))


def test_a_dovetail_holds_two_wedges() -> None:
    # Each side a triangle 10 mm high and 3 wide, 40 mm long.
    told = separated(corners_of(bed(dovetail(0.3))))
    assert told.ml == pytest.approx(2.0 * 0.5 * 10.0 * 3.0 * 40.0 / 1000.0, rel=0.01)
    assert told.area_mm2 == pytest.approx(2.0 * 3.0 * 40.0, rel=0.05)
    assert told.deep_mm == pytest.approx(3.0, abs=PITCH_MM)
    assert sum(one.ml for one in told.hours) == pytest.approx(told.ml, abs=0.02)
    assert told.better is None  # what frees one side holds the other


def test_a_ball_holds_what_lies_outside_of_its_mouth() -> None:
    # A ball of r = 10 whose middle lies 6 mm under the top: over the middle it is narrower, down to
    # 8 mm. Under that overhang, from the shell at each radius down to the lower shell:
    # integral from 8 to 10 of 2 pi rho 2 sqrt(100 - rho^2) = 4/3 pi 6^3.
    ball = Manifold.sphere(10.0, 256).translate((0.0, 0.0, -6.0))
    told = separated(corners_of(bed(ball)))
    assert told.ml == pytest.approx(4.0 / 3.0 * math.pi * 6.0**3 / 1000.0, rel=0.01)
    assert told.deep_mm == pytest.approx(2.0, abs=PITCH_MM)


@pytest.mark.parametrize("seed", range(5))
def test_depth_is_from_the_neck_inwards_however_the_wall_flares_over_it(seed: int) -> None:
    # 4 mm under the top the trough is narrowest; over it the wall leans out, under it the wedge.
    wedge_mm, flare_mm, turned_deg = np.random.default_rng(seed).uniform((0.8, 0.2, 0), (4, 8, 90))
    made = trough((8.0 + flare_mm, 0.5), (8.0, -4.0), (8.0 + wedge_mm, -10.0))
    told = separated(corners_of(bed(made.rotate((0.0, 0.0, turned_deg)))), 0.3)
    assert told.deep_mm == pytest.approx(wedge_mm, abs=0.4)
    assert max(one.deep_mm for one in told.hours) == told.deep_mm


def test_another_cavitys_lip_is_never_nearer() -> None:
    # A wall 4 mm thick between two pits: pockets at two heights reach 3 and 1 mm into it.
    made = pit(18.0, 30.0, 16.0, (-11.0, 0.0)) + pit(18.0, 30.0, 16.0, (11.0, 0.0))
    made += box((6.0, 10.0, 3.0), (-2.0, 0.0, -5.0)) + box((4.0, 10.0, 3.0), (3.0, 0.0, -10.0))
    told = separated(corners_of(bed(made)))
    assert told.deep_mm == pytest.approx(3.0, abs=PITCH_MM)


def test_a_leaning_pit_comes_out_along_its_own_lean() -> None:
    # A straight pit that leans 12 degrees: along it nothing is held; upright a wedge on one side.
    slope = math.tan(math.radians(12.0))
    leaning = pit(24.0, 30.0, 15.0).warp(lambda p: (p[0] + slope * p[2], p[1], p[2]))
    leaning = leaning.rotate((0.0, 0.0, ODD_DEG))
    told = separated(corners_of(bed(leaning)))
    assert told.ml == pytest.approx(0.5 * 15.0 * 15.0 * slope * 30.0 / 1000.0, rel=0.02)
    assert told.better is not None
    assert told.better.lean_deg == pytest.approx(12.0)
    assert told.better.ml < 0.05 * told.ml
    assert told.notes == ()


def test_a_leaning_way_is_measured_as_the_formula_says() -> None:
    # An upright pit along a way that leans by a slope s: a wedge of depth^2 s / 2 a mm of its wall.
    turned = bed(pit(24.0, 30.0, 15.0)).rotate((0.0, 0.0, ODD_DEG))
    corners = corners_of(turned).transpose(2, 1, 0)
    inner = (np.hypot(*corners[:2]) < 20.0).all(axis=0)  # the pit's corners lie 19.2 mm out
    slope = math.cos(math.radians(ODD_DEG)) * 0.2, math.sin(math.radians(ODD_DEG)) * 0.2
    told_ml = under_ml(np.ascontiguousarray(corners[:, :, inner]), level(0.0), PITCH_MM, slope)
    assert told_ml == pytest.approx(0.5 * 15.0**2 * 0.2 * 30.0 / 1000.0, rel=0.02)


def test_noise_moves_the_volume_by_less_than_three_per_cent() -> None:
    solid = bed(Manifold.sphere(10.0, 128).translate((0.0, 0.0, -6.0))).refine_to_length(1.0)
    mesh = solid.to_mesh()
    points = np.asarray(mesh.vert_properties[:, :3], dtype=float)
    noisy = points + np.random.default_rng(3).normal(0.0, 0.015, points.shape)
    quiet_ml, noisy_ml = (separated(p[mesh.tri_verts], 0.4).ml for p in (points, noisy))
    assert noisy_ml == pytest.approx(quiet_ml, rel=0.03)


def test_a_ridge_held_all_round_is_noted_and_a_straight_pit_is_not() -> None:
    # A cone that widens by 0.2 mm a mm downwards, 15 mm deep, 30 mm across at the top.
    cone = Manifold.cylinder(15.0, 18.0, 15.0, 128).translate((0.0, 0.0, -15.0))
    told = separated(corners_of(bed(cone + Manifold.cylinder(1.0, 15.0, 15.0, 128))))
    assert [note.code for note in told.notes] == ["ridge-undercut"]
    held = math.pi * 15.0 * (18.0**2 + 18.0 * 15.0 + 15.0**2) / 3.0 - math.pi * 15.0**2 * 15.0
    assert told.ml == pytest.approx(held / 1000.0, rel=0.01)
    straight = separated(corners_of(bed(pit(30.0, 30.0, 15.0))))
    assert (straight.ml, straight.notes, straight.better) == (0.0, (), None)


def test_a_round_peg_is_as_slender_as_its_formula() -> None:
    # Modulus of a disc pi r^3 / 4; its worst height is the highest looked at, 9 mm over the tip.
    peg = Manifold.cylinder(15.0, 2.0, 2.0, 128).translate((0.0, 0.0, -14.0))
    told = separated(corners_of(bed(peg + pit(40.0, 30.0, 4.0))), peg=True)
    (one,) = told.slender
    assert one.over_tip_mm == 9.0
    assert one.neck_mm2 == pytest.approx(math.pi * 4.0, rel=0.03)
    assert one.per_mm2 == pytest.approx(9.0 / (math.pi * 8.0 / 4.0), rel=0.05)
