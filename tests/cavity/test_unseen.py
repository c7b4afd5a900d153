"""Closing of surface that was not seen: exact fields, known solids, and what stays as it is."""

import numpy as np
import pytest
from manifold3d import Manifold

from tests.cavity.stages import Floats, Stages, bed, below_ml, box, level, staged_triangles
from tests.cavity.trays import corners_of
from volest.cavity.base_line import BasePlane
from volest.cavity.columns import Grid, Surface, sorted_columns
from volest.cavity.frame import frame_along
from volest.cavity.unseen import (
    BAND,
    STEP_MM,
    Closing,
    _fitting,
    _seen_distance,
    _straighten,
    close_unseen,
)
from volest.cavity.volume import column_volumes_ml

PITCH_MM = 0.4
LINE = level(-1.0)


def fine(solid: Manifold) -> Manifold:
    """Split long edges, as a scanner's small triangles are."""
    return solid.refine_to_length(0.9)


def seen_from_above(triangles: Floats, least: float = 0.2) -> Floats:
    """Leave out what faces down or stands steep: only upward facing surface is seen."""
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    return np.asarray(triangles[normal[:, 2] > least * np.linalg.norm(normal, axis=1)])


def closing_of(stages: Stages, base: BasePlane) -> Closing | None:
    corners = stages.corners_mm  # the frame is the scan's own here
    still = frame_along(np.array([0.0, 0.0, 1.0]), np.zeros(3))
    triangles = np.ascontiguousarray(corners.transpose(2, 1, 0)) @ still.rotation
    return close_unseen(
        columns=stages.columns,
        surface=Surface(triangles=triangles, frame=still),
        relief=stages.relief,
        footprint=stages.footprint,
        rim=stages.rim,
        base=base,
        rooms=stages.rooms(base),
        points_mm=corners.mean(axis=1),
    )


def overhung(recede_mm: float) -> Manifold:
    """Cut a trough of which the walls draw back under a lip 2 mm thick, for 6 mm."""
    wide = box((30.0 + 2 * recede_mm, 20.0 + 2 * recede_mm, 6.0), (0.0, 0.0, -3.0))
    return box((30.0, 20.0, 12.0), (0.0, 0.0, 1.0)) + wide


def test_a_whole_surface_is_left_as_it_is() -> None:
    triangles = corners_of(fine(bed(overhung(2.5))))
    assert closing_of(staged_triangles(triangles, PITCH_MM), LINE) is None


@pytest.mark.parametrize("recede_mm", [0.0, 1.0, 2.5])
def test_walls_and_roofs_are_closed_within_what_is_claimed(recede_mm: float) -> None:
    cavity = overhung(recede_mm)
    true_ml = below_ml(cavity, LINE)
    scan = seen_from_above(corners_of(fine(bed(cavity))))
    stages = staged_triangles(scan, PITCH_MM)
    closing = closing_of(stages, LINE)
    assert closing is not None
    found_ml = float(column_volumes_ml(closing.rooms, np.zeros(1))[0])
    assert found_ml - closing.less_ml <= true_ml <= found_ml + closing.more_ml
    if recede_mm:  # a sheer wall that a scanner misses is more often a pocket
        open_ml = float(column_volumes_ml(stages.rooms(LINE), np.zeros(1))[0])
        assert abs(found_ml - true_ml) < abs(open_ml - true_ml)


def test_the_deeper_the_pocket_the_wider_the_interval() -> None:
    more = []
    for recede_mm in (0.0, 1.0, 2.5, 3.5):
        scan = seen_from_above(corners_of(fine(bed(overhung(recede_mm)))))
        closing = closing_of(staged_triangles(scan, PITCH_MM), LINE)
        assert closing is not None
        more.append(closing.more_ml)
    assert more == sorted(more)


def test_what_was_closed_alternates() -> None:
    scan = seen_from_above(corners_of(fine(bed(overhung(2.5)))))
    closing = closing_of(staged_triangles(scan, PITCH_MM), LINE)
    assert closing is not None
    columns = closing.columns
    same = (columns.cell[1:] == columns.cell[:-1]) & (columns.up[1:] == columns.up[:-1])
    assert not same.any()
    assert columns.assumed.any()
    assert not columns.assumed.all()


