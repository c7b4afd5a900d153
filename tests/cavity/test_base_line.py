"""Base lines: heights along the normal, in leaning frames; spheres that stand on a plane.

The plane under three spheres is stated, and each sphere's lowest surface follows from its radius.

Base lines at the limits that the pages state, far from the origin, and over mounds.

Limits: docs/reference/refusals.md, 'Noted'; uncertainties: docs/explanation/geometry.md,
'Interval'. What stands on no page is marked 'own'.
"""

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.cavity.posing import random_move
from tests.cavity.terrain import PITCH_MM, Floats, area_mm2, disc, relief_of, ring
from volest.cavity.base_line import BasePlane, find_base_line, level_plane
from volest.cavity.columns import Grid
from volest.cavity.footprint import find_footprint
from volest.cavity.frame import Frame, frame_along
from volest.cavity.height_map import HeightMap
from volest.cavity.rim import Rim, find_rim, parted, robust_plane
from volest.errors import ScanError
from volest.settings import Base

REPEATABLE = settings(max_examples=25, derandomize=True)
LEAN = st.floats(-0.15, 0.15)
STILL = frame_along(np.array([0.0, 0.0, 1.0]), np.zeros(3))


def normal_of(plane: Floats) -> Floats:
    n = np.array([-plane[0], -plane[1], 1.0])
    return np.asarray(n / np.linalg.norm(n), dtype=np.float64)


def distance_mm(plane: Floats, other: Floats) -> float:
    """How far a parallel plane lies over another, along the normal."""
    return float((other[2] - plane[2]) * normal_of(plane)[2])


def spheres(plane: Floats, radii: tuple[float, ...], ground_mm: float = 6.0) -> HeightMap:
    """Return a floor from whose ground spheres bulge down until they all touch a plane."""
    n = normal_of(plane)
    spots = [(14.0, 0.0), (-9.0, 12.0), (-9.0, -12.0)]
    centres = [np.array([x, y, plane[0] * x + plane[1] * y + plane[2]]) for x, y in spots]
    centres = [c + r * n for c, r in zip(centres, radii, strict=True)]

    def height(x: Floats, y: Floats) -> Floats:
        z = plane[0] * x + plane[1] * y + plane[2] + ground_mm
        for c, r in zip(centres, radii, strict=True):
            under = r**2 - (x - c[0]) ** 2 - (y - c[1]) ** 2
            z = np.where(under > 0, np.minimum(z, c[2] - np.sqrt(np.maximum(under, 0))), z)
        return np.asarray(z, dtype=np.float64)

    return relief_of(height, disc(24.0))


@REPEATABLE
@given(a=LEAN, b=LEAN, radii=st.tuples(*(st.floats(2.5, 6.0),) * 3))
def test_level_plane_touches_three_spheres(
    a: float, b: float, radii: tuple[float, float, float]
) -> None:
    plane = np.array([a, b, -8.0])
    relief = spheres(plane, radii)
    found = level_plane(relief, ~relief.outside)
    # A cell's centre misses a sphere's lowest point by up to 0.7 pitch: 0.016 mm at r = 2.5.
    assert found[:2] == pytest.approx(plane[:2], abs=2e-3)
    assert found[2] == pytest.approx(plane[2], abs=0.03)


def test_level_plane_of_a_flat_floor_is_the_floor() -> None:
    relief = relief_of(lambda x, y: 0.1 * x - 0.05 * y + 3.0, disc(20.0))
    assert level_plane(relief, ~relief.outside) == pytest.approx([0.1, -0.05, 3.0], abs=1e-6)


@cache
def pitted(a: float, b: float) -> tuple[HeightMap, Rim]:
    """Return a leaning ring whose floor, at 0, has a mound of 4 in its middle."""

    def height(x: Floats, y: Floats) -> Floats:
        dome = 4.0 * np.clip(1.0 - (x**2 + y**2) / 49.0, 0.0, None)
        return ring(x, y) + dome + a * x + b * y

    relief = relief_of(height, disc(26.0))
    return relief, find_rim(relief, find_footprint(relief), None)


