"""Base lines at the limits that the pages state, far from the origin, and over mounds.

Limits: docs/reference/refusals.md, 'Noted'; uncertainties: docs/explanation/geometry.md,
'Interval'. What stands on no page is marked 'own'.
"""

import math

import numpy as np
import pytest

from tests.cavity.terrain import PITCH_MM, Floats, area_mm2, disc, relief_of, ring
from tests.cavity.test_base_line import STILL, based, by_rim, distance_mm, rim_with, spheres
from volest.cavity.base_line import find_base_line, level_plane
from volest.cavity.columns import Grid
from volest.cavity.footprint import find_footprint
from volest.cavity.frame import frame_along
from volest.cavity.relief import Relief
from volest.cavity.rim import find_rim
from volest.errors import ScanError
from volest.settings import Base


def alternating(spread_mm: float) -> Floats:
    """Strays of +-s: the median of |stray| is s, and the robust spread 1.4826 s."""
    return spread_mm / 1.4826 * np.resize([1.0, -1.0], 100)


@pytest.mark.parametrize(
    ("spread_mm", "codes"),
    [
        (0.19, []),
        (0.21, ["wavy-rim"]),
        (0.58, ["wavy-rim"]),
        (0.62, ["ragged-rim"]),
    ],
)
def test_waves_are_told_from_0_2_and_0_6_mm_on(spread_mm: float, codes: list[str]) -> None:
    found = by_rim(rim_with(alternating(spread_mm), (0.0, 0.0, 10.0)))
    assert [note.code for note in found.notes] == codes
    assert all(n.values["spread_mm"] == pytest.approx(spread_mm, abs=0.05) for n in found.notes)


@pytest.mark.parametrize(("lean_deg", "codes"), [(5.8, []), (6.2, ["leaning-rim"])])
def test_a_lean_is_told_from_6_degrees_on(lean_deg: float, codes: list[str]) -> None:
    slope = math.tan(math.radians(lean_deg))
    found = by_rim(rim_with(np.zeros(100), (0.0, slope, 10.0)))
    assert [note.code for note in found.notes] == codes


def test_a_ragged_rim_may_lean_too() -> None:
    found = by_rim(rim_with(alternating(2.0), (0.3, 0.0, 10.0)))
    assert [note.code for note in found.notes] == ["ragged-rim", "leaning-rim"]


def test_uncertainty_of_an_even_rim() -> None:
    # '0.1 mm for a rim', and what its strays add.
    assert by_rim(rim_with(np.zeros(100), (0.0, 0.0, 10.0))).height_u_mm == pytest.approx(0.1)
    # Strays of +-s from point to point, 1.3 mm apart, even out over a ring of 126 mm.
    assert 0.1 < by_rim(rim_with(alternating(0.5), (0.0, 0.0, 10.0))).height_u_mm < 0.2


def test_uncertainty_of_a_line_that_was_given() -> None:
    # '0.02 mm given'
    assert based(Base(how="plane", plane=(0, 0, 5.0, 0, 0, 1.0))).height_u_mm == 0.02
    # Over tips a cell's step adds: a ball of 2.5 mm is met 0.016 mm too high at most.
    assert 0.02 < based(Base(how="depth", offset_mm=8.0)).height_u_mm <= 0.06


@pytest.mark.parametrize("how", ["rim", "depth", "cover"])
def test_what_was_asked_for_is_said(how: str) -> None:
    found = based(Base(how=how, offset_mm=2.0))
    assert (found.how, found.notes) == (how, ())
    assert found.lean_deg == pytest.approx(0.0, abs=0.5)


def shifted(relief: Relief, east_mm: float, north_mm: float) -> Relief:
    low = (relief.grid.low_mm[0] + east_mm, relief.grid.low_mm[1] + north_mm)
    grid = Grid(pitch_mm=relief.grid.pitch_mm, low_mm=low, shape=relief.grid.shape)
    return Relief(grid=grid, top_mm=relief.top_mm, outside=relief.outside, hole=relief.hole)


@pytest.mark.parametrize("shift_mm", [(200.0, -300.0), (-500.0, 50.0), (0.0, 400.0)])
def test_level_plane_moves_with_the_scan(shift_mm: tuple[float, float]) -> None:
    plane = np.array([0.12, -0.09, -8.0])
    relief = spheres(plane, (3.0, 5.0, 4.0))
    found = level_plane(shifted(relief, *shift_mm), ~relief.outside)
    here = level_plane(relief, ~relief.outside)
    assert found[:2] == pytest.approx(here[:2], abs=1e-9)
    # The same points stand on it: c falls by what a and b gain over the shift.
    assert found[2] == pytest.approx(here[2] - found[:2] @ np.array(shift_mm), abs=1e-6)