def test_the_field_of_a_plane_is_the_height_over_it() -> None:
    side = np.linspace(-12.0, 12.0, 33)
    x, y = np.meshgrid(side, side)
    points = np.stack([x, y, np.zeros_like(x)])
    a, b, c, d = points[:, :-1, :-1], points[:, :-1, 1:], points[:, 1:, 1:], points[:, 1:, :-1]
    top = np.concatenate([np.stack(t, 1).reshape(3, 3, -1) for t in ((a, b, c), (a, c, d))], 2)
    shape = (12, 12, 9)
    # Heights of the nodes: 0.25 mm and multiples of the step from there.
    low = np.array([-4.0, -4.0, 0.25 - 4 * STEP_MM])
    seen, distance = _seen_distance(top, low, np.ones(shape, dtype=bool))
    height = low[2] + STEP_MM * np.arange(shape[2])
    assert seen.any(axis=(0, 1)).tolist() == (np.abs(height) < BAND * STEP_MM).tolist()
    assert seen[:, :, np.abs(height) < 0.5].all()
    away = np.broadcast_to(height, shape)
    assert distance[seen] == pytest.approx(away[seen], abs=1e-6)


def test_a_plane_field_is_carried_on_as_a_plane() -> None:
    # Of all fields that agree at the border a linear one bends least: its Laplacian is zero.
    x, y, z = np.meshgrid(*(np.arange(12.0),) * 3, indexing="ij")
    plane = 0.3 * x - 0.2 * y + 0.9 * z - 4.0
    asked = np.zeros(plane.shape, dtype=bool)
    asked[3:9, 3:9, 3:9] = True
    values = np.where(asked, 0.0, plane)
    _straighten(values, asked, np.zeros(plane.shape), 0.0, 0.0)
    assert np.abs(values - plane).max() < 0.02


def test_a_strong_pull_wins() -> None:
    asked = np.zeros((16, 16, 16), dtype=bool)
    asked[2:14, 2:14, 2:14] = True
    values, aim = np.zeros(asked.shape), np.full(asked.shape, -2.0)
    _straighten(values, asked, aim, 1e4, 0.0)
    assert values[asked] == pytest.approx(-2.0, abs=0.05)


@pytest.mark.parametrize(
    ("real", "made", "kept"),
    [
        # (height, faces up) of real crossings; (height, faces up, seen) of made ones.
        ([(-9.0, True), (1.0, True)], [(-8.9, True, 1.0), (-3.0, False, 0.0)], [-3.0]),
        ([(1.0, True)], [(-8.0, True, 0.0), (-3.0, False, 0.0), (1.1, True, 1.0)], [-8.0, -3.0]),
        ([(1.0, True)], [(-8.0, True, 0.9), (-7.9, False, 0.9)], []),
        ([(-9.0, True)], [(-4.0, False, 0.0), (-3.0, True, 0.0)], []),
        ([], [(-7.0, True, 0.0)], [-7.0]),
        ([(-20.0, False)], [(-7.0, True, 0.0)], [-7.0]),
    ],
    ids=["roof", "pocket", "seen", "sky", "floor", "floor of a closed scan"],
)
def test_crossings_that_make_sense_are_kept(
    real: list[tuple[float, bool]], made: list[tuple[float, bool, float]], kept: list[float]
) -> None:
    rows = [(0, z, up, False, 1.0) for z, up in real]
    rows += [(0, z, up, True, seen) for z, up, seen in made]
    both = np.array(sorted(rows), dtype=np.float64).T
    assert both[1][both[3] > 0.0][_fitting(both)].tolist() == kept


def test_assumed_crossings_are_remembered() -> None:
    grid = Grid(pitch_mm=1.0, low_mm=(0.0, 0.0), shape=(3, 3))
    no_triangle = np.empty(0, np.int64)
    columns = sorted_columns(
        grid, np.array([4, 4]), np.array([-3.0, 0.0]), np.array([True, False]), no_triangle,
        assumed=np.array([True, False]),
    )  # fmt: skip
    assert columns.assumed.tolist() == [True, False]