def based(base: Base, a: float = 0.0, b: float = 0.0, frame: Frame = STILL) -> BasePlane:
    relief, rim = pitted(a, b)
    return find_base_line(base, relief, find_footprint(relief).inside, rim, frame)


@pytest.mark.parametrize(("a", "b"), [(0.0, 0.0), (0.2, 0.0), (-0.1, 0.15)])
@pytest.mark.parametrize("height_mm", [3.0, 8.0])
def test_depth_is_over_the_tips_along_the_normal(a: float, b: float, height_mm: float) -> None:
    found = based(Base(how="depth", offset_mm=height_mm), a, b)
    tips = np.array([a, b, 0.0])
    assert found.how == "depth"
    assert found.plane[:2] == pytest.approx([a, b], abs=2e-3)
    assert distance_mm(tips, found.plane) == pytest.approx(height_mm, abs=0.02)


@REPEATABLE
@given(a=LEAN, b=LEAN, at=st.floats(-4.0, 4.0))
def test_depth_over_one_tip_is_level_with_the_rim(a: float, b: float, at: float) -> None:
    # A cone's tip, where three cells next to each other would bear a cast of one tooth.
    def height(x: Floats, y: Floats) -> Floats:
        return ring(x, y) + np.minimum(0.7 * np.hypot(x - at, y) - 8.0, 0.0) + a * x + b * y

    relief = relief_of(height, disc(26.0))
    footprint = find_footprint(relief)
    rim = find_rim(relief, footprint, None)
    found = find_base_line(Base(how="depth", offset_mm=12.0), relief, footprint.inside, rim, STILL)
    assert found.plane[:2] == pytest.approx([a, b], abs=0.01)
    tip = np.array([a, b, -8.0])
    assert distance_mm(tip, found.plane) == pytest.approx(12.0, abs=0.3)  # within a cell of it


@pytest.mark.parametrize(("a", "b"), [(0.0, 0.0), (0.2, 0.0), (-0.1, 0.15)])
def test_cover_is_over_the_highest_floor(a: float, b: float) -> None:
    # The dome's top stands 4 mm over the floor along z.
    found = based(Base(how="cover", offset_mm=2.5), a, b)
    top = np.array([a, b, 4.0])
    assert found.plane[:2] == pytest.approx([a, b], abs=2e-3)
    assert distance_mm(top, found.plane) == pytest.approx(2.5, abs=0.1)


def test_cover_over_a_flat_floor_is_depth() -> None:
    # Walls within 4 mm of the crest are no floor.
    relief = relief_of(lambda x, y: np.where(np.hypot(x, y) < 17.5, 0.0, ring(x, y)), disc(26.0))
    _, rim = pitted(0.0, 0.0)
    inside = find_footprint(relief).inside
    planes = [
        find_base_line(Base(how=how, offset_mm=3.0), relief, inside, rim, STILL).plane
        for how in ("cover", "depth")
    ]
    assert planes[0] == pytest.approx(planes[1], abs=0.1)


@pytest.mark.parametrize(("a", "b"), [(0.0, 0.0), (0.2, 0.0), (-0.1, 0.15)])
def test_rim_offset_is_along_the_normal(a: float, b: float) -> None:
    still, up = based(Base(), a, b), based(Base(offset_mm=-2.0), a, b)
    assert still.plane[:2] == pytest.approx([a, b], abs=0.01)
    assert still.plane[2] == pytest.approx(10.0, abs=0.5)
    assert distance_mm(still.plane, up.plane) == pytest.approx(-2.0)
    assert still.notes == ()
    assert still.lean_deg == pytest.approx(0.0, abs=0.5)


