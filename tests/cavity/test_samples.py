"""Points spread over a surface: shares of areas, and vector areas, of a block with a pit."""

import numpy as np
import pytest

from tests.cavity.test_pose import opened, samples_of, tub
from volest.cavity.frame import frame_along
from volest.cavity.pose import SAMPLES
from volest.scan.compiling import SWITCH


def test_samples_are_spread_by_area() -> None:
    samples = samples_of(tub())
    z = samples.points_mm[2]
    assert samples.points_mm.shape == (3, SAMPLES)
    tub_mm2 = {"floor": 50 * 40, "top": 62 * 52 - 50 * 40, "bottom": 62 * 52}
    walls_mm2 = 2 * (50 + 40) * 15 + 2 * (62 + 52) * 30
    whole = sum(tub_mm2.values()) + walls_mm2
    for height, name in ((-15.0, "floor"), (0.0, "top"), (-30.0, "bottom")):
        share = np.mean(np.abs(z - height) < 1e-9)
        assert share == pytest.approx(tub_mm2[name] / whole, rel=0.01)


def test_samples_tell_open_from_closed() -> None:
    closed, sheet = samples_of(tub()), samples_of(opened(tub()))
    assert not closed.is_open
    assert closed.vector_area == pytest.approx(np.zeros(3), abs=1e-12)
    assert closed.solid_ml == pytest.approx((62 * 52 * 30 - 50 * 40 * 15) / 1000, rel=0.01)
    assert sheet.is_open
    # A sheet's vector area is that of its border: the block's top, over all of its area.
    top, walls = 62 * 52, 2 * (50 + 40) * 15
    assert sheet.vector_area == pytest.approx([0.0, 0.0, top / (top + walls)], abs=1e-9)


@pytest.mark.parametrize("way", ["never", "always"])
def test_points_are_turned_into_the_frame(way: str, monkeypatch: pytest.MonkeyPatch) -> None:
    if way == "always":
        pytest.importorskip("numba")
    monkeypatch.setenv(SWITCH, way)
    samples = samples_of(tub())
    frame = frame_along(np.array([1.0, 2.0, 3.0]), np.array([4.0, 5.0, 6.0]))
    turned = frame.rotation @ (samples.points_mm - frame.origin_mm[:, None])
    assert np.abs(samples.seen_in(frame) - turned).max() < 1e-12


@pytest.mark.parametrize(("off_mm", "kept"), [(150.0, True), (400.0, False)])
def test_strays_far_away_are_left_out(off_mm: float, kept: bool) -> None:
    # A patch of 8 mm to a side, a half of a hundredth of the surface: too little to be the scan.
    stray = np.array([[[0.0, 0, 0], [8, 0, 0], [0, 8, 0]]]) + np.array([off_mm, 0.0, 0.0])
    samples = samples_of(np.concatenate([tub(), stray]))
    assert (samples.points_mm[0].max() > off_mm - 1.0) == kept
    assert np.ptp(samples.points_mm[1]) == pytest.approx(52.0, abs=0.5)
