"""The resting plane: against qhull's lower hull and scipy's linear programmes (HiGHS)."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog
from scipy.spatial import ConvexHull

from volest.cavity.base_line import resting_plane
from volest.cavity.frame import Floats

REPEATABLE = settings(max_examples=60, derandomize=True)
KINDS = ("rough", "on a lattice", "bowl", "shallow", "sheet")


def cloud(seed: int, kind: str) -> Floats:
    """Draw (3, m) points: some kinds have many points that bear the plane alike."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(-30.0, 30.0, (2, int(rng.integers(4, 400))))
    z = rng.normal(size=len(x)) * 5.0
    if kind == "on a lattice":
        x, y, z = np.rint(x), np.rint(y), np.rint(z)
    elif kind == "bowl":
        z = 0.02 * (x * x + y * y)
    elif kind == "shallow":
        z = 1e-5 * (x * x + y * y)
    elif kind == "sheet":
        z = 0.1 * x - 0.3 * y + 7.0
    return np.stack([x, y, z])


@REPEATABLE
@given(seed=st.integers(0, 9999), kind=st.sampled_from(KINDS))
def test_it_is_the_highest_of_all_planes_under_the_points(seed: int, kind: str) -> None:
    points = cloud(seed, kind)
    place = points[:2].mean(axis=1)
    plane = resting_plane(points, place)
    assert plane is not None
    over = points[2] - plane[:2] @ points[:2] - plane[2]
    assert over.min() >= -1e-8
    # The same programme: a, b, c with the most height over the place, under every point.
    design = np.column_stack([*points[:2], np.ones(points.shape[1])])
    best = linprog(-np.append(place, 1.0), design, points[2], bounds=(None, None))
    assert best.success
    assert plane @ np.append(place, 1.0) == pytest.approx(-best.fun, abs=1e-6)


@pytest.mark.parametrize("seed", range(20))
def test_it_is_a_facet_of_the_lower_hull(seed: int) -> None:
    points = cloud(seed, "rough")
    plane = resting_plane(points, points[:2].mean(axis=1))
    normals = ConvexHull(points.T).equations
    facets = normals[normals[:, 2] < 0.0]  # n . p + d = 0, looking down
    planes = -facets[:, [0, 1, 3]] / facets[:, 2:3]
    assert plane is not None
    assert np.abs(planes - plane).max(axis=1).min() < 1e-8


def test_far_from_the_origin() -> None:
    points = cloud(3, "rough")
    near = resting_plane(points, points[:2].mean(axis=1))
    away = points + np.array([[1e4], [-1e4], [1e3]])
    far = resting_plane(away, away[:2].mean(axis=1))
    assert near is not None
    assert far is not None
    assert np.abs(near[:2] - far[:2]).max() < 1e-8


@pytest.mark.parametrize("count", [1, 2, 9])
def test_nothing_rests_on_points_in_one_line(count: int) -> None:
    x = np.arange(float(count))
    points = np.stack([x, 2.0 * x, x % 3])
    assert resting_plane(points, points[:2].mean(axis=1)) is None


def test_nothing_rests_on_points_that_all_lie_to_one_side() -> None:
    points = cloud(5, "rough")
    assert resting_plane(points, np.array([200.0, 0.0])) is None
