"""Mixes against worked examples, facts of the trade and what must always hold.

Ideal mixing against hand-worked tables and published dry densities.

Water stretched for working time: bounded by the range, told in words.
"""

import json
import math
import re
from dataclasses import asdict

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.flat import mix
from volest.errors import MixError, UsageError
from volest.lab import Bench
from volest.stone.mix import STRETCH_IN_WORDS, Mix, ratio_notes, volume_per_gram_ml
from volest.stone.reference import (
    BENCH_FIGURES,
    STONE_TYPES,
    find_stone,
    theoretical_water_g,
    water_density_g_per_ml,
)

# Worked examples count grams of water per gram at 20 degrees C (998.2071 kg/m3).
G_PER_ML = 0.9982071
volumes = st.floats(0.01, 2000.0)
wastes = st.floats(0.0, 500.0)
stones = st.sampled_from(sorted(STONE_TYPES))
ways = st.sampled_from(["gram", "scoop"])
airs = st.floats(0.0, 20.0)
BETA = 2.63
ALPHA = 2.76
BOUND_G = theoretical_water_g(1.0)  # of water, by a gram of powder


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
        "bowl", "waste_ml", "mix_ml", "volume_u_ml", "terms_ml", "by_scoop", "unrounded",
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
    return made.powder_g / find_stone(made.stone).powder_density.value + made.water_ml


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
    wp = find_stone(stone).wp.value
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
    with pytest.raises(MixError, match="15 to 30"):
        mix(50, bench=Bench(water_c=60))


def slurry_density(powder_density: float, wp_ml_per_100g: float) -> float:
    """Mass over volume of a mix without air, in g/cm3, at 20 degrees C."""
    water_g = wp_ml_per_100g / 100.0 * water_density_g_per_ml(20.0)
    return (1.0 + water_g) / volume_per_gram_ml(powder_density, wp_ml_per_100g)


def dry_density(powder_density: float, wp_ml_per_100g: float) -> float:
    """The stone keeps the mix's volume; powder and bound water stay, the rest leaves pores."""
    return (1.0 + BOUND_G) / volume_per_gram_ml(powder_density, wp_ml_per_100g)


def contraction_percent(powder_density: float, wp_ml_per_100g: float | None = None) -> float:
    """How much less room crystals take than powder and bound water; by default no more water."""
    bound_ml = BOUND_G / water_density_g_per_ml(20.0)
    wp = 100.0 * bound_ml if wp_ml_per_100g is None else wp_ml_per_100g
    gypsum: float = asdict(BENCH_FIGURES["density of set gypsum"])["value"]
    change_ml = (1.0 + BOUND_G) / gypsum - 1.0 / powder_density - bound_ml
    return 100.0 * change_ml / volume_per_gram_ml(powder_density, wp)


def wp_ml(water_g_per_g: float) -> float:
    """Turn grams of water per gram, as the tables count, into mL per 100 g at 20 degrees C."""
    return 100.0 * water_g_per_g / 0.9982071


# Worked by hand from 1/density + water/0.9982071: volume of 100 g mixed, slurry density,
# dry density, contraction of the mix.
HAND_TABLE = [
    (0.45, BETA, 83.10, 1.745, 1.427, -6.7),
    (0.50, BETA, 88.11, 1.702, 1.346, -6.3),
    (0.55, BETA, 93.12, 1.664, 1.274, -6.0),
    (0.28, ALPHA, 64.28, 1.991, 1.845, -5.8),
    (0.30, ALPHA, 66.29, 1.961, 1.789, -5.7),
    (0.32, ALPHA, 68.29, 1.933, 1.737, -5.5),
    (0.19, ALPHA, 55.27, 2.153, 2.146, -6.8),
    (0.20, ALPHA, 56.27, 2.133, 2.108, -6.7),
    (0.22, ALPHA, 58.27, 2.094, 2.036, -6.4),
    (0.24, ALPHA, 60.27, 2.057, 1.968, -6.2),
]


@pytest.mark.parametrize("row", HAND_TABLE, ids=str)
def test_hand_table(row: tuple[float, ...]) -> None:
    ratio, density, volume, wet, dry, shrink = row
    wp = wp_ml(ratio)
    assert 100 * volume_per_gram_ml(density, wp) == pytest.approx(volume, abs=0.02)
    assert slurry_density(density, wp) == pytest.approx(wet, abs=0.001)
    assert dry_density(density, wp) == pytest.approx(dry, abs=0.001)
    assert contraction_percent(density, wp) == pytest.approx(shrink, abs=0.06)


# "Properties of Typical Gypsum Plasters and Cements", a secondary web table: W/P and dry density.
# The class of hemihydrate, and so the powder density, is our reading; the 2 % was chosen after
# the errors were seen.
@pytest.mark.parametrize(
    ("ratio", "density", "published"),
    [
        (0.74, BETA, 1057),
        (0.70, BETA, 1106),
        (0.65, BETA, 1162),
        (0.45, ALPHA, 1442),
        (0.38, ALPHA, 1588),
    ],
)
def test_published_dry_densities(ratio: float, density: float, published: float) -> None:
    assert 1000 * dry_density(density, wp_ml(ratio)) == pytest.approx(published, rel=0.02)


