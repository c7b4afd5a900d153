"""The rim against the base line: a round trough whose crest has stated heights.

Arc lengths and plane geometry only; three equal peaks carry a plate, as a stool's three feet do.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.cavity.stages import bed, box, level, pit, staged, tilted
from tests.cavity.terrain import PITCH_MM, Floats, disc, relief_of, ring
from volest.cavity.base_line import BasePlane
from volest.cavity.footprint import find_footprint
from volest.cavity.frame import Bools
from volest.cavity.rim import find_rim
from volest.cavity.trim import Clock, Trim, base_areas, deep_floor, find_clock, find_trim
from volest.lab import FirstPour, Trimming

DIAL = Clock(centre_mm=np.zeros(2), front=np.array([0.0, 1.0]))
RELIEF = relief_of(ring, disc(26.0))
FOOTPRINT = find_footprint(RELIEF)
X, Y = RELIEF.grid.centres_mm()
RIM = find_rim(RELIEF, FOOTPRINT, None)
ALONG = np.arctan2(RIM.crest_mm[:, 1], RIM.crest_mm[:, 0])


def trimmed(crest_mm: Floats, base: BasePlane, lean: tuple[float, float] = (0.0, 0.0)) -> Trim:
    """Give the trough's crest stated heights along z over a leaning plane."""
    x, y = RIM.crest_mm[:, :2].T
    z = lean[0] * x + lean[1] * y + crest_mm
    rim = replace(RIM, crest_mm=np.stack([x, y, z], axis=1))
    return find_trim(RELIEF, FOOTPRINT, rim, base, DIAL, deep=deep(base))


def deep(base: BasePlane) -> Bools:
    return deep_floor(RELIEF, FOOTPRINT.inside, base)


def test_heights_of_a_wave() -> None:
    trim = trimmed(1.0 + 2.0 * np.sin(5 * ALONG), level(0.0))
    assert trim.rim_highest_mm == pytest.approx(3.0, abs=0.02)
    assert trim.rim_lowest_mm == pytest.approx(-1.0, abs=0.02)
    assert trim.rim_mean_mm == pytest.approx(1.0, abs=0.05)


def test_lengths_over_and_under() -> None:
    # 1 + 2 sin t is over 0.5 where sin t > -0.25, under -0.5 where sin t < -0.75.
    trim = trimmed(1.0 + 2.0 * np.sin(5 * ALONG), level(0.0))
    whole = sum(part.length_mm for part in trim.stretches)
    over, under = 0.5 + math.asin(0.25) / math.pi, 0.5 - math.asin(0.75) / math.pi
    assert trim.excess_length_mm == pytest.approx(over * whole, rel=0.05)
    assert trim.gap_length_mm == pytest.approx(under * whole, rel=0.05)
    # Cells along a slanting line are fewer than its length in pitches: pi / (2 sqrt 2) at most.
    assert whole == pytest.approx(2 * math.pi * 20.0, rel=0.12)


def test_heights_are_along_the_normal() -> None:
    lean = (0.5, -0.3)
    trim = trimmed(np.full(len(ALONG), 4.0), tilted(*lean, 0.0), lean)
    along_normal = 4.0 / math.sqrt(1.0 + 0.5**2 + 0.3**2)
    assert trim.rim_highest_mm == pytest.approx(along_normal)
    assert trim.rim_lowest_mm == pytest.approx(along_normal)
    assert trim.stand_off_mm == pytest.approx(along_normal)


def test_a_rim_near_the_line_needs_nothing() -> None:
    trim = trimmed(0.4 * np.sin(ALONG), level(0.0))
    assert (trim.excess_length_mm, trim.gap_length_mm) == (0.0, 0.0)


def test_raising_the_line_lowers_the_rim() -> None:
    low, high = (trimmed(1.0 + np.sin(ALONG), level(h)) for h in (0.0, 3.0))
    assert high.rim_mean_mm == pytest.approx(low.rim_mean_mm - 3.0)
    assert high.stand_off_mm == pytest.approx(low.stand_off_mm - 3.0)
    assert high.excess_length_mm == 0.0
    assert high.gap_length_mm > low.gap_length_mm


@pytest.mark.parametrize("peaks", [3, 4, 6])
def test_a_plate_stands_on_the_peaks(peaks: int) -> None:
    trim = trimmed(1.0 + 2.0 * np.cos(peaks * ALONG), level(0.0))
    assert trim.stand_off_mm == pytest.approx(3.0, abs=0.03)


def test_a_plate_on_a_lone_peak_leans_on_the_rest() -> None:
    # One peak of 6 at angle 0 over a level crest: the plate rests there and at the far side, and
    # over the middle it stands half as high.
    lone = np.where(np.abs(ALONG) < 0.02, 6.0, 0.0)
    assert np.count_nonzero(lone)
    assert trimmed(lone, level(0.0)).stand_off_mm == pytest.approx(3.0, abs=0.1)


