"""The whole pipeline against solids in closed form.

Sources of the formulas: see tests/cavity/trays.py. The volume of a tray's own facets is stated by
manifold3d, a boolean library that knows nothing of volest.
"""

import numpy as np
import pytest

from tests.cavity.posing import STILL, base_error, given, measured, random_move
from tests.cavity.trays import Tray, trays
from tests.marks import slow
from volest.cavity.columns import cut_columns, grid_over
from volest.cavity.frame import frame_along
from volest.cavity.polarity import by_coordinate
from volest.settings import Base

TRAYS = {tray.name: tray for tray in trays()}
UP_TO_TOP, UNDER_TOP = 0.0, -1.0


@pytest.fixture(params=list(TRAYS.values()), ids=list(TRAYS))
def tray(request: pytest.FixtureRequest) -> Tray:
    chosen: Tray = request.param
    return chosen


def test_facets_come_near_the_formula(tray: Tray) -> None:
    # 128 corners a round lose 0.040 % of a circle's area and as much along a curved profile.
    assert tray.facets_ml(UP_TO_TOP) == pytest.approx(tray.formula_ml, rel=1.5e-3)


@pytest.mark.parametrize("poses", [4, *slow(50)])
def test_given_plane_in_any_pose(tray: Tray, poses: int) -> None:
    scans = [tray.triangles(is_open=is_open) for is_open in (False, True)]
    for seed in range(poses):
        move = random_move(seed)
        height = (UP_TO_TOP, UNDER_TOP)[seed % 2]
        result = measured(scans[seed // 2 % 2], move, base=given(move, height))
        assert result.volume_ml == pytest.approx(tray.facets_ml(height), rel=1e-3), seed
        # A tetrahedron is shallower, a sunk sphere deeper than any impression is.
        assert {note.code for note in result.notes} <= {"odd-volume"}, result.notes


@pytest.mark.parametrize("poses", [range(2), *slow(range(2, 8))], ids=["two", "more"])
@pytest.mark.parametrize("is_open", [False, True], ids=["closed", "open"])
def test_rim_is_found_in_any_pose(tray: Tray, *, is_open: bool, poses: range) -> None:
    triangles = tray.triangles(is_open=is_open)
    for seed in poses:
        move = random_move(1000 + seed)
        result = measured(triangles, move, base=Base(offset_mm=UNDER_TOP))
        off_mm, off_deg = base_error(result, move, UNDER_TOP)
        assert abs(off_mm) < 0.3
        assert off_deg < 1.0
        assert result.volume_ml == pytest.approx(tray.facets_ml(UNDER_TOP), rel=2e-3)


@pytest.mark.parametrize("height", [-1.0, -3.5])
def test_slope_is_the_section_area(tray: Tray, height: float) -> None:
    result = measured(tray.triangles(is_open=False), base=given(STILL, height))
    section_mm2 = (tray.facets_ml(height + 0.25) - tray.facets_ml(height - 0.25)) / 0.5
    assert result.slope_ml_per_mm == pytest.approx(section_mm2, rel=0.01)


def test_curve_is_the_volume_at_every_height(tray: Tray) -> None:
    result = measured(tray.triangles(is_open=True), base=given(STILL, UNDER_TOP))
    for height, volume_ml in result.curve:
        if height <= 0.0:
            truth = tray.facets_ml(UNDER_TOP + height)
            assert volume_ml == pytest.approx(truth, abs=2e-3 * tray.formula_ml), height


def test_columns_alone_converge_with_pitch() -> None:
    tray = TRAYS["hemisphere"]
    move = random_move(7)
    frame = frame_along(move.turn @ np.array([0.0, 0.0, 1.0]), move.shift_mm)
    corners = frame.to_frame(by_coordinate(move.points(tray.triangles(is_open=False))))
    misses = []
    for pitch_mm in (2.0, 1.0, 0.5, 0.25):
        columns = cut_columns(corners, grid_over(corners[0].ravel(), corners[1].ravel(), pitch_mm))
        floor = columns.z_mm[columns.up & (columns.z_mm < 0.0)]
        misses.append(abs(-floor.sum() * pitch_mm**2 / 1000.0 - tray.facets_ml(0.0)))
    assert misses[-1] < 2e-4 * tray.formula_ml
    assert misses[-1] < misses[0] / 8.0