@REPEATABLE
@given(seed=st.integers(0, 999))
def test_given_plane_is_the_same_plane_in_any_frame(seed: int) -> None:
    move = random_move(seed)
    rng = np.random.default_rng(seed)
    frame = frame_along(move.turn[2], move.shift_mm)
    normal = move.turn[2] + rng.uniform(-0.3, 0.3, 3)
    point = rng.uniform(-50.0, 50.0, 3)
    found = based(Base(how="plane", plane=(*point, *(7.0 * normal))), frame=frame)
    a, b, c = found.plane
    for x, y in ((0.0, 0.0), (10.0, 0.0), (0.0, 10.0)):
        on_plane = frame.from_frame(np.array([x, y, a * x + b * y + c]))
        assert (on_plane - point) @ normal == pytest.approx(0.0, abs=1e-8)


@REPEATABLE
@given(a=st.floats(-1, 1), b=st.floats(-1, 1), z=st.floats(-9, 9))
def test_heights_and_uprightness(a: float, b: float, z: float) -> None:
    base = BasePlane(plane=np.array([a, b, 2.0]), how="plane", height_u_mm=0.0, lean_deg=0.0)
    x, y = np.array([3.0]), np.array([-4.0])
    height = base.heights_mm(x, y, np.array([z]))[0]
    # Distance of a point from a plane: |n . (p - q)| (any text on analytic geometry).
    distance = normal_of(base.plane) @ np.array([3.0, -4.0, z - 2.0])
    assert height * base.upright == pytest.approx(distance, abs=1e-12)


def rim_with(stray_mm: Floats, plane: tuple[float, float, float]) -> Rim:
    angle = np.linspace(0.0, 2 * np.pi, len(stray_mm), endpoint=False)
    x, y = 20.0 * np.cos(angle), 20.0 * np.sin(angle)
    z = plane[0] * x + plane[1] * y + plane[2] + stray_mm
    _, rim = pitted(0.0, 0.0)
    crest = np.stack([x, y, z], axis=1)
    return replace(rim, plane=np.array(plane), crest_mm=crest, stray_mm=stray_mm)


def by_rim(rim: Rim) -> BasePlane:
    relief, _ = pitted(0.0, 0.0)
    return find_base_line(Base(), relief, find_footprint(relief).inside, rim, STILL)


@pytest.mark.parametrize(
    "offset_mm",
    [0.0, -1.5, 0.8],
)
@pytest.mark.parametrize("spread_mm", [0.4, 2.0])
def test_an_uneven_rim_is_told_with_the_base_line_that_was_asked_for(
    offset_mm: float, spread_mm: float
) -> None:
    rim = rim_with(spread_mm * np.resize([1.0, -1.0], 100), (0.0, 0.0, 10.0))
    relief, _ = pitted(0.0, 0.0)
    base, inside = Base(how="rim", offset_mm=offset_mm), find_footprint(relief).inside
    (note,) = find_base_line(base, relief, inside, rim, STILL).notes
    assert note.values["offset_mm"] == offset_mm
    tips_mm = float(relief.top_mm[inside].min())
    # The rim's middle stands at 10 mm; the floor is level but for its pits.
    assert note.values["depth_mm"] == pytest.approx(10.0 + offset_mm - tips_mm, abs=0.06)


def test_ragged_rim_is_followed_all_the_same() -> None:
    # Stone is filled to the rim: what its own plane may be off by is told, not another plane taken.
    rim = rim_with(2.0 * np.resize([1.0, -1.0], 100), (0.05, 0.0, 10.0))
    found = by_rim(rim)
    assert [note.code for note in found.notes] == ["ragged-rim"]
    assert found.plane == pytest.approx([0.05, 0.0, 10.0])


@cache
def alikeness(length_mm: float) -> Floats:
    """Return what makes 300 normal draws round a ring of 20 mm alike by exp(-(d / length)^2)."""
    angle = np.linspace(0.0, 2 * np.pi, 300, endpoint=False)
    places = 20.0 * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    apart = np.linalg.norm(places[:, None] - places[None], axis=2)
    alike = np.exp(-((apart / length_mm) ** 2)) + 1e-9 * np.eye(300)
    return np.asarray(np.linalg.cholesky(alike))


