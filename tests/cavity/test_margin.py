"""The interval: JCGM 100:2008 (GUM), 5.1.2 for independent parts and 6.3 for k = 2.

Read in excerpt; the law is u^2 = sum of u_i^2 and U = k u.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.cavity.stages import level
from tests.cavity.terrain import disc, grid_about, relief_of, ring
from tests.cavity.test_volume import rooms_made, stated
from volest.cavity.base_line import BasePlane
from volest.cavity.footprint import find_footprint
from volest.cavity.margin import Margin, find_margin
from volest.cavity.rim import Rim, find_rim
from volest.cavity.rooms import Rooms

PARTS = {"base line", "border", "holes", "pitch", "surface"}
ROOMS = rooms_made(np.array([-6.0]), np.array([np.inf]), [0])


def rim_at(height_mm: float) -> Rim:
    """Return a rim of three crest points at one height."""
    relief = relief_of(ring, disc(26.0), grid_about(30.0, 1.0))
    points = np.stack([*relief.grid.centres_mm(), relief.top_mm]).reshape(3, -1)
    crest = np.array([[0.0, 0.0, height_mm], [9.0, 0.0, height_mm], [0.0, 9.0, height_mm]])
    rim = find_rim(relief, find_footprint(relief), points)
    return replace(rim, crest_mm=crest, stray_mm=np.zeros(3))


def parts_of(
    rooms: Rooms = ROOMS,
    base: BasePlane | None = None,
    rim_mm: float = 1.0,
    prisms_ml: float = 40.0,
) -> dict[str, float]:
    margin = find_margin(stated(40.0, prisms_ml), rooms, rim_at(rim_mm), base or level(0.0))
    return dict(margin.parts_ml)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(parts=st.lists(st.floats(0.0, 10.0), min_size=1, max_size=8))
def test_parts_add_by_root_sum_of_squares(parts: list[float]) -> None:
    margin = Margin(parts_ml=tuple(("part", u) for u in parts))
    assert margin.above_ml == pytest.approx(2.0 * float(np.linalg.norm(parts)))


@pytest.mark.parametrize("prisms_ml", [40.0, 39.0])
@pytest.mark.parametrize("hole_mm2", [0.0, 300.0])
def test_largest_part_is_named_first(prisms_ml: float, hole_mm2: float) -> None:
    volume, rooms = stated(40.0, prisms_ml), replace(ROOMS, hole_mm2=hole_mm2)
    margin = find_margin(volume, rooms, rim_at(1.0), level(0.0))
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
