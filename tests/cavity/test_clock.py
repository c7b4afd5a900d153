"""The dial over the footprint: a half disc leans out to its round side.

Hours of the dial: a clock's face by trigonometry; centroids of half discs and trapezoids.
"""

import math

import numpy as np
import pytest

from tests.cavity.terrain import grid_about
from volest.cavity.columns import Grid
from volest.cavity.trim import Clock, convex_outline, find_clock

GRID = grid_about(40.0, 0.5)
X, Y = GRID.centres_mm()


@pytest.mark.parametrize("angle_deg", [0, 35, 90, 215])
def test_twelve_is_the_round_side(angle_deg: int) -> None:
    grid = Grid(pitch_mm=0.5, low_mm=(-40.0, -40.0), shape=(161, 161))
    x, y = grid.centres_mm()
    front = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    ahead = x * front[0] + y * front[1]
    inside = (np.hypot(x, y) < 30.0) & (ahead > 0.0)
    clock = find_clock(grid, inside, inside)
    assert clock.front @ front > 0.98
    right = np.array([front[1], -front[0]])  # clockwise, seen from above
    places = clock.centre_mm + 20.0 * np.stack([front, right, -front, -right])
    assert list(clock.hours(places[:, 0], places[:, 1])) == [12, 3, 6, 9]


@pytest.mark.parametrize("front_deg", [90.0, 0.0, 213.0])
def test_hours_change_half_way_between_them(front_deg: float) -> None:
    # On a clock's face hour h stands at 30 h degrees; it reaches 15 degrees to either side.
    front = np.array([math.cos(math.radians(front_deg)), math.sin(math.radians(front_deg))])
    clock = Clock(centre_mm=np.array([4.0, -7.0]), front=front)
    for hour in range(1, 13):
        for off_deg in (-14.5, 0.0, 14.5):
            angle = math.radians(front_deg - 30.0 * hour - off_deg)  # clockwise
            x, y = 4.0 + 9.0 * math.cos(angle), -7.0 + 9.0 * math.sin(angle)
            assert clock.hours(np.array([x]), np.array([y])).tolist() == [hour]


def test_distance_from_the_middle_does_not_matter() -> None:
    clock = Clock(centre_mm=np.zeros(2), front=np.array([0.0, 1.0]))
    far = np.array([0.1, 1.0, 50.0])
    assert clock.hours(far, 0.0 * far).tolist() == [3, 3, 3]


def test_the_middle_is_the_outline_s_centroid() -> None:
    # A half disc's centroid lies 4 r / (3 pi) from its straight side (CRC tables, 'Centroids').
    half = (np.hypot(X - 3.0, Y) < 30.0) & (Y > 0.0)
    clock = find_clock(GRID, half, half)
    assert clock.centre_mm == pytest.approx([3.0, 4.0 * 30.0 / (3.0 * math.pi)], abs=0.3)
    assert clock.front @ np.array([0.0, 1.0]) > 0.999


def test_the_room_of_a_tongue_counts_as_dial() -> None:
    # A horseshoe's outline is the half disc round it.
    horseshoe = (np.hypot(X, Y) < 30.0) & (np.hypot(X, Y) > 18.0) & (Y > 0.0)
    clock, whole = (
        find_clock(GRID, inside, inside)
        for inside in (horseshoe, (np.hypot(X, Y) < 30.0) & (Y > 0.0))
    )
    assert clock.centre_mm == pytest.approx(whole.centre_mm, abs=0.3)
    assert clock.front == pytest.approx(whole.front, abs=0.02)


@pytest.mark.parametrize("front_deg", [0, 50, 90, 160, 250, 340])
def test_a_trapezoid_s_front_is_its_short_side(front_deg: int) -> None:
    front = np.array([math.cos(math.radians(front_deg)), math.sin(math.radians(front_deg))])
    ahead, across = X * front[0] + Y * front[1], X * front[1] - Y * front[0]
    inside = (np.abs(ahead) < 20.0) & (np.abs(across) < 16.0 - 0.6 * ahead)
    clock = find_clock(GRID, inside, inside)
    assert clock.front @ front > 0.99
    assert np.linalg.norm(clock.front) == pytest.approx(1.0)


@pytest.mark.parametrize("front_deg", [0, 50, 160, 250])
def test_a_row_s_bow_outweighs_a_ragged_outline(front_deg: int) -> None:
    # The outline narrows to the heel; the middle of half a ring lies before that of its half disc.
    front = np.array([math.cos(math.radians(front_deg)), math.sin(math.radians(front_deg))])
    ahead, across = X * front[0] + Y * front[1], X * front[1] - Y * front[0]
    inside = (np.abs(ahead) < 22.0) & (np.abs(across) < 18.0 + 0.4 * ahead)
    ring = np.hypot(X, Y)
    deep = inside & (ring > 10.0) & (ring < 15.0) & (ahead > -1.0)
    clock = find_clock(GRID, inside, deep)
    assert clock.is_arch
    assert clock.front @ front > 0.99
    assert find_clock(GRID, inside, inside).front @ front < -0.99


@pytest.mark.parametrize(("long_mm", "is_arch"), [(24.0, True), (72.0, False)])
def test_a_row_as_long_as_a_quadrant_has_no_front(long_mm: float, *, is_arch: bool) -> None:
    # A quadrant's bow leans to the cheek; its dial keeps to the narrower end.
    inside = (np.abs(X) < long_mm / 2.0) & (np.abs(Y) < 10.0 - 0.05 * X)
    deep = inside & (np.abs(Y - 0.01 * X**2) < 3.0)
    clock = find_clock(GRID, inside, deep)
    assert clock.is_arch == is_arch
    assert is_arch or clock.front @ np.array([1.0, 0.0]) > 0.95


def test_outline_of_five_discs_is_a_rounded_pentagon() -> None:
    # The hull of discs of r about a polygon: its area, its perimeter times r, and pi r^2 (Steiner).
    big, small = 30.0, 2.0
    discs = np.zeros_like(X, dtype=bool)
    for angle in np.radians([0, 72, 144, 216, 288]):
        discs |= np.hypot(X - big * np.cos(angle), Y - big * np.sin(angle)) < small
    pentagon = 2.5 * big**2 * math.sin(math.radians(72))
    side = 2.0 * big * math.sin(math.radians(36))
    area = np.count_nonzero(convex_outline(discs)) * GRID.pitch_mm**2
    assert area == pytest.approx(pentagon + 5 * side * small + math.pi * small**2, rel=0.01)
