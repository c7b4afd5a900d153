"""Frames against plain linear algebra (numpy's matrix product)."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.cavity.posing import random_move
from volest.cavity.frame import frame_along

REPEATABLE = settings(max_examples=40, derandomize=True)
NUMBER = st.floats(-1e3, 1e3, allow_nan=False).map(lambda v: round(v, 6))
AXIS = st.tuples(NUMBER, NUMBER, NUMBER).filter(lambda a: np.linalg.norm(a) > 1e-3)


@REPEATABLE
@given(axis=AXIS)
def test_frame_is_right_handed_with_z_along_the_axis(axis: tuple[float, float, float]) -> None:
    rotation = frame_along(np.array(axis), np.zeros(3)).rotation
    assert rotation @ rotation.T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(rotation) == pytest.approx(1.0)
    assert rotation[2] == pytest.approx(np.array(axis) / np.linalg.norm(axis), abs=1e-12)


@REPEATABLE
@given(axis=AXIS, seed=st.integers(0, 999))
def test_there_and_back(axis: tuple[float, float, float], seed: int) -> None:
    rng = np.random.default_rng(seed)
    origin, point = rng.uniform(-200.0, 200.0, (2, 3))
    frame = frame_along(np.array(axis), origin)
    assert frame.from_frame(frame.to_frame(point)) == pytest.approx(point, abs=1e-9)


def test_points_move_as_by_the_matrix_product() -> None:
    move = random_move(5)
    frame = frame_along(move.turn[2], move.shift_mm)
    points = np.random.default_rng(5).uniform(-50.0, 50.0, (3, 3, 200))
    expected = np.einsum("ij,jkn->ikn", frame.rotation, points - move.shift_mm[:, None, None])
    assert frame.to_frame(points) == pytest.approx(expected, abs=1e-12)


def test_equal_points_stay_equal_wherever_they_stand() -> None:
    # Columns rest on it: a vertex shared by triangles must be one vertex after the move.
    points = np.random.default_rng(6).uniform(-50.0, 50.0, (3, 1001))
    frame = frame_along(np.array([0.3, -0.8, 0.5]), np.array([1.0, 2.0, 3.0]))
    moved = frame.to_frame(points)
    order = np.random.default_rng(7).permutation(1001)
    assert np.array_equal(frame.to_frame(points[:, order]), moved[:, order])
    alone = np.stack([frame.to_frame(points[:, k]) for k in range(1001)], axis=1)
    assert np.array_equal(alone, moved)


def test_origin_becomes_zero() -> None:
    origin = np.array([4.0, -5.0, 6.0])
    frame = frame_along(np.array([1.0, 1.0, 0.0]), origin)
    assert np.array_equal(frame.to_frame(origin), np.zeros(3))
