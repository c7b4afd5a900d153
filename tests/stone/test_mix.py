"""Mixes against worked examples, facts of the trade and what must always hold."""

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from volest.errors import MixError, UsageError
from volest.lab import Bench
from volest.stone.mix import Mix, mix
from volest.stone.reference import theoretical_water_g
from volest.stone.stones import STONE_TYPES, stone_type

# Worked examples count grams of water per gram at 20 degrees C (998.2071 kg/m3).
G_PER_ML = 0.9982071

volumes = st.floats(0.01, 2000.0)
wastes = st.floats(0.0, 500.0)
stones = st.sampled_from(sorted(STONE_TYPES))
ways = st.sampled_from(["gram", "scoop"])
airs = st.floats(0.0, 20.0)


# Worked by hand: powder = volume / (1/density + ratio/0.9982071), water = powder * ratio.
@pytest.mark.parametrize(
    ("stone", "numbers"),
    [
        ("type-4", (0.22, 50, 0, 85.81, 18.91, 15.97)),
        ("type-4", (0.22, 50, 15, 98.68, 21.75, 18.37)),
        ("type-3", (0.30, 80, 0, 120.69, 36.27, 22.47)),
        ("type-3", (0.30, 80, 10, 132.76, 39.90, 24.72)),
        ("type-2", (0.50, 80, 0, 90.79, 45.48, 16.90)),
    ],
)
def test_worked_examples(stone: str, numbers: tuple[float, ...]) -> None:
    ratio, volume_ml, waste, powder_g, water_ml, bound_g = numbers
    made = mix(volume_ml, stone=stone, waste_percent=waste, wp_ml_per_100g=100 * ratio / G_PER_ML)
    assert made.unrounded_powder_g == pytest.approx(powder_g, abs=0.006)
    assert made.unrounded_water_ml == pytest.approx(water_ml, abs=0.006)
    assert theoretical_water_g(made.unrounded_powder_g) == pytest.approx(bound_g, abs=0.006)


def test_end_to_end_and_back() -> None:
    # 50 mL, W/P 0.22 by weight, 15 % waste: 98.68 g, 21.75 mL (21.71 g), 57.5 mL; within 0.1 %.
    made = mix(50, waste_percent=15, wp_ml_per_100g=22 / G_PER_ML)
    assert made.unrounded_powder_g == pytest.approx(98.68, rel=1e-3)
    assert made.unrounded_water_ml == pytest.approx(21.75, rel=1e-3)
    assert made.unrounded_water_ml * G_PER_ML == pytest.approx(21.71, rel=1e-3)
    back_ml = made.unrounded_powder_g / 2.76 + made.unrounded_water_ml
    assert back_ml == pytest.approx(57.5, rel=1e-3)


def test_wp_counts_ml_and_not_grams() -> None:
    # 100 g at W/P 22 take 22.0 mL, which weigh 21.96 g at 20 degrees C.
    made = mix(100 * (1 / 2.76 + 0.22), waste_percent=0, wp_ml_per_100g=22)
    assert (made.powder_g, made.water_ml) == (100.0, 22.0)
    assert made.water_g == pytest.approx(21.96, abs=0.005)


# Common practice, no source: a scoop holds 50 g; three are 150 g and take 30 mL.
# The volumes, 100 g with 22 mL 58.3 and 150 g with 30 mL 84.4, are worked by hand.
def test_three_scoops_are_150_g_to_30_ml() -> None:
    made = mix(70, by="scoop")
    assert (made.powder_g, made.water_ml, made.scoops) == (150.0, 30.0, 3)
    assert made.mix_ml == pytest.approx(84.4, abs=0.06)


# Journal of Prosthodontics 10(3), 160-163: a school weighs out 70 g and 140 g.
@pytest.mark.parametrize(("powder_g", "volume_ml"), [(70, 40.8), (140, 81.6)])
def test_units_of_a_school(powder_g: float, volume_ml: float) -> None:
    made = mix(volume_ml, waste_percent=0, wp_ml_per_100g=100 * 0.22 / G_PER_ML)
    assert made.unrounded_powder_g == pytest.approx(powder_g, rel=1e-3)


def test_record_holds_the_contract_and_nothing_else() -> None:
    record = mix(50).as_record()
    assert list(record) == [
        "stone", "powder_g", "water_ml", "scoops", "mixes", "full_scoops", "rest_g", "way",
        "bowl", "waste_ml", "mix_ml", "unrounded",
    ]  # fmt: skip
    assert list(record["unrounded"]) == ["powder_g", "water_ml"]
    assert json.loads(json.dumps(record, allow_nan=False)) == record


@given(volumes, stones, wastes, ways, st.integers(1, 3))
def test_full_scoops_and_the_rest_are_the_powder_of_each_mix(
    volume_ml: float, stone: str, waste: float, by: str, mixes: int
) -> None:
    # Taking `scoops` for `full_scoops` would dry the mix: 104 g are 2 scoops and 4 g, never 3.
    made = mix(volume_ml, stone=stone, waste_percent=waste, by=by, mixes=mixes)
    dealt_g = made.mixes * (made.full_scoops * made.bench.scoop_g + made.rest_g)
    assert dealt_g == pytest.approx(made.powder_g, abs=1e-6)
    assert 0 <= made.rest_g < made.bench.scoop_g
    assert by == "gram" or made.rest_g == 0


def solid_ml(made: Mix) -> float:
    return made.powder_g / stone_type(made.stone).powder_density.value + made.water_ml


