"""The pour axis: solids turned in known ways, and shapes without an opening.

Volumes held: boxes by their formula; hulls by scipy's qhull over the corners.

Poses of scans that hold nothing unless boxed in, that lean, that stray, or barely hold.

Volumes: prisms by their section; hulls by scipy's qhull; leaning rims by the plane that cuts them.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import Manifold
from scipy.spatial import ConvexHull

from tests.cavity.posing import STILL, Move, measured, random_move
from tests.cavity.stages import bed, box, pit
from tests.cavity.trays import Floats, corners_of, trays
from tests.marks import slow
from volest.cavity.polarity import by_coordinate
from volest.cavity.pose import Pose, Samples, find_pose, spread_samples
from volest.errors import ScanError

REPEATABLE = settings(max_examples=12, derandomize=True)
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


def gutter(radius_mm: float, length_mm: float = 60.0, lip_mm: float = 4.0) -> Floats:
    """Return a half pipe open at both ends, with a level lip along both sides, facing up."""
    angle = np.linspace(-math.pi, 0.0, 61)
    section = np.stack([radius_mm * np.cos(angle), radius_mm * np.sin(angle)], axis=1)
    section[0, 1] = section[-1, 1] = 0.0
    wide = radius_mm + lip_mm
    section = np.vstack([[-wide, 0.0], section, [wide, 0.0]])
    y = np.linspace(-length_mm / 2.0, length_mm / 2.0, 31)
    points = np.stack(
        [
            np.broadcast_to(section[:, None, 0], (len(section), len(y))),
            np.broadcast_to(y, (len(section), len(y))),
            np.broadcast_to(section[:, None, 1], (len(section), len(y))),
        ],
        axis=2,
    )
    a, b, c, d = points[:-1, :-1], points[1:, :-1], points[1:, 1:], points[:-1, 1:]
    faces = np.stack([np.stack([a, b, c], axis=2), np.stack([a, c, d], axis=2)])
    return np.asarray(faces.reshape(-1, 3, 3))


@pytest.mark.parametrize("size_mm", [(14.0, 60.0), (14.0, 40.0), (14.0, 30.0), (10.0, 30.0)])
@pytest.mark.parametrize("seed", [1, *slow(2, 9, 10)])
def test_a_gutter_open_at_both_ends_is_boxed_in_however_it_lies(
    seed: int, size_mm: tuple[float, float]
) -> None:
    radius_mm, length_mm = size_mm
    move = random_move(seed)
    triangles = gutter(radius_mm, length_mm)
    pose = find_pose(samples_of(triangles, move))
    assert off_deg(pose, move) < 1.0
    # Boxed in where it ends it holds half a cylinder, pi r^2 l / 2 (CRC tables, 'Solids'); on
    # coarse cells its ends lose some of that.
    half_ml = math.pi * radius_mm**2 * length_mm / 2.0 / 1000.0
    assert 0.75 * half_ml < pose.held_ml < 1.05 * half_ml
    assert pose.runner_up == 0.0
    result = measured(triangles, move)
    assert "needs-boxing" in {note.code for note in result.notes}
    assert result.volume_ml == pytest.approx(half_ml, rel=2e-3)


def test_a_gutter_that_faces_down_is_a_cast_or_nothing() -> None:
    # Its faces turned about, it bulges: what it would hold boxed in lies on the other side.
    with pytest.raises(ScanError) as caught:
        find_pose(samples_of(gutter(14.0)[:, ::-1], random_move(1)))
    assert caught.value.code == "no-cavity"


def test_a_shallow_gutter_is_no_cavity() -> None:
    # Eight times as wide as deep: a sheet that sags.
    triangles = gutter(14.0) * np.array([1.0, 1.0, 0.15])
    with pytest.raises(ScanError) as caught:
        find_pose(samples_of(triangles, random_move(2)))
    assert caught.value.code == "no-cavity"


@pytest.mark.parametrize("lean_deg", [3.0, 8.0, 12.0])
def test_the_axis_is_the_normal_of_a_leaning_rim(lean_deg: float) -> None:
    # The block's top is cut along a plane that leans; the cavity's walls and floor stand upright.
    lean = math.radians(lean_deg)
    normal = np.array([math.sin(lean), 0.0, math.cos(lean)])
    solid = bed(pit(50.0, 40.0, 22.0)).trim_by_plane(tuple(-normal), 3.0)
    pose = find_pose(samples_of(corners_of(solid)))
    assert math.degrees(math.acos(min(1.0, pose.axis @ normal))) < 0.5


def dish(share: float) -> Manifold:
    """A block of 60 x 50 x 20 with a flat dish in its top that holds a share of the whole."""
    deep_mm = share * 60.0 * 50.0 * 20.0 / (52.0 * 42.0)
    return box((60.0, 50.0, 20.0), (0.0, 0.0, 0.0)) - box(
        (52.0, 42.0, deep_mm + 1.0), (0.0, 0.0, 1.0)
    )


@pytest.mark.parametrize(("share", "holds"), [(0.022, False), (0.04, True)])
def test_what_holds_3_per_cent_of_its_hull_is_an_impression(share: float, *, holds: bool) -> None:
    # docs/explanation/geometry.md: 'less than 3 % of its convex hull along every axis is refused'
    move = random_move(7)
    samples = samples_of(corners_of(dish(share)), move)
    if holds:
        pose = find_pose(samples)
        assert off_deg(pose, move) < 1.0
        assert pose.held_ml / pose.hull_ml == pytest.approx(share, rel=0.2)
        return
    with pytest.raises(ScanError) as caught:
        find_pose(samples)
    assert caught.value.code == "no-cavity"


def test_the_runner_up_is_what_another_side_holds() -> None:
    # Pits on two sides at right angles, of 52 x 42 x 10 and of 52 x 14 x 8.
    solid = box((60.0, 50.0, 40.0), (0.0, 0.0, 0.0)) - box((52.0, 42.0, 11.0), (0.0, 0.0, 1.0))
    solid = solid - Manifold.cube((52.0, 9.0, 14.0)).translate((-26.0, 17.0, -33.0))
    pose = find_pose(samples_of(corners_of(solid), random_move(3)))
    assert pose.runner_up == pytest.approx(52 * 14 * 8 / (52 * 42 * 10), rel=0.25)


def far_off(away_mm: float) -> Floats:
    """Return a tub with a small triangle far away."""
    speck = np.array([[[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]]) + np.array([away_mm, 0.0, 0.0])
    return np.concatenate([tub(), speck])


def test_samples_a_little_off_are_kept_and_far_ones_are_not() -> None:
    # docs/explanation/geometry.md: 'more than 100 mm beyond ... where a scan is wider than 300 mm'
    for triangles, reach_mm in ((tub(), 31.0), (opened(tub()), 31.0)):
        assert samples_of(triangles).points_mm[0].max() == pytest.approx(reach_mm, abs=0.5)
    handle = box((260.0, 30.0, 6.0), (150.0, 0.0, -10.0))  # reaches to 280: still under 300 wide
    held = bed(pit(50.0, 40.0, 15.0)) + handle - pit(50.0, 40.0, 15.0)
    near = samples_of(corners_of(held))
    assert near.points_mm[0].max() == pytest.approx(280.0, abs=1.0)
    plate = np.array([[[0.0, 0, 0], [40, 0, 0], [0, 40, 0]]]) * 0.2 + np.array([900.0, 0, 0])
    far = samples_of(np.concatenate([tub(), plate]))
    assert far.points_mm.shape[1] < near.points_mm.shape[1]
    assert far.points_mm[0].max() == pytest.approx(31.0, abs=0.5)


def test_a_speck_far_off_moves_no_axis() -> None:
    move = random_move(8)
    still, strayed = (find_pose(samples_of(t, move)) for t in (tub(), far_off(700.0)))
    assert off_deg(strayed, move) < 0.5
    assert strayed.held_ml == pytest.approx(still.held_ml, rel=0.02)


def test_hull_is_that_of_the_points() -> None:
    samples = samples_of(gutter(14.0))
    hull_ml = ConvexHull(gutter(14.0).reshape(-1, 3)).volume / 1000.0
    assert find_pose(samples).hull_ml == pytest.approx(hull_ml, rel=0.03)


def test_samples_fill_a_triangle_evenly() -> None:
    # Barycentric coordinates of uniform points: each corner's has mean 1/3 and the law of
    # Turk (Graphics Gems): P(coordinate < t) = 1 - (1 - t)^2.
    triangle = np.array([[[0.0, 0, 0], [10, 0, 0], [0, 10, 0]]])
    x, y, _ = spread_samples(np.ascontiguousarray(triangle.transpose(2, 1, 0))).points_mm / 10.0
    for share in (x, y, 1.0 - x - y):
        assert share.mean() == pytest.approx(1.0 / 3.0, abs=0.003)
        for t in (0.1, 0.3, 0.6):
            assert np.mean(share < t) == pytest.approx(1.0 - (1.0 - t) ** 2, abs=0.01)


@pytest.mark.parametrize(("long_mm", "down_deg"), [(100.0, 45.0), (100.0, 60.0), (130.0, 60.0)])
def test_a_long_handle_bent_down_does_not_mislead(long_mm: float, down_deg: float) -> None:
    # Such a handle turns the principal axes away; the rim's own plane still bounds the hull.
    arm = Manifold.cube((long_mm, 12.0, 12.0)).translate((0.0, -6.0, -6.0))
    arm = arm.rotate((0.0, down_deg, 0.0)).translate((10.0, 0.0, -20.0))
    move = random_move(5)
    solid = bed(pit(50.0, 40.0, 15.0)) + arm - pit(50.0, 40.0, 15.0)
    pose = find_pose(samples_of(corners_of(solid), move))
    assert off_deg(pose, move) < 0.5
    assert pose.held_ml == pytest.approx(30.0, rel=0.15)