def test_hours_run_clockwise_from_the_front() -> None:
    # Height x: most at three o'clock, least at nine; level at twelve and six.
    trim = trimmed(RIM.crest_mm[:, 0], level(0.0))
    mean = {part.hour: part.mean_mm for part in trim.stretches}
    assert sorted(mean) == list(range(1, 13))
    for hour, height in mean.items():
        assert height == pytest.approx(20.0 * math.sin(hour * math.pi / 6), abs=0.9)
    lengths = [part.length_mm for part in trim.stretches]
    assert lengths == pytest.approx([sum(lengths) / 12] * 12, rel=0.12)


def test_distance_to_the_pits() -> None:
    # Under a line at 8 the floor lies 8 deep; half of that is reached at radius 17, 3 from the
    # crest (the wall rises by 2 per mm).
    trim = trimmed(np.full(len(ALONG), 10.0), level(8.0))
    assert trim.to_pits_mm == pytest.approx(3.0, abs=2 * PITCH_MM)
    for part in trim.stretches:
        assert part.to_pits_mm == pytest.approx(3.0, abs=2 * PITCH_MM)


@pytest.mark.parametrize(("notch_mm", "to_pits_mm"), [(7.0, 6.0), (8.0, 0.0)])
def test_deep_floor_that_runs_out_over_the_edge_begins_at_it(
    notch_mm: float, to_pits_mm: float
) -> None:
    # Through a wall of 6 mm to the block's edge; of a pit of 15 mm what is over 7.5 deep counts.
    way_out = box((14.0, 10.0, notch_mm + 1.0), (28.0, 0.0, 1.0))
    stages = staged(bed(pit(50.0, 40.0, 15.0), way_out))
    inside, line = stages.footprint.inside, level(0.0)
    clock, floor = (
        find_clock(stages.relief.grid, inside, inside),
        deep_floor(stages.relief, inside, line),
    )
    trim = find_trim(stages.relief, stages.footprint, stages.rim, line, clock, deep=floor)
    (boxed,) = trim.works
    assert boxed.what == "box"
    assert boxed.to_pits_mm == trim.to_pits_mm == pytest.approx(to_pits_mm, abs=PITCH_MM)
    away = {part.hour: part.to_pits_mm for part in trim.stretches}
    assert away[boxed.hours[0]] == pytest.approx(to_pits_mm, abs=PITCH_MM)
    assert away[12] == pytest.approx(6.0, abs=PITCH_MM)


def test_notch_is_a_gap_of_its_width() -> None:
    notch = box((14.0, 10.0, 6.0), (28.0, 0.0, 1.0))
    stages = staged(bed(pit(50.0, 40.0, 15.0), notch))
    inside = stages.footprint.inside
    clock = find_clock(stages.relief.grid, inside, inside)
    floor = deep_floor(stages.relief, inside, level(0.0))
    trim = find_trim(stages.relief, stages.footprint, stages.rim, level(0.0), clock, deep=floor)
    assert trim.rim_lowest_mm == pytest.approx(-5.0, abs=0.01)
    # The stretch reaches along the notch's two sides as well as across it.
    assert 8.0 <= trim.gap_length_mm <= 10.0 + 2 * 6.0


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_exactly_half_a_mm_is_level_and_a_little_more_is_not(side: float) -> None:
    # docs: 'more than half a millimetre' over the base line, or under it.
    level_enough, too_much = (
        trimmed(np.full(len(ALONG), side * mm), level(0.0)) for mm in (0.5, 0.501)
    )
    assert (level_enough.excess_length_mm, level_enough.gap_length_mm) == (0.0, 0.0)
    whole = sum(part.length_mm for part in too_much.stretches)
    assert max(too_much.excess_length_mm, too_much.gap_length_mm) == pytest.approx(whole)
    assert min(too_much.excess_length_mm, too_much.gap_length_mm) == 0.0


def test_length_of_a_slanting_border_is_evened_out() -> None:
    # Cells chained by sides and corners make 2 sqrt(2) / pi of a length, over all directions
    # (integral geometry; from memory): a circle has all of them, so that 2 pi r comes out.
    trim = trimmed(np.full(len(ALONG), 1.0), level(0.0))
    assert trim.excess_length_mm == pytest.approx(2.0 * math.pi * (20.0 - PITCH_MM / 2), rel=0.03)


def dented(*dents: tuple[float, float, float]) -> Floats:
    """Give a level crest dents: middle and half width along the rim in mm, and height in mm."""
    crest = np.zeros(len(ALONG))
    for middle_mm, half_mm, height_mm in dents:
        off = np.abs(np.angle(np.exp(1j * (ALONG - middle_mm / 20.0)))) * 20.0  # the ring's radius
        crest[off < half_mm] = height_mm
    return crest