@given(volumes, stones, wastes, ways, airs)
def test_never_less_than_needed(
    volume_ml: float, stone: str, waste: float, by: str, air: float
) -> None:
    made = mix(volume_ml, stone=stone, waste_percent=waste, by=by, air_percent=air)
    needed_ml = volume_ml * (1 + waste / 100)
    assert made.mix_ml >= needed_ml - 1e-8
    assert made.powder_g >= made.unrounded_powder_g - 1e-6
    assert made.water_g >= theoretical_water_g(made.powder_g) - 1e-6


@given(volumes, stones, wastes, ways, airs)
def test_consistent(volume_ml: float, stone: str, waste: float, by: str, air: float) -> None:
    made = mix(volume_ml, stone=stone, waste_percent=waste, by=by, air_percent=air)
    wp = stone_type(stone).wp.value
    assert made.mix_ml * (1 - air / 100) == pytest.approx(solid_ml(made))
    assert made.waste_ml == pytest.approx(made.mix_ml - volume_ml)
    assert abs(made.water_ml - made.powder_g * wp / 100) <= 0.1 + 1e-9
    assert round(made.water_ml, 1) == made.water_ml
    assert 50 * (made.scoops - 1) < made.powder_g <= 50 * made.scoops
    assert made.powder_g % (50 if by == "scoop" else 1) == 0
    step_g = 50 if by == "scoop" else 1
    assert made.powder_g - made.unrounded_powder_g < step_g


@given(volumes, volumes, stones, ways)
def test_more_volume_never_gives_less(first: float, second: float, stone: str, by: str) -> None:
    less, more = (mix(v, stone=stone, by=by) for v in sorted((first, second)))
    assert less.powder_g <= more.powder_g
    assert less.water_ml <= more.water_ml
    assert less.scoops <= more.scoops


@given(volumes, wastes, wastes, stones)
def test_more_waste_never_gives_less(
    volume_ml: float, first: float, second: float, stone: str
) -> None:
    less, more = (mix(volume_ml, stone=stone, waste_percent=w) for w in sorted((first, second)))
    assert less.powder_g <= more.powder_g
    assert less.waste_ml <= more.waste_ml + 1e-9


@given(st.floats(1.0, 500.0), st.floats(0.0, 50.0))
def test_residue_is_added_whole(volume_ml: float, residue_ml: float) -> None:
    # Sum of volumes: needed = volume + residue when there is no other waste.
    made = mix(volume_ml, waste_percent=0, residue_ml=residue_ml)
    plain = mix(volume_ml + residue_ml, waste_percent=0)
    assert made.unrounded_powder_g == pytest.approx(plain.unrounded_powder_g)


def test_air_saves_powder() -> None:
    # 1 / (1 - air): with 5 % air the same room takes 5 % less powder.
    ratio = mix(80, air_percent=5).unrounded_powder_g / mix(80).unrounded_powder_g
    assert ratio == pytest.approx(0.95)


@pytest.mark.parametrize("wp", [0.2, 18.0, 18.59, 0, -20, math.nan, math.inf, 101])
def test_water_that_cannot_work_is_refused(wp: float) -> None:
    with pytest.raises(MixError, match="W/P") as caught:
        mix(50, wp_ml_per_100g=wp)
    assert caught.value.code == "mix-wp"


def test_the_least_wp_still_gets_the_water_it_binds() -> None:
    # 18.617 g per 100 g are 18.65 mL at 20 degrees C: 18.6 mL is put right by rounding up.
    made = mix(50, wp_ml_per_100g=18.6)
    assert made.water_g >= 0.18617 * made.powder_g - 1e-3
    assert [note.code for note in made.notes] == ["wp-outside"]


# Study cards "Gypsum products": die stone 19-24, stone 28-30, plaster 45-50.
@pytest.mark.parametrize(
    ("stone", "wp", "flagged"),
    [
        ("type-4", 19.0, False),
        ("type-4", 24.0, False),
        ("type-4", 20.7, False),
        ("type-4", 18.9, True),
        ("type-4", 24.1, True),
        ("type-3", 24.0, True),
        ("type-2", 55.0, True),
        ("type-2", 50.0, False),
    ],
)
def test_wp_outside_the_band_is_flagged(stone: str, wp: float, flagged: bool) -> None:
    notes = mix(50, stone=stone, wp_ml_per_100g=wp).notes
    assert [note.code for note in notes] == (["wp-outside"] if flagged else [])


@pytest.mark.parametrize("volume_ml", [0, -1, math.nan, math.inf, -math.inf, 2000.1, 1e308])
def test_volumes_that_make_no_sense_are_refused(volume_ml: float) -> None:
    with pytest.raises(MixError, match="volume") as caught:
        mix(volume_ml)
    assert caught.value.code == "mix-volume"


@pytest.mark.parametrize("value", [-0.1, math.nan, math.inf, 501])
def test_amounts_that_make_no_sense_are_refused(value: float) -> None:
    with pytest.raises(MixError, match="of waste"):
        mix(50, waste_percent=value)
    with pytest.raises(MixError, match="of residue"):
        mix(50, residue_ml=value)
    with pytest.raises(MixError, match="of entrapped air") as caught:
        mix(50, air_percent=value)
    assert caught.value.code == "mix-amount"


def test_unknown_words_are_refused() -> None:
    with pytest.raises(UsageError, match="type-4"):
        mix(50, stone="marble")
    with pytest.raises(UsageError, match="gram or scoop"):
        mix(50, by="cup")
    with pytest.raises(MixError, match="15 to 30"):
        mix(50, bench=Bench(water_c=60))