def floored(mound: Floats) -> Relief:
    plain = relief_of(ring, disc(26.0))
    top = np.maximum(plain.top_mm, mound)
    return Relief(grid=plain.grid, top_mm=top, outside=plain.outside, hole=plain.hole)


def covered_mm(mound: Floats, offset_mm: float = 2.0) -> float:
    """Return how high a line over the highest mound lies over the floor, which is at 0."""
    relief = floored(mound)
    footprint = find_footprint(relief)
    x, y = relief.grid.centres_mm()
    points = np.stack([x, y, relief.top_mm])[:, ~relief.outside]
    rim = find_rim(relief, footprint, points)
    base = Base(how="cover", offset_mm=offset_mm)
    found = find_base_line(base, relief, footprint.inside, rim, STILL)
    return distance_mm(np.array([*found.plane[:2], 0.0]), found.plane)


X, Y = relief_of(ring, disc(26.0)).grid.centres_mm()


@pytest.mark.parametrize("high_mm", [0.7, 3.0, 9.0])
@pytest.mark.parametrize("place_mm", [(0.0, 0.0), (7.0, -5.0)])
def test_cover_is_over_a_mound_wherever_it_stands(
    high_mm: float, place_mm: tuple[float, float]
) -> None:
    # A round table of 3 mm's radius: its top is its height.
    table = np.where(np.hypot(X - place_mm[0], Y - place_mm[1]) < 3.0, high_mm, -99.0)
    assert area_mm2(table > 0.0) == pytest.approx(math.pi * 9.0, rel=0.1)
    assert covered_mm(table) == pytest.approx(high_mm + 2.0, abs=0.02)


def test_cover_is_over_the_highest_of_some_mounds() -> None:
    tables = [
        np.where(np.hypot(X - x, Y - y) < 3.0, high, -99.0)
        for x, y, high in ((-8.0, 0.0, 2.0), (8.0, 0.0, 5.5), (0.0, 8.0, 3.0))
    ]
    assert covered_mm(np.max(tables, axis=0)) == pytest.approx(7.5, abs=0.02)


def test_a_slope_up_to_the_wall_is_no_mound() -> None:
    # A floor that rises by 0.1 a mm meets the wall, which rises by 2, at radius 15: it is 1.5 high.
    slope = np.where(np.hypot(X, Y) < 15.0, 0.1 * np.hypot(X, Y), -99.0)
    assert covered_mm(slope, 2.0) == pytest.approx(1.5 + 2.0, abs=0.1)


def test_flat_land_alone_is_no_cavity() -> None:
    relief = floored(np.full_like(X, -99.0))
    footprint = find_footprint(relief)
    points = np.stack([X, Y, relief.top_mm])[:, ~relief.outside]
    rim = find_rim(relief, footprint, points)
    with pytest.raises(ScanError) as caught:
        find_base_line(Base(), relief, np.zeros_like(footprint.inside), rim, STILL)
    assert caught.value.code == "no-cavity"


def test_lean_is_the_angle_between_two_planes() -> None:
    # Normals (-0.2, 0, 1) and (0, 0.1, 1): cos = 1 / sqrt(1.04 x 1.01); level is the floor's plane.
    relief = relief_of(lambda x, y: ring(x, y) - 0.1 * y, disc(26.0))
    footprint = find_footprint(relief)
    points = np.stack([X, Y, relief.top_mm])[:, ~relief.outside]
    rim = find_rim(relief, footprint, points)
    plane = np.array([0.2, 0.0, 10.0])
    leaning = rim_with(np.zeros(len(rim.stray_mm)), (0.2, 0.0, 10.0))
    found = find_base_line(Base(), relief, footprint.inside, leaning, STILL)
    angle = math.degrees(math.acos(1.0 / math.sqrt(1.04 * 1.01)))
    assert found.lean_deg == pytest.approx(angle, abs=0.05)
    assert found.plane == pytest.approx(plane)


def test_depth_in_a_turned_frame_is_over_the_tips_all_the_same() -> None:
    # The frame says nothing where the line is not given in the scan's own.
    turned = frame_along(np.array([0.3, -0.4, 0.8]), np.array([5.0, 6.0, 7.0]))
    here, there = (based(Base(how="depth", offset_mm=4.0), frame=f) for f in (STILL, turned))
    assert np.array_equal(here.plane, there.plane)
    assert here.plane[2] == pytest.approx(4.0, abs=2 * PITCH_MM)
