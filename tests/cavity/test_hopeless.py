"""Surfaces with which no cavity can be made: each refused by name, in the stage that sees it."""

import math

import numpy as np
import pytest
from manifold3d import Manifold

from tests.cavity.posing import STILL, given, measured
from tests.cavity.terrain import disc, relief_of, ring
from tests.cavity.trays import corners_of
from volest.cavity.base_line import level_plane
from volest.cavity.rim import robust_plane
from volest.cavity.trim import _stand_off_mm
from volest.errors import ScanError


def test_a_scan_seen_edge_on_has_no_floor() -> None:
    upright = np.array([[[0.0, 0.0, 0.0], [40.0, 0.0, 0.0], [20.0, 0.0, 30.0]]])
    with pytest.raises(ScanError) as caught:
        measured(upright, base=given(STILL, 10.0))
    assert caught.value.code == "no-cavity"


def test_a_floor_in_one_line_has_no_level() -> None:
    relief = relief_of(ring, disc(25.0))
    x, y = relief.grid.centres_mm()
    with pytest.raises(ScanError, match="columns in one line"):
        level_plane(relief, (np.abs(y) < 0.1) & (np.abs(x) < 3.0))


def test_a_crest_in_one_line_has_no_plane() -> None:
    steps = np.arange(12.0)
    with pytest.raises(ScanError, match="no rim"):
        robust_plane(np.stack([steps, 2.0 * steps, steps], axis=1))
    square = np.array([[x, y, 0.0] for x in range(4) for y in range(4)])
    square[3, 2] = -np.inf
    with pytest.raises(ScanError, match="no rim"):
        robust_plane(square)


def test_a_cast_stands_on_the_highest_point_of_a_straight_crest() -> None:
    places = np.stack([np.arange(5.0), np.zeros(5)], axis=1)
    over = np.array([0.0, 1.0, 2.5, 1.0, 0.0])
    assert _stand_off_mm(places, over, np.array([2.0, 0.0])) == 2.5


def test_a_cast_stands_on_three_points() -> None:
    # The plane through (0,0,0), (6,0,3) and (0,6,3) is z = (x + y) / 2: 2 over (2, 2).
    places = np.array([[0.0, 0.0], [6.0, 0.0], [0.0, 6.0], [1.0, 1.0]])
    over = np.array([0.0, 3.0, 3.0, 0.2])
    assert _stand_off_mm(places, over, np.array([2.0, 2.0])) == pytest.approx(2.0)


def test_a_bubble_is_left_out_and_told() -> None:
    # A ball of r = 5 in the wall under a cuboid of 40 x 30 x 10: 4/3 pi r^3 = 0.52 mL (CRC tables)
    block = Manifold.cube((52.0, 42.0, 24.0)).translate((-6.0, -6.0, -24.0))
    room = Manifold.cube((40.0, 30.0, 10.0 + 1.0)).translate((0.0, 0.0, -10.0))
    bubble = Manifold.sphere(5.0, 128).translate((20.0, 15.0, -17.0))
    result = measured(corners_of(block - room - bubble), base=given(STILL, 0.0))
    assert result.volume_ml == pytest.approx(12.0, rel=1e-3)
    told = {note.code: note.values for note in result.notes}
    ball_ml = 4.0 / 3.0 * math.pi * 5.0**3 / 1000.0
    assert told["sealed-room"]["sealed_ml"] == pytest.approx(ball_ml, abs=0.015)


def test_the_curve_runs_from_the_floor_to_five_mm_over_the_base_line() -> None:
    # A cuboid of 40 x 30: every mm of height is 1.2 mL, and over the rim it is the prism on it.
    block = Manifold.cube((52.0, 42.0, 24.0)).translate((-6.0, -6.0, -24.0))
    room = Manifold.cube((40.0, 30.0, 10.0 + 1.0)).translate((0.0, 0.0, -10.0))
    result = measured(corners_of(block - room), base=given(STILL, -2.0))
    heights = np.array([height for height, _ in result.curve])
    volumes = np.array([volume_ml for _, volume_ml in result.curve])
    assert np.allclose(np.diff(heights), 0.5)
    assert (heights[0], heights[-1]) == (-8.0, 5.0)
    assert volumes == pytest.approx(1.2 * (heights + 8.0), rel=1e-3, abs=1e-3)


def test_the_curve_of_a_base_line_far_off_ends() -> None:
    # Refused anyway; but it must not take memory that grows with its height first.
    block = Manifold.cube((52.0, 42.0, 24.0)).translate((-6.0, -6.0, -24.0))
    room = Manifold.cube((40.0, 30.0, 10.0 + 1.0)).translate((0.0, 0.0, -10.0))
    with pytest.raises(ScanError) as caught:
        measured(corners_of(block - room), base=given(STILL, 9e5))
    assert caught.value.code == "base-misses"
