"""The interval: JCGM 100:2008 (GUM), 5.1.2 for independent parts and 6.3 for k = 2.

Read in excerpt; the law is u^2 = sum of u_i^2 and U = k u.

Each part of the interval by its formula: docs/explanation/geometry.md, 'Interval'.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.cavity.stages import level, tilted
from tests.cavity.terrain import disc, grid_about, relief_of, ring
from tests.cavity.test_volume import rooms_made, stated
from volest.cavity.base_line import BasePlane
from volest.cavity.doubts import Uncertainty, find_uncertainty
from volest.cavity.footprint import find_footprint
from volest.cavity.rim import Rim, find_rim
from volest.cavity.void import ReachableVoid

PARTS = {"base line", "border", "holes", "pitch", "surface"}
ROOMS = rooms_made(np.array([-6.0]), np.array([np.inf]), [0])


def rim_at(height_mm: float) -> Rim:
    """Return a rim of three crest points at one height."""
    relief = relief_of(ring, disc(26.0), grid_about(30.0, 1.0))
    crest = np.array([[0.0, 0.0, height_mm], [9.0, 0.0, height_mm], [0.0, 9.0, height_mm]])
    rim = find_rim(relief, find_footprint(relief), None)
    return replace(rim, crest_mm=crest, stray_mm=np.zeros(3))


def parts_of(
    rooms: ReachableVoid = ROOMS,
    base: BasePlane | None = None,
    rim_mm: float = 1.0,
    prisms_ml: float = 40.0,
) -> dict[str, float]:
    margin = find_uncertainty(stated(40.0, prisms_ml), rooms, rim_at(rim_mm), base or level(0.0))
    return dict(margin.parts_ml)


@settings(max_examples=40, derandomize=True)
@given(parts=st.lists(st.floats(0.0, 10.0), min_size=1, max_size=8))
def test_parts_add_by_root_sum_of_squares(parts: list[float]) -> None:
    margin = Uncertainty(parts_ml=tuple(("part", u) for u in parts))
    assert margin.above_ml == pytest.approx(2.0 * float(np.linalg.norm(parts)))


@pytest.mark.parametrize("prisms_ml", [40.0, 39.0])
@pytest.mark.parametrize("hole_mm2", [0.0, 300.0])
def test_largest_part_is_named_first(prisms_ml: float, hole_mm2: float) -> None:
    volume, rooms = stated(40.0, prisms_ml), replace(ROOMS, hole_mm2=hole_mm2)
    margin = find_uncertainty(volume, rooms, rim_at(1.0), level(0.0))
    sizes = [u for _, u in margin.parts_ml]
    assert sizes == sorted(sizes, reverse=True)
    assert {name for name, _ in margin.parts_ml} == PARTS


def test_surface_is_an_offset_over_the_area() -> None:
    # A uniform offset d over an area A is A d: 0.02 mm over 2000 mm2.
    assert parts_of()["surface"] == pytest.approx(0.04)


def test_base_line_is_height_times_section() -> None:
    # 0.02 mm times 2 mL/mm.
    assert parts_of()["base line"] == pytest.approx(0.04)
    doubled = replace(level(0.0), height_u_mm=0.04)
    assert parts_of(base=doubled)["base line"] == pytest.approx(0.08)


def test_sound_scan_has_no_part_for_holes_or_gaps() -> None:
    parts = parts_of()
    assert (parts["holes"], parts["border"]) == (0.0, 0.0)


def test_damage_widens_the_interval() -> None:
    small, large = (parts_of(replace(ROOMS, hole_mm2=a))["holes"] for a in (10.0, 40.0))
    assert large == pytest.approx(8.0 * small)  # area times radius: 4 times 2
    low, lower = (parts_of(rim_mm=h)["border"] for h in (-1.0, -3.0))
    assert lower == pytest.approx(3.0 * low)
    assert low > 0.0


def test_ways_that_differ_cover_each_other() -> None:
    assert parts_of(prisms_ml=37.5)["pitch"] == pytest.approx(2.5)
    assert 0.0 < parts_of()["pitch"] < 0.02


@pytest.mark.parametrize("hole_mm2", [4.0, 50.0, 200.0])
def test_holes_are_0_45_of_the_radius_times_the_area(hole_mm2: float) -> None:
    parts = parts_of(replace(ROOMS, hole_mm2=hole_mm2))
    radius_mm = math.sqrt(hole_mm2 / math.pi)
    assert parts["holes"] == pytest.approx(0.45 * radius_mm * hole_mm2 / 1000.0)


@pytest.mark.parametrize(("land_mm", "across_mm"), [(0.0, 0.5), (0.8, 0.5), (3.0, 1.8)])
def test_border_is_a_width_times_the_gap(land_mm: float, across_mm: float) -> None:
    # '0.5 mm, or 0.6 of a flat rim's width, times the area of the gap'. Three crest cells of
    # 2 mm lie 1.5 mm under the line: 3 x 2 x 1.5 mm2.
    rim = replace(rim_at(-1.5), land_width_mm=land_mm)
    parts = dict(find_uncertainty(stated(40.0, 40.0), ROOMS, rim, level(0.0)).parts_ml)
    assert parts["border"] == pytest.approx(across_mm * 3 * 2.0 * 1.5 / 1000.0)


def test_only_what_lies_under_the_line_is_gap() -> None:
    # z = x / 3 - 2 under a crest at -1 with corners at x = 0, 9 and 0: heights 1, -2 and 1.
    parts = parts_of(base=tilted(1.0 / 3.0, 0.0, -2.0), rim_mm=-1.0)
    assert parts["border"] == pytest.approx(0.5 * 2.0 * 2.0 / 1000.0)


def test_pitch_is_the_difference_of_the_two_ways_and_never_none() -> None:
    assert parts_of(prisms_ml=39.0)["pitch"] == pytest.approx(1.0)
    # own: two sums never agree by chance alone, 2 in 10,000
    assert parts_of(prisms_ml=40.0)["pitch"] == pytest.approx(0.008)


def test_half_the_width_is_twice_the_root_of_the_squares() -> None:
    # JCGM 100:2008, 5.1.2 and 6.3.
    margin = find_uncertainty(stated(40.0, 39.0), ROOMS, rim_at(1.0), level(0.0))
    squares = np.array([0.02 * 2.0, 0.0, 0.0, 1.0, 0.02 * 2.0]) ** 2
    assert margin.above_ml == pytest.approx(2.0 * math.sqrt(squares.sum()))