@pytest.mark.parametrize("sigma_mm", [0.3, 1.5])
@pytest.mark.parametrize("length_mm", [2.0, 5.0])
def test_how_sure_a_ragged_rim_is_was_said_rightly(sigma_mm: float, length_mm: float) -> None:
    # The plane about which the strays were drawn is z = 10.
    rng = np.random.default_rng(7)
    off, said = [], []
    for _ in range(60):
        still = rim_with(sigma_mm * alikeness(length_mm) @ rng.normal(size=300), (0.0, 0.0, 10.0))
        a, b, c = robust_plane(still.crest_mm)
        stray = still.crest_mm @ [-a, -b, 1.0] - c
        said.append(replace(still, stray_mm=stray).sureness(np.zeros(2)))
        off.append((abs(c - 10.0), math.degrees(math.atan(math.hypot(a, b)))))
    off_mm, off_deg = np.array(off).T
    u_mm, u_deg = np.array(said).T
    # Doubled, an uncertainty holds about 95 % (JCGM 100:2008, 6.3); drawn sixty times.
    assert np.mean(off_mm <= 2.0 * u_mm) >= 0.9
    assert np.mean(off_deg <= 2.0 * u_deg) >= 0.9
    # Nor is it said to be far less sure than it is.
    assert np.mean(u_mm) < 2.0 * math.sqrt(np.mean(off_mm**2))
    assert np.mean(u_deg) < 2.0 * math.sqrt(np.mean(off_deg**2))


@pytest.mark.parametrize("step_mm", [-5.0, -2.5, 2.5, 5.0])
def test_of_two_flanges_the_longer_is_followed(step_mm: float) -> None:
    # A trough round an island: its crest is a ring of 20 and one of 12; 20 of 32 mm are the longer.
    angle = 2.0 * np.pi * np.arange(320) / 320
    outer = np.arange(320) % 8 < 5
    radius = np.where(outer, 20.0, 12.0)
    x, y = radius * np.cos(angle), radius * np.sin(angle)
    z = 0.1 * x - 0.05 * y + 3.0 + np.where(outer, 0.0, step_mm)
    z += np.random.default_rng(3).normal(scale=0.1, size=320)
    plane, rest_mm, share = parted(np.stack([x, y, z], axis=1))
    assert plane == pytest.approx([0.1, -0.05, 3.0], abs=0.03)
    assert rest_mm == pytest.approx(step_mm, abs=0.05)
    assert share == pytest.approx(12.0 / 32.0)
    _, rim = pitted(0.0, 0.0)
    crest = np.stack([x, y, z], axis=1)
    stray = z - crest[:, :2] @ plane[:2] - plane[2]
    told = by_rim(
        replace(rim, plane=plane, crest_mm=crest, stray_mm=stray, rest_mm=rest_mm, rest_share=share)
    )
    note = next(note for note in told.notes if note.code == "two-heights")
    assert note.values["share_percent"] == pytest.approx(37.5)
    assert note.values["rest_mm"] == pytest.approx(step_mm, abs=0.05)
    # The mean of both lies 12 / 32 of the step off, and the interval reaches it.
    assert 2.0 * told.height_u_mm > 12.0 / 32.0 * abs(step_mm)


@pytest.mark.parametrize(("degrees", "codes"), [(2.0, []), (9.0, ["leaning-rim"])])
def test_leaning_rim_is_kept_and_noted(degrees: float, codes: list[str]) -> None:
    slope = math.tan(math.radians(degrees))
    found = by_rim(rim_with(np.zeros(100), (slope, 0.0, 10.0)))
    assert [note.code for note in found.notes] == codes
    assert found.lean_deg == pytest.approx(degrees, abs=0.1)
    assert found.plane == pytest.approx([slope, 0.0, 10.0])


def test_uneven_rim_is_less_sure() -> None:
    even, uneven = (by_rim(rim_with(s * np.resize([1.0, -1.0], 100), (0, 0, 9))) for s in (0, 0.3))
    assert even.height_u_mm < uneven.height_u_mm


