"""Rounding to a bench: never down in volume, never finer than the bench."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from volest.errors import UsageError
from volest.lab import Bench
from volest.stone.mix import Mix, mix
from volest.stone.rounding import powder_up, shown, water_on_marks
from volest.stone.types import STONE_TYPES
from volest.stone.water import theoretical_water_g

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
    assert made.surplus_ml == pytest.approx(103 / 2.76 + 20.6 - 57.5)


@given(volumes, stones, ways, benches)
def test_every_bench_is_served_and_never_short(
    volume_ml: float, stone: str, by: str, bench: Bench
) -> None:
    made = mix(volume_ml, stone=stone, by=by, bench=bench)
    assert whole(made.powder_g, bench.scoop_g if by == "scoop" else bench.scale_step_g)
    assert whole(made.water_ml, bench.cylinder_step_ml)
    assert made.mix_ml >= made.needed_ml - 1e-8
    assert made.surplus_ml >= -1e-8
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


def test_coarse_marks_go_up() -> None:
    # 103 g at W/P 20 take 20.6 mL: 21 mL with marks of 1 mL, 25 mL with marks of 5 mL.
    assert mix(50, bench=Bench(cylinder_step_ml=1.0)).water_ml == 21.0
    coarse = mix(50, bench=Bench(cylinder_step_ml=5.0))
    assert coarse.water_ml == 25.0
    # 25/103 is W/P 24.3, and study cards "Gypsum products" have 19 to 24 for die stone.
    assert [note.code for note in coarse.notes] == ["wp-by-marks"]
    assert "24.3" in coarse.notes[0].text
    tiny = mix(13, bench=Bench(cylinder_step_ml=5.0))  # 27 g and 10 mL
    assert [note.code for note in tiny.notes] == ["wp-by-marks"]


@pytest.mark.parametrize(
    ("amount", "step", "words"),
    [(102.3, 1.0, "102"), (102.3, 0.5, "102.5"), (20.64, 0.1, "20.6"), (20.64, 0.25, "20.75")],
)
def test_nothing_is_shown_finer_than_its_step(amount: float, step: float, words: str) -> None:
    assert shown(amount, step) == words


def test_steps_by_hand() -> None:
    assert powder_up(0.2, 1.0) == 1.0
    assert powder_up(103.0000000001, 1.0) == 103.0  # float noise is not a gram
    assert water_on_marks(20.0, at_least_ml=20.04, mark_ml=0.1, water_per_step_ml=0.2) == 20.1
    with pytest.raises(UsageError, match="gram or scoop"):
        mix(50, by="cup")


@pytest.mark.parametrize(
    ("water_ml", "mark_ml", "water_per_step_ml", "marked_ml"),
    [
        (20.4, 1.0, 1.5, 20.0),  # a step of powder moves the water by a mark and a half: nearest
        (20.4, 1.0, 1.49, 21.0),  # by less: up
        (20.6, 0.5, 1.0, 20.5),
        (20.6, 0.5, 0.7, 21.0),
        (20.6, 2.0, 2.9, 22.0),
        (20.6, 2.0, 3.0, 20.0),
    ],
)
def test_marks_by_hand(
    water_ml: float, mark_ml: float, water_per_step_ml: float, marked_ml: float
) -> None:
    # Hand arithmetic from the rule that docs/explanation/mix.md states.
    on = water_on_marks(
        water_ml, at_least_ml=0.0, mark_ml=mark_ml, water_per_step_ml=water_per_step_ml
    )
    assert on == marked_ml