def test_the_sixth_published_row_does_not_fit() -> None:
    # Same table, last row: W/P 0.32, 1914 kg/m3. As a dry density the model is 9 % below it; as a
    # wet one it agrees. A slip in the table or a dense filler: not known, so shown and not hidden.
    published, wp = 1914, wp_ml(0.32)
    assert 1000 * dry_density(ALPHA, wp) / published - 1 == pytest.approx(-0.092, abs=0.002)
    assert 1000 * slurry_density(ALPHA, wp) == pytest.approx(published, rel=0.011)


def test_a_pottery_rule_of_thumb_is_seven_percent_lower() -> None:
    # Handbook rule quoted in a pottery forum: 1 US quart and 2.75 lb make 81 cubic inches.
    water_ml, powder_g, rule_ml = 946.353, 2.75 * 453.592, 81 * 16.387064
    ours = powder_g * volume_per_gram_ml(BETA, 100 * water_ml / powder_g)
    assert ours / rule_ml - 1 == pytest.approx(0.07, abs=0.002)


def test_contraction_of_the_pure_reaction() -> None:
    # Textbooks of dental materials: -7.11 % (from memory), with powder at 2.75 g/cm3.
    assert contraction_percent(2.75) == pytest.approx(-7.1, abs=0.1)


def test_one_ml_is_not_one_gram_of_water() -> None:
    # Density of water at 20 degrees C, 998.2071 kg/m3: the meanings of W/P differ by 0.18 %.
    assert wp_ml(0.22) / 22.0 - 1 == pytest.approx(0.0018, abs=5e-5)
    assert water_density_g_per_ml(20.0) == pytest.approx(0.9982071)


def test_air_enlarges_the_mix() -> None:
    # A share of air leaves 1 - share for powder and water: 5 % gives 1 / 0.95.
    ratio = volume_per_gram_ml(ALPHA, 20.0, air_percent=5.0) / volume_per_gram_ml(ALPHA, 20.0)
    assert ratio == pytest.approx(1 / 0.95)


def test_three_scoops_with_half_a_ml_to_a_ml_more() -> None:
    # Common practice, no source: 150 g with 30.5 or 31 mL instead of 30 mL for a longer pour.
    for more_ml in (0.5, 1.0):
        made = mix(75, waste_percent=10, by="scoop", stretch_ml_per_100g=more_ml / 1.5)
        assert (made.powder_g, made.water_ml, made.notes) == (150.0, 30.0 + more_ml, ())


@given(st.sampled_from(sorted(STONE_TYPES)), st.floats(0.0, 20.0))
def test_never_beyond_the_range(name: str, more_ml: float) -> None:
    kind = find_stone(name)
    made = mix(200, stone=name, stretch_ml_per_100g=more_ml)
    assert kind.wp.value <= made.wp_ml_per_100g <= kind.wp_range.high
    held = kind.wp.value + more_ml > kind.wp_range.high
    assert [note.code for note in made.notes] == (["stretch-held"] if held else [])


def test_held_at_the_end_of_the_range() -> None:
    # Study cards "Gypsum products": die stone 19 to 24 mL per 100 g.
    made = mix(50, stretch_ml_per_100g=9)
    assert made.wp_ml_per_100g == 24.0
    assert made.notes[0].code == "stretch-held"
    assert made.notes[0].values["wp_ml_per_100g"] == 24.0


def test_a_ratio_beyond_the_range_is_not_stretched_further() -> None:
    made = mix(50, wp_ml_per_100g=26, stretch_ml_per_100g=1)
    assert made.wp_ml_per_100g == 26.0
    assert {note.code for note in made.notes} == {"stretch-held", "wp-outside"}


def test_the_effect_is_told_without_figures() -> None:
    # Textbooks of dental materials, from memory: later set, more flow, weaker and softer.
    assert all(word in STRETCH_IN_WORDS for word in ("longer", "later", "weaker", "softer"))
    assert not re.search(r"\d", STRETCH_IN_WORDS)


@pytest.mark.parametrize("more_ml", [-0.1, 21, float("nan")])
def test_a_stretch_that_cannot_be_meant(more_ml: float) -> None:
    with pytest.raises(MixError, match="of extra water"):
        mix(50, stretch_ml_per_100g=more_ml)


@pytest.mark.parametrize(
    ("rounded", "flagged"), [(18.94, True), (18.96, False), (24.04, False), (24.06, True)]
)
def test_the_ratio_as_mixed_is_judged_to_a_tenth(rounded: float, *, flagged: bool) -> None:
    # Study cards "Gypsum products": 19 to 24 for die stone; ratios are spoken to a tenth of a mL
    notes = ratio_notes(find_stone("4"), 20.0, asked=20.0, made=rounded)
    assert [note.code for note in notes] == ["wp-by-marks"] * flagged
    on_purpose = ratio_notes(find_stone("4"), 25.0, asked=25.0, made=rounded)
    assert [note.code for note in on_purpose] == ["wp-outside"]


@pytest.mark.parametrize(
    ("wp_ml_per_100g", "word"), [(18.9, "stiff"), (19.0, ""), (24.0, ""), (24.1, "weaker")]
)
def test_too_thick_is_stiff_and_too_thin_is_weak(wp_ml_per_100g: float, word: str) -> None:
    # Textbooks of dental materials, from memory
    notes = mix(500, wp_ml_per_100g=wp_ml_per_100g).notes
    assert [word in note.text for note in notes] == [True] * bool(word)
