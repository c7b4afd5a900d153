"""The pour axis: solids turned in known ways, and shapes without an opening.

Volumes held: boxes by their formula; hulls by scipy's qhull over the corners.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import Manifold
from scipy.spatial import ConvexHull

from tests.cavity.posing import STILL, Move, random_move
from tests.cavity.stages import bed, box, pit
from tests.cavity.trays import Floats, corners_of, trays
from volest.cavity.polarity import by_coordinate
from volest.cavity.pose import Pose, Samples, find_pose, spread_samples
from volest.errors import ScanError

REPEATABLE = settings(max_examples=12, deadline=None, derandomize=True)
SEEDS = st.integers(0, 9999)


def tub() -> Floats:
    return corners_of(bed(pit(50.0, 40.0, 15.0)))


def opened(triangles: Floats) -> Floats:
    """Leave the sides and the bottom of the block out."""
    sides = np.abs(np.abs(triangles[:, :, :2]) - np.array([31.0, 26.0])).max(axis=1) < 1e-9
    bottom = (np.abs(triangles[:, :, 2] + 30.0) < 1e-9).all(axis=1)
    return np.asarray(triangles[~(sides.any(axis=1) | bottom)])


def samples_of(triangles: Floats, move: Move = STILL) -> Samples:
    return spread_samples(by_coordinate(move.points(triangles)))


def off_deg(pose: Pose, move: Move) -> float:
    return float(np.degrees(np.arccos(np.clip(pose.axis @ move.turn[:, 2], -1.0, 1.0))))


@REPEATABLE
@given(seed=SEEDS, is_open=st.booleans())
def test_axis_is_found_however_the_scan_lies(seed: int, is_open: bool) -> None:
    move = random_move(seed)
    triangles = opened(tub()) if is_open else tub()
    pose = find_pose(samples_of(triangles, move))
    assert off_deg(pose, move) < 0.5
    assert np.linalg.norm(pose.axis) == pytest.approx(1.0)
    assert pose.held_ml == pytest.approx(30.0, rel=0.15)
    assert pose.runner_up < 0.5


def test_rim_of_every_tray_is_levelled() -> None:
    move = random_move(17)
    for tray in trays():
        for is_open in (False, True):
            pose = find_pose(samples_of(tray.triangles(is_open=is_open), move))
            assert off_deg(pose, move) < 1.0, tray.name


@REPEATABLE
@given(seed=SEEDS)
def test_order_winding_and_triangulation_do_not_matter(seed: int) -> None:
    rng, move = np.random.default_rng(seed), random_move(seed)
    triangles = tub()
    mixed = triangles[rng.permutation(len(triangles))][:, ::-1]
    assert off_deg(find_pose(samples_of(mixed, move)), move) < 0.5


def test_far_from_the_origin() -> None:
    move = Move(turn=random_move(3).turn, shift_mm=np.array([1e5, -1e5, 1e5]))
    assert off_deg(find_pose(samples_of(tub(), move)), move) < 0.5


def test_hull_is_the_hull() -> None:
    triangles = tub()
    hull_ml = ConvexHull(triangles.reshape(-1, 3)).volume / 1000.0
    assert find_pose(samples_of(triangles)).hull_ml == pytest.approx(hull_ml, rel=0.03)


def test_two_openings_alike_are_told() -> None:
    twin = bed(pit(50.0, 40.0, 13.0), box((50.0, 40.0, 13.0), (0.0, 0.0, -18.0)))
    assert find_pose(samples_of(corners_of(twin), random_move(1))).runner_up > 0.8


def stumps() -> Manifold:
    """Stand a cast: teeth on a base."""
    cast = box((60.0, 50.0, 12.0), (0.0, 0.0, 0.0))
    for x in (-22.0, -11.0, 0.0, 11.0, 22.0):
        for y in (-16.0, 16.0):
            cast = cast + box((8.0, 9.0, 9.0), (x, y, 8.0))
    return cast


@pytest.mark.parametrize("seed", range(3))
def test_cast_is_refused(seed: int) -> None:
    with pytest.raises(ScanError) as caught:
        find_pose(samples_of(corners_of(stumps()), random_move(seed)))
    assert caught.value.code == "cast"


FLAT_OR_BULGING = {
    "one triangle": np.array([[[0.0, 0, 0], [50, 0, 0], [0, 40, 0]]]),
    "sheet": np.array(
        [[[0.0, 0, 0], [50, 0, 0], [50, 40, 0]], [[0, 0, 0], [50, 40, 0], [0, 40, 0]]]
    ),
    "folded sheet": np.array(
        [[[0.0, 0, 0], [50, 0, 0], [50, 40, 9]], [[0, 0, 0], [50, 40, 9], [0, 40, 0]]]
    ),
    "ball": corners_of(Manifold.sphere(20.0, 48)),
    "block": corners_of(Manifold.cube((60.0, 40.0, 20.0))),
}


@pytest.mark.parametrize("name", FLAT_OR_BULGING)
def test_what_holds_nothing_is_refused(name: str) -> None:
    with pytest.raises(ScanError) as caught:
        find_pose(samples_of(FLAT_OR_BULGING[name], random_move(2)))
    assert caught.value.code == "no-cavity"
