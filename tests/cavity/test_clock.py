"""The dial over the footprint: a half disc leans out to its round side."""

import numpy as np
import pytest

from volest.cavity.clock import find_clock
from volest.cavity.columns import Grid


@pytest.mark.parametrize("angle_deg", [0, 35, 90, 215])
def test_twelve_is_the_round_side(angle_deg: int) -> None:
    grid = Grid(pitch_mm=0.5, low_mm=(-40.0, -40.0), shape=(161, 161))
    x, y = grid.centres_mm()
    front = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    ahead = x * front[0] + y * front[1]
    inside = (np.hypot(x, y) < 30.0) & (ahead > 0.0)
    clock = find_clock(grid, inside)
    assert clock.front @ front > 0.98
    right = np.array([front[1], -front[0]])  # clockwise, seen from above
    places = clock.centre_mm + 20.0 * np.stack([front, right, -front, -right])
    assert list(clock.hours(places[:, 0], places[:, 1])) == [12, 3, 6, 9]
