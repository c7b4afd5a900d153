"""Large triangles of which a small part lies below: what counts is where that part lies.

Columns are filled over a small square only; the parts below are clipped by trimesh.
"""

from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest

from tests.cavity.stages import level
from tests.cavity.test_prisms import all_filled, clipped_prism_ml
from volest.cavity.columns import Grid
from volest.cavity.polarity import by_coordinate
from volest.cavity.rooms import Rooms
from volest.cavity.volume import prism_volume_ml

LINE = level(0.0)


def square(low_mm: float = 0.5, cells: int = 11) -> Rooms:
    """Fill the columns from `low_mm` on, over a square of 1 mm cells, down to -30."""
    whole = all_filled(cells / 2.0)
    count = cells * cells
    return Rooms(
        grid=Grid(pitch_mm=1.0, low_mm=(low_mm, low_mm), shape=(cells, cells)),
        cell=np.arange(count),
        floor_mm=np.full(count, -30.0),
        roof_mm=np.full(count, np.inf),
        filled=np.ones(count, dtype=bool),
        assumed=np.zeros(count, dtype=bool),
        outside=np.zeros((cells, cells), dtype=bool),
        land_mm=np.full((cells, cells), np.inf),
        hole_mm2=whole.hole_mm2,
        hole_ml=0.0,
        sealed_ml=0.0,
        leaks=False,
    )


ONE_BELOW = np.array([[0.0, 0.0, -1.0], [100.0, 0.0, 10.0], [0.0, 100.0, 10.0]])
TWO_BELOW = np.array([[1.0, 8.0, -2.0], [8.0, 1.0, -2.0], [90.0, 90.0, 30.0]])


@pytest.mark.parametrize("corners", [ONE_BELOW, TWO_BELOW], ids=["one below", "two below"])
def test_the_part_below_counts_where_it_lies(corners: np.ndarray) -> None:
    for order in permutations(range(3)):
        turned = corners[list(order)]
        expected = clipped_prism_ml(turned, LINE)
        assert abs(expected) > 1e-3
        volume = prism_volume_ml(by_coordinate(turned[None]), square(), LINE)
        assert volume == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("corners", [ONE_BELOW, TWO_BELOW], ids=["one below", "two below"])
@pytest.mark.parametrize("away_mm", [(-30.0, 0.0), (0.0, -30.0), (30.0, 0.0), (0.0, 30.0)])
def test_a_part_below_beside_the_cavity_does_not(
    corners: np.ndarray, away_mm: tuple[float, float]
) -> None:
    moved = corners + np.array([*away_mm, 0.0])
    assert prism_volume_ml(by_coordinate(moved[None]), square(), LINE) == 0.0


@pytest.mark.parametrize(("height_mm", "counts"), [(-29.0, True), (-33.0, False)])
def test_what_lies_under_the_floor_is_another_surface(height_mm: float, *, counts: bool) -> None:
    # A tray's own bottom, 3 mm under the cavity's floor at -30.
    corners = np.array([[2.0, 2.0, height_mm], [6.0, 2.0, height_mm], [2.0, 6.0, height_mm]])
    volume = prism_volume_ml(by_coordinate(corners[None]), square(), LINE)
    assert volume == pytest.approx(8.0 * -height_mm / 1000.0 if counts else 0.0)


@pytest.mark.parametrize(("rise_mm", "counts"), [(0.0, False), (1.0, False), (4.0, True)])
def test_flat_rim_does_not_count_and_a_wall_does(rise_mm: float, *, counts: bool) -> None:
    # From 6 mm under the line up the cells are flat rim. Over 4 mm a rise of 1 leans 14 degrees,
    # as a flat rim may; one of 4 leans 45, as a wall does.
    rooms = replace(square(), land_mm=np.full((11, 11), -6.0))
    corners = np.array([[3.0, 3.0, -5.0], [7.0, 3.0, -5.0 + rise_mm], [3.0, 7.0, -5.0]])
    volume = prism_volume_ml(by_coordinate(corners[None]), rooms, LINE)
    # A triangle of 8 mm2 times its mean depth.
    expected = 8.0 * (5.0 - rise_mm / 3.0) / 1000.0
    assert volume == pytest.approx(expected if counts else 0.0)