def test_a_notch_is_one_stretch_to_box_and_a_peak_one_to_cut() -> None:
    # Arc lengths on a circle of 20 mm: 12 is at a quarter turn, hours run clockwise.
    quarter = math.pi / 2.0 * 20.0
    trim = trimmed(dented((0.0, 8.0, -3.0), (quarter, 6.0, 1.5)), level(0.0))
    cut, boxed = trim.works
    assert (cut.what, cut.hours, cut.most_mm) == ("cut", (11, 12, 1), 1.5)
    assert cut.length_mm == pytest.approx(12.0, rel=0.15)  # cells at a slant, as above
    assert (boxed.what, boxed.hours, boxed.most_mm) == ("box", (2, 3, 4), 3.0)
    assert boxed.length_mm == pytest.approx(16.0, rel=0.15)
    assert not cut.is_inner
    assert (trim.left_over_mm, trim.left_under_mm) == (0.0, 0.0)


def test_what_a_knife_would_not_do_is_left_and_told() -> None:
    # One step under each threshold; a peak of 2 mm of rim; but a notch as short is boxed.
    trim = trimmed(dented((0.0, 8.0, -1.9), (20.0, 8.0, 0.9), (45.0, 1.0, 1.5)), level(0.0))
    assert trim.works == ()
    assert (trim.left_over_mm, trim.left_under_mm) == (1.5, 1.9)
    (deep,) = trimmed(dented((0.0, 1.0, -2.1)), level(0.0)).works
    assert (deep.what, deep.most_mm) == ("box", 2.1)


def test_peaks_in_a_row_are_cut_in_one_go() -> None:
    peaks = [(at, 1.5, 1.6) for at in (-6.0, 0.0, 6.0)]  # 3 mm of level rim between them
    (cut,) = trimmed(dented(*peaks), level(0.0)).works
    assert cut.length_mm == pytest.approx(9.0, rel=0.25)
    far = [(at, 3.0, 1.6) for at in (-20.0, 20.0)]
    assert len(trimmed(dented(*far), level(0.0)).works) == 2


@pytest.mark.parametrize(("heap_mm", "works"), [(0.0, 0), (2.0, 0), (3.9, 0), (4.1, 1)])
def test_a_base_line_up_to_4_mm_over_the_rim_is_a_heap_and_no_gap(
    heap_mm: float, works: int
) -> None:
    trim = trimmed(np.zeros(len(ALONG)), level(heap_mm))
    assert trim.over_rim_mm == pytest.approx(heap_mm, abs=0.01)
    assert len(trim.works) == works


@pytest.mark.parametrize(("line_mm", "heap_mm"), [(-1.0, 2.0), (0.0, 2.0), (1.5, 0.5), (3.0, 0.0)])
def test_wax_stands_as_high_as_the_stone(line_mm: float, heap_mm: float) -> None:
    # The stone ends 2 mm over the rim, or at a base line that lies higher.
    crest = dented((0.0, 8.0, -6.0))
    rim = replace(RIM, crest_mm=np.column_stack([RIM.crest_mm[:, :2], crest]), stray_mm=crest)
    pour = FirstPour(heap_mm=2.0)
    line = level(line_mm)
    works = find_trim(RELIEF, FOOTPRINT, rim, line, DIAL, deep=deep(line), first_pour=pour).works
    (boxed,) = (work for work in works if work.what == "box")
    assert boxed.heap_mm == pytest.approx(heap_mm)
    assert boxed.most_mm == pytest.approx(6.0 + line_mm)


def test_thresholds_are_the_labs_own() -> None:
    crest = dented((0.0, 8.0, -1.5))
    rim = replace(RIM, crest_mm=np.column_stack([RIM.crest_mm[:, :2], crest]), stray_mm=crest)
    for box_under_mm, works in ((1.4, 1), (1.6, 0)):
        own = Trimming(box_under_mm=box_under_mm)
        line = level(0.0)
        trim = find_trim(RELIEF, FOOTPRINT, rim, line, DIAL, deep=deep(line), trimming=own)
        assert len(trim.works) == works


def test_a_base_grows_by_its_land() -> None:
    # A disc of radius 20 and a horseshoe of two quarter turns: Steiner's formula for the disc, and
    # the outline without tongue space for the other.
    x, y = np.meshgrid(*[np.arange(-30.0, 30.0, PITCH_MM)] * 2)
    radius = np.hypot(x, y)
    for land, bare_mm2, whole_mm2 in base_areas(radius < 20.0, PITCH_MM):
        assert bare_mm2 == pytest.approx(math.pi * (20.0 + land) ** 2, rel=0.008)
        assert whole_mm2 == pytest.approx(math.pi * (20.0 + land) ** 2, rel=0.008)
        assert whole_mm2 >= bare_mm2
    for land, bare_mm2, whole_mm2 in base_areas(
        (radius < 20.0) & (radius > 12.0) & (y > 0), PITCH_MM
    ):
        half_mm2 = math.pi / 2.0 * 400.0
        # Perimeters: half circle and diameter; both half circles and two ends of 8 mm.
        around = math.pi * 20.0 + 40.0
        assert whole_mm2 == pytest.approx(half_mm2 + around * land + math.pi * land**2, rel=0.01)
        grown = math.pi * 32.0 + 16.0
        horseshoe = math.pi / 2.0 * (400.0 - 144.0)
        assert bare_mm2 == pytest.approx(horseshoe + grown * land + math.pi * land**2, rel=0.04)
