"""Each part of the interval by its formula: docs/explanation/geometry.md, 'Interval'."""

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.cavity.stages import level, tilted
from tests.cavity.test_margin import ROOMS, parts_of, rim_at
from tests.cavity.test_volume import stated
from volest.cavity.margin import find_margin


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
    parts = dict(find_margin(stated(40.0, 40.0), ROOMS, rim, level(0.0)).parts_ml)
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
    margin = find_margin(stated(40.0, 39.0), ROOMS, rim_at(1.0), level(0.0))
    squares = np.array([0.02 * 2.0, 0.0, 0.0, 1.0, 0.02 * 2.0]) ** 2
    assert margin.above_ml == pytest.approx(2.0 * math.sqrt(squares.sum()))
