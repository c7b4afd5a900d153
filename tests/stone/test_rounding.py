"""Rounding to a bench: never down in volume, never finer than the bench."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.flat import mix
from volest.lab import Bench, Lab, OwnStone
from volest.stone.mix import Mix, dealt_out, shown, up_to_step
from volest.stone.reference import STONE_TYPES, find_stone, theoretical_water_g

volumes = st.floats(2.0, 500.0)
stones = st.sampled_from(sorted(STONE_TYPES))
ways = st.sampled_from(["gram", "scoop"])
benches = st.builds(
    Bench,
    scale_step_g=st.sampled_from([0.01, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0]),
    scoop_g=st.sampled_from([12.5, 37.4, 46.0, 50.0]),
    cylinder_step_ml=st.sampled_from([0.1, 0.2, 0.5, 1.0, 2.0]),
    water_c=st.sampled_from([15.0, 20.0, 30.0]),
)


def whole(value: float, step: float) -> bool:
    return math.isclose(value / step, round(value / step), abs_tol=1e-6)


def test_defaults_are_as_they_were() -> None:
    # Hand arithmetic: 57.5 / (1/2.76 + 0.20) = 102.26 g, up to 103 g; 103 * 0.20 = 20.6 mL.
    made = mix(50)
    assert (made.powder_g, made.water_ml, made.scoops) == (103.0, 20.6, 3)
    assert made.mix_ml - made.needed_ml == pytest.approx(103 / 2.76 + 20.6 - 57.5)


@given(volumes, stones, ways, benches)
def test_every_bench_is_served_and_never_short(
    volume_ml: float, stone: str, by: str, bench: Bench
) -> None:
    made = mix(volume_ml, stone=stone, by=by, bench=bench)
    assert whole(made.powder_g, bench.scoop_g if by == "scoop" else bench.scale_step_g)
    assert whole(made.water_ml, bench.cylinder_step_ml)
    assert made.mix_ml >= made.needed_ml - 1e-8
    assert made.mix_ml - made.needed_ml >= -1e-8
    assert made.powder_g >= made.unrounded_powder_g - 1e-6
    assert made.water_g >= theoretical_water_g(made.powder_g) - 1e-6
    assert bench.scoop_g * (made.scoops - 1) < made.powder_g <= bench.scoop_g * made.scoops + 1e-6


@given(volumes, volumes, stones, ways, benches)
def test_more_volume_never_gives_less_of_anything(
    first: float, second: float, stone: str, by: str, bench: Bench
) -> None:
    less, more = (mix(v, stone=stone, by=by, bench=bench) for v in sorted((first, second)))
    assert less.powder_g <= more.powder_g
    assert less.water_ml <= more.water_ml + 1e-9
    assert less.mix_ml <= more.mix_ml + 1e-9


@given(volumes, st.floats(0, 100), st.floats(0, 100), stones, benches)
def test_more_waste_never_gives_less_powder(
    volume_ml: float, first: float, second: float, stone: str, bench: Bench
) -> None:
    def made(waste: float) -> Mix:
        return mix(volume_ml, stone=stone, waste_percent=waste, bench=bench)

    less, more = (made(waste) for waste in sorted((first, second)))
    assert less.powder_g <= more.powder_g
    assert less.waste_ml <= more.waste_ml + 1e-9


@given(st.floats(10.0, 500.0), stones, ways, st.integers(1, 6), benches)
def test_equal_mixes_sum_up(
    volume_ml: float, stone: str, by: str, mixes: int, bench: Bench
) -> None:
    made = mix(volume_ml, stone=stone, by=by, mixes=mixes, residue_ml=3, bench=bench)
    one = mix(volume_ml / mixes, stone=stone, by=by, residue_ml=3, bench=bench)
    assert made.powder_g == pytest.approx(mixes * one.powder_g)
    assert made.water_ml == pytest.approx(mixes * one.water_ml)
    assert made.mix_ml == pytest.approx(mixes * one.mix_ml)
    assert made.mix_ml - made.waste_ml == pytest.approx(volume_ml)
    # Each mix leaves its own residue.
    assert made.needed_ml == pytest.approx(volume_ml * 1.15 + 3 * mixes)


def test_weighed_scoops() -> None:
    # A scoop weighed at 46 g: 102.26 g take three of them, 138 g, and 27.6 mL.
    made = mix(50, by="scoop", bench=Bench(scoop_g=46.0))
    assert (made.powder_g, made.water_ml, made.scoops) == (138.0, 27.6, 3)


@given(volumes, stones, ways, benches)
def test_no_mark_thins_or_thickens_a_mix(
    volume_ml: float, stone: str, by: str, bench: Bench
) -> None:
    # One step of powder is all that may be off; two ratios nearer than 0.25 are the same one.
    made = mix(volume_ml, stone=stone, by=by, bench=bench)
    step_g = bench.scoop_g if by == "scoop" else bench.scale_step_g
    off_ml = abs(made.water_ml - made.powder_g * made.wp_ml_per_100g / 100.0)
    binds_ml = theoretical_water_g(made.powder_g) / 0.995  # 20 to 30 degrees C
    dry = made.water_ml <= binds_ml + bench.cylinder_step_ml
    one_step_ml = step_g * made.wp_ml_per_100g / 100.0
    assert dry or off_ml <= max(one_step_ml, 0.0025 * made.powder_g) + 1e-9


def test_powder_goes_with_coarse_marks() -> None:
    # 102.26 g take 20.45 mL. Marks of 1 mL: 21 mL and 105 g, W/P 20.0. Marks of 0.5 mL: 20.5 mL to
    # 103 g is W/P 19.9. Marks of 5 mL: 25 mL and 125 g. None outside 19 to 24 (study cards,
    # "Gypsum products").
    made = [mix(50, bench=Bench(cylinder_step_ml=mark)) for mark in (0.5, 1.0, 5.0)]
    assert [(m.powder_g, m.water_ml) for m in made] == [(103, 20.5), (105, 21), (125, 25)]
    assert [m.notes for m in made] == [(), (), ()]


def test_the_mark_below_serves_where_the_ratio_keeps() -> None:
    # 100.5 g take 20.1 mL; the 0.1 mL that 20 mL lack are 0.28 g of grains: 101 g, W/P 19.8.
    volume_ml = 100.5 * (1 / 2.76 + 0.2) / 1.15
    made = mix(volume_ml, bench=Bench(cylinder_step_ml=1.0))
    assert (made.powder_g, made.water_ml) == (101.0, 20.0)
    # At the end of the range, 19 to 24, the mark below would make it stiffer than the stone takes.
    volume_ml = 100.5 * (1 / 2.76 + 0.19) / 1.15
    made = mix(volume_ml, wp_ml_per_100g=19.0, bench=Bench(cylinder_step_ml=1.0))
    assert (made.powder_g, made.water_ml) == (105.0, 20.0)


def test_the_end_of_the_range_is_not_passed_by_a_step_of_the_scale() -> None:
    # 25 mL at W/P 32 go with 78.125 g: 78 g would be 32.1, past the range, 79 g is not.
    lab, bench = Lab(stone=(OwnStone(name="type-3", wp_high=32.0),)), Bench(cylinder_step_ml=1.0)
    volume_ml = 77.0 * (1 / 2.76 + 0.32) / 1.15
    made = mix(volume_ml, stone="type-3", lab=lab, wp_ml_per_100g=32.0, bench=bench)
    assert (made.powder_g, made.water_ml) == (79.0, 25.0)


def test_scoops_on_coarse_marks_are_told_of() -> None:
    # A scoop of 50 g at W/P 24 takes 12 mL. With marks of 5 mL 10 mL would be short, so 15 mL.
    one = mix(26.1, by="scoop", wp_ml_per_100g=24.0, bench=Bench(cylinder_step_ml=5.0))
    assert (one.powder_g, one.water_ml) == (50.0, 15.0)
    assert [note.code for note in one.notes] == ["wp-by-marks"]
    assert one.notes[0].values["wp_ml_per_100g"] == 30.0
    assert one.notes[0].values["by"] == "scoop"


@pytest.mark.parametrize(
    ("amount", "step", "words"),
    [(102.3, 1.0, "102"), (102.3, 0.5, "102.5"), (20.64, 0.1, "20.6"), (20.64, 0.25, "20.75")],
)
def test_nothing_is_shown_finer_than_its_step(amount: float, step: float, words: str) -> None:
    assert shown(amount, step) == words


def test_steps_by_hand() -> None:
    assert up_to_step(0.2, 1.0) == 1.0
    assert up_to_step(103.0000000001, 1.0) == 103.0  # float noise is not a gram


@pytest.mark.parametrize(
    ("powder_g", "step_g", "mark_ml", "dealt"),
    [
        # A step of powder moves the water by a mark and a half: the water follows the powder.
        (101.5, 7.5, 1.0, (105.0, 21.0)),
        (96.0, 7.5, 1.0, (97.5, 20.0)),  # 19.5 mL, the even one of two nearest marks
        # By less: the powder follows the water. 19.2 mL: 20 mL, 100 g, the nearest step 97.2.
        (96.0, 7.2, 1.0, (100.8, 20.0)),
        # Nearest mark 20.3 mL would be 0.02 mL short: up.
        (101.66, 1.0, 0.13, (102.0, 20.41)),
        (0.3, 0.1, 2.0, (10.0, 2.0)),
    ],
)
def test_marks_by_hand(
    powder_g: float, step_g: float, mark_ml: float, dealt: tuple[float, float]
) -> None:
    # Hand arithmetic from the rule that docs/explanation/mix.md states; W/P 20, grains of 2.76.
    bench = Bench(cylinder_step_ml=mark_ml)
    assert dealt_out(powder_g, 20.0, find_stone("4"), bench, step_g=step_g) == dealt