def test_rotating_the_arch_rotates_the_level() -> None:
    plane = np.array([0.1, -0.04, -8.0])
    relief = spheres(plane, (3.0, 4.0, 5.0))
    quarter = HeightMap(
        grid=relief.grid,
        top_mm=np.rot90(relief.top_mm),
        outside=np.rot90(relief.outside),
        hole=relief.hole,
    )
    here, there = (level_plane(r, ~r.outside) for r in (relief, quarter))
    # rot90 brings (x, y) to (y, -x) on a grid about the origin whose rows are y.
    assert there == pytest.approx([here[1], -here[0], here[2]], abs=1e-6)
    assert relief.grid.pitch_mm == PITCH_MM


@given(LEAN, LEAN, st.floats(-40.0, 40.0), st.floats(-40.0, 40.0))
@REPEATABLE
def test_a_plane_of_the_scan_comes_back_into_it(a: float, b: float, x: float, y: float) -> None:
    frame = frame_along(np.array([0.3, -0.5, 0.8]), np.array([5.0, -7.0, 11.0]))
    normal = frame.rotation.T @ normal_of(
        np.array([a, b, 0.0])
    )  # leans a little from the frame's z
    given_point = np.array([4.0, 2.0, -6.0])
    found = based(Base(how="plane", plane=(*given_point, *normal)), frame=frame)
    point, back = found.in_scan(frame, x, y)
    assert back == pytest.approx(normal, abs=1e-12)
    assert (np.array(point) - given_point) @ normal == pytest.approx(0.0, abs=1e-9)
    assert frame.to_frame(np.array(point))[:2] == pytest.approx([x, y], abs=1e-9)


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


def shifted(relief: HeightMap, east_mm: float, north_mm: float) -> HeightMap:
    low = (relief.grid.low_mm[0] + east_mm, relief.grid.low_mm[1] + north_mm)
    grid = Grid(pitch_mm=relief.grid.pitch_mm, low_mm=low, shape=relief.grid.shape)
    return HeightMap(grid=grid, top_mm=relief.top_mm, outside=relief.outside, hole=relief.hole)


@pytest.mark.parametrize("shift_mm", [(200.0, -300.0), (-500.0, 50.0), (0.0, 400.0)])
def test_level_plane_moves_with_the_scan(shift_mm: tuple[float, float]) -> None:
    plane = np.array([0.12, -0.09, -8.0])
    relief = spheres(plane, (3.0, 5.0, 4.0))
    found = level_plane(shifted(relief, *shift_mm), ~relief.outside)
    here = level_plane(relief, ~relief.outside)
    assert found[:2] == pytest.approx(here[:2], abs=1e-9)
    # The same points stand on it: c falls by what a and b gain over the shift.
    assert found[2] == pytest.approx(here[2] - found[:2] @ np.array(shift_mm), abs=1e-6)


def floored(mound: Floats) -> HeightMap:
    plain = relief_of(ring, disc(26.0))
    top = np.maximum(plain.top_mm, mound)
    return HeightMap(grid=plain.grid, top_mm=top, outside=plain.outside, hole=plain.hole)


def covered_mm(mound: Floats, offset_mm: float = 2.0) -> float:
    """Return how high a line over the highest mound lies over the floor, which is at 0."""
    relief = floored(mound)
    footprint = find_footprint(relief)
    rim = find_rim(relief, footprint, None)
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
    rim = find_rim(relief, footprint, None)
    with pytest.raises(ScanError) as caught:
        find_base_line(Base(), relief, np.zeros_like(footprint.inside), rim, STILL)
    assert caught.value.code == "no-cavity"


def test_lean_is_the_angle_between_two_planes() -> None:
    # Normals (-0.2, 0, 1) and (0, 0.1, 1): cos = 1 / sqrt(1.04 x 1.01); level is the floor's plane.
    relief = relief_of(lambda x, y: ring(x, y) - 0.1 * y, disc(26.0))
    footprint = find_footprint(relief)
    rim = find_rim(relief, footprint, None)
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
