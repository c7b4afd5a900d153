"""The base: tables of solids, and a taper that never leaves it short."""

import math
from dataclasses import asdict

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.flat import flat, mix
from volest.errors import MixError
from volest.lab import FirstPour, Lab, OwnStone, SecondPour
from volest.settings import Settings
from volest.stone.mix import base_volume_ml, beyond, first_pour, second_pour
from volest.stone.reference import BEFORE_BASE, BENCH_FIGURES, NODULE
from volest.stone.words import scoops_cell, scoops_in_words


def test_straight_sides_are_a_prism() -> None:
    # Cuboid 60 x 50 x 20 mm: 60 mL.
    assert base_volume_ml(60 * 50, 20) == pytest.approx(60.0)


def test_cone_frustum_of_a_table_of_solids() -> None:
    # Frustum R1 = 25, R2 = 20, h = 15 mm: pi h / 3 (R1^2 + R1 R2 + R2^2) = 23.95464 mL.
    taper = math.degrees(math.atan(5 / 15))
    assert base_volume_ml(math.pi * 25**2, 15, taper) == pytest.approx(23.95464, rel=1e-6)


@given(st.floats(20, 80), st.floats(20, 80), st.floats(3, 20), st.floats(0, 20))
def test_never_less_than_a_tapered_block(
    a_mm: float, b_mm: float, height_mm: float, taper_deg: float
) -> None:
    # Prismatoid with a rectangle below (h / 6 (A1 + 4 Am + A2)): all four sides lean inwards.
    inset_mm = height_mm * math.tan(math.radians(taper_deg))
    if 2 * inset_mm >= min(a_mm, b_mm):
        return
    areas = [(a_mm - 2 * t) * (b_mm - 2 * t) for t in (0.0, inset_mm / 2, inset_mm)]
    block_ml = height_mm / 6 * (areas[0] + 4 * areas[1] + areas[2]) / 1000
    base_ml = base_volume_ml(a_mm * b_mm, height_mm, taper_deg)
    assert block_ml - 1e-9 <= base_ml <= a_mm * b_mm * height_mm / 1000 + 1e-9


@pytest.mark.parametrize(
    ("footprint_mm2", "height_mm", "taper_deg"),
    [
        *((0, 12, 0), (math.nan, 12, 0), (2600, 0, 0), (2600, 61, 0), (2600, 12, 46)),
        *((300, 40, 30), (math.inf, 12, 0), (-1, 12, 0), (2600, math.nan, 0), (2600, 12, -1)),
        (2600, -1, 0),
    ],
)
def test_no_base_at_all(footprint_mm2: float, height_mm: float, taper_deg: float) -> None:
    with pytest.raises(MixError) as caught:
        base_volume_ml(footprint_mm2, height_mm, taper_deg)
    assert caught.value.code == "mix-base"


def test_both_pours_of_an_impression() -> None:
    lab = Lab(second_pour=SecondPour(height_mm=12, stone="type-3", retention_ml=2))
    settings = flat(lab=lab)
    base = second_pour(2600, settings)
    assert base is not None
    same = mix(31.2, stone="type-3")
    assert (base.powder_g, base.water_ml) == (same.powder_g, same.water_ml)
    first = beyond(settings, rim_mm2=2400, has_base=True)
    with_nodules = first_pour(50, settings, first)
    assert (with_nodules.powder_g, with_nodules.water_ml) == (mix(52).powder_g, mix(52).water_ml)
    assert beyond(settings, rim_mm2=2400).nodules_ml == 0.0
    assert second_pour(2600, Settings()) is None


def test_heap_and_nodules_stand_into_the_base() -> None:
    # A prism of 2400 mm2 and 2 mm is 4.8 mL; 2600 mm2 and 12 mm are 31.2 mL, less both.
    lab = Lab(second_pour=SecondPour(height_mm=12, retention_ml=2), first_pour=FirstPour(heap_mm=2))
    settings = Settings(lab=lab)
    first = beyond(settings, rim_mm2=2400, has_base=True)
    assert first.heap_ml == pytest.approx(4.8)
    base = second_pour(2600, settings, taken_ml=first.heap_ml + first.nodules_ml)
    assert base is not None
    assert base.volume_ml == pytest.approx(31.2 - 6.8)
    # A base line 1.5 mm over the rim has so much of the heap below it; one at 3 mm all of it.
    assert beyond(settings, rim_mm2=2400, over_rim_mm=1.5).heap_ml == pytest.approx(1.2)
    assert beyond(settings, rim_mm2=2400, over_rim_mm=3.0).heap_ml == 0.0
    assert beyond(settings, rim_mm2=2400, over_rim_mm=-3.0).heap_ml == pytest.approx(4.8)


def test_a_former_holds_what_it_holds() -> None:
    settings = Settings(lab=Lab(second_pour=SecondPour(former_ml=80.0, height_mm=12)))
    base = second_pour(9999, settings, taken_ml=6.8)
    assert base is not None
    assert base.volume_ml == pytest.approx(73.2)
    with pytest.raises(MixError, match="larger former"):
        second_pour(9999, settings, taken_ml=80.0)


# A scoop of another stone weighs otherwise (bulk density varies): common practice, no source.
@pytest.mark.parametrize("by", ["gram", "scoop"])
def test_a_base_of_another_stone_is_weighed_unless_its_scoop_is_known(by: str) -> None:
    second = SecondPour(height_mm=12, stone="type-3")
    base = second_pour(2600, flat(lab=Lab(second_pour=second), by=by))
    assert base is not None
    assert base.powder_g == 56.0  # as by gram: nobody knows what a scoop of it holds
    assert scoops_in_words(base) == "weigh it: what a scoop of type-3 holds is not known"
    assert scoops_cell(base) == "weigh"
    record = base.as_record()
    assert (record["scoops"], record["full_scoops"], record["rest_g"]) == (None, 0, 56.0)


@pytest.mark.parametrize(
    ("by", "powder_g", "words"),
    [
        (
            "gram",
            56.0,
            "better weigh it: 2 full scoops of 43 g with 24.9 mL of water would be 30 g more",
        ),
        ("scoop", 86.0, "2 full scoops of 43 g"),
    ],
)
def test_a_base_is_counted_in_its_own_scoops(by: str, powder_g: float, words: str) -> None:
    second = SecondPour(height_mm=12, stone="type-3")
    lab = Lab(second_pour=second, stone=(OwnStone(name="type-3", scoop_g=43.0),))
    settings = flat(lab=lab, by=by)
    base = second_pour(2600, settings)
    assert base is not None
    assert base.powder_g == powder_g
    assert scoops_in_words(base).startswith(words)
    assert "of 50 g" in scoops_in_words(first_pour(50, settings))


def test_a_base_of_the_same_stone_takes_the_same_scoop() -> None:
    second = SecondPour(height_mm=12, stone="type IV")
    base = second_pour(2600, Settings(lab=Lab(second_pour=second)))
    assert base is not None
    assert "full scoops of 50 g" in scoops_in_words(base)


# Worked by hand: 80 mL of model stone at 0.30 g per g with 10 % waste, 132.76 g; of plaster at
# 0.50 without waste, 90.79 g. 0.9982071 g per mL at 20 degrees C.
@pytest.mark.parametrize(
    ("stone", "ratio", "waste", "powder_g"),
    [("type-3", 0.30, 10, 132.76), ("type-2", 0.50, 0, 90.79)],
)
def test_worked_bases(stone: str, ratio: float, waste: float, powder_g: float) -> None:
    volume_ml = base_volume_ml(4000, 20)
    made = mix(volume_ml, stone=stone, waste_percent=waste, wp_ml_per_100g=100 * ratio / 0.9982071)
    assert made.unrounded_powder_g == pytest.approx(powder_g, abs=0.006)


def test_waiting_time_and_height() -> None:
    # Naval two-step text as copied on a web page: about 45 min or until gloss is lost.
    assert (BEFORE_BASE.value, BEFORE_BASE.unit) == (45, "min")
    # Course page on casts: half an inch, 12.7 mm.
    assert asdict(BENCH_FIGURES["height of a base"])["value"] == pytest.approx(0.5 * 25.4)


def test_nodules_are_eight_balls_of_eight_mm() -> None:
    # Sphere, any table of solids: 4/3 pi r^3; our choice of eight, no source.
    assert NODULE.value == 8
    assert SecondPour().nodules_ml == pytest.approx(8 * 4 / 3 * math.pi * 4**3 / 1000)
    assert SecondPour(retention_ml=2.0).nodules_ml == 2.0


@pytest.mark.parametrize(("height_mm", "fits"), [(1.2, False), (2.99, False), (3.0, True)])
def test_a_height_in_cm_is_refused(height_mm: float, fits: bool) -> None:
    if fits:
        assert base_volume_ml(1000.0, height_mm) == pytest.approx(height_mm)
        return
    with pytest.raises(MixError) as caught:
        base_volume_ml(1000.0, height_mm)
    assert "3 to 60 mm" in str(caught.value)
