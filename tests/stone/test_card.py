"""The words of the mix card, against what handbooks say of the order and the dangers.

What the card says of bowls, several mixes and time: read line by line.
"""

import re
from dataclasses import replace

import pytest

from tests.flat import flat, mix
from volest.lab import HAND, Bowl, Lab, OwnStone
from volest.settings import Settings
from volest.stone.mix import STRETCH_IN_WORDS, Beyond, Mix, first_pour
from volest.stone.reference import (
    PRACTICE,
    STEPS,
    UNKNOWN,
    WINDOWS,
    pour_window,
)
from volest.stone.words import (
    CAUTIONS,
    base_if_short,
    base_steps,
    before,
    if_short,
    ready,
    scoops_in_words,
    steps,
    yield_in_words,
)


def test_water_first_then_powder() -> None:
    # Navy dental technician course, part 2, p. 8-18: water first, then powder.
    first, second, *_ = steps(mix(50))
    assert "Water" in first
    assert "powder" in second


def test_never_add_water_to_a_thick_mix() -> None:
    # Same page: discard it.
    assert any("Never add water" in line and "throw" in line for line in CAUTIONS)


@pytest.mark.parametrize("word", ["Disinfect", "dust", "Wetting agent", "store"])
def test_before(word: str) -> None:
    assert any(word in line for line in before())


def test_disinfecting_comes_before_the_scan_and_is_ticked_with_its_time() -> None:
    # Contact of 3 min at one clinic, 10 min on a course page.
    first, *_ = before()
    assert first.startswith("[ ] Disinfected before it was scanned, at __:__ (3 to 10 min")


@pytest.mark.parametrize(
    ("material", "has", "has_not"),
    [
        # Wetting agent and air: common practice, no source. Alginate: a university clinic's page,
        # gently dried; no air blast: naval dental handbook, from memory.
        ("addition-silicone", ("Wetting agent on", "60 min to 7 days", "dry"), ("damp", "blast")),
        ("alginate", ("No wetting agent", "Never an air blast", "15 min", "damp"), ("gentle air",)),
        (
            "agar",
            ("No wetting agent", "Never an air blast", "15 min", "wet cloth"),
            ("gentle air",),
        ),
    ],
)
def test_each_material_is_made_ready_in_its_own_way(
    material: str, has: tuple[str, ...], has_not: tuple[str, ...]
) -> None:
    told = " ".join(ready(pour_window(material)))
    assert all(words in told for words in has)
    assert not any(words in told for words in has_not)


def test_each_step_has_its_source_or_is_marked_practice() -> None:
    assert {window.family for window in WINDOWS.values()} == set(STEPS)
    for step in (*UNKNOWN, *(step for steps_of in STEPS.values() for step in steps_of)):
        assert step.source
        assert (step.mark == PRACTICE) == (step.source == "said at the bench")


def test_the_maker_and_the_lab_win() -> None:
    assert "win over this tool" in CAUTIONS[-1]


SCOOPS = "3 full scoops of 50 g with 30.0 mL of water"


@pytest.mark.parametrize(
    ("volume_ml", "by", "words"),
    [
        (65, "scoop", "3 full scoops of 50 g"),
        (10, "scoop", "1 full scoop of 50 g"),
        # 21 g and 103 g; over a third more is a waste, and told so.
        (
            10,
            "gram",
            "better weigh it: 1 full scoop of 50 g with 10.0 mL of water would be 29 g more",
        ),
        (50, "gram", f"better weigh it: {SCOOPS} would be 47 g more"),
        (
            65,
            "gram",
            f"or without a scale: {SCOOPS}; that is 17 g more powder and makes 84.3 mL",
        ),
    ],
)
def test_scoops_in_words(volume_ml: float, by: str, words: str) -> None:
    # A scoop of 50 g: common practice, no source. 50 / 2.76 + 10 = 28.1 mL.
    made = first_pour(volume_ml, flat(by=by))
    assert scoops_in_words(made) == words
    small = flat(lab=Lab(bowl=(Bowl(name="small", most_ml=made.mix_ml),)))
    if by == "gram":
        assert scoops_in_words(first_pour(volume_ml, small)).startswith("weigh it: no bowl takes")


def test_impression_plaster_is_poured_at_once() -> None:
    # Summary of the American standard: type 1 sets in 2.5 to 5 min; no working time was found.
    assert any("at once" in line for line in steps(mix(50, stone="type-1")))


def test_water_is_distilled_and_at_room_temperature() -> None:
    # Common practice, no source.
    assert "distilled, room temperature" in steps(mix(50))[0]


def test_hand_premix_then_a_minute_under_vacuum() -> None:
    # Common practice, no source.
    third, fourth = steps(mix(50))[2:4]
    assert "by hand" in third
    assert "about 60 s under vacuum" in fourth


def test_by_hand_two_turns_a_second() -> None:
    # A handout on pouring casts: about a minute at 2 turns a second.
    by_hand = " ".join(steps(mix(50, way=HAND)))
    assert "2 turns a second" in by_hand
    assert "vacuum" not in by_hand


def test_no_number_without_a_unit() -> None:
    made, base = mix(250, mixes=2), mix(31, stone="type-3")
    lines = [*steps(made), *steps(replace(made, way=HAND)), *if_short(made), *yield_in_words(made)]
    lines += [*base_steps(made, base, 2.0), scoops_in_words(made), STRETCH_IN_WORDS]
    units = r"mL|g|s|min|mm|%|mixes|full scoops?|turns a second|to \d+ (s|min)"
    for line in lines:
        bare = re.sub(r"type-\d|step \d|W/P ", "", line)
        for found in re.finditer(r"\d+(\.\d+)?", bare):
            assert re.match(rf" ({units})\b|\.\d| %", bare[found.end() :]), (line, found)


def test_short_of_stone_is_mixed_at_the_same_ratio() -> None:
    # 50 g of die stone to 10 mL: 100 g to 20 mL, common practice, no source.
    assert "10.0 mL of water to 50 g" in if_short(mix(50))[0]
    assert "14.5 mL of water to 50 g" in if_short(mix(50, stone="type-3"))[0]


def test_the_base_comes_after_the_first_pour_has_lost_its_gloss() -> None:
    # Naval two-step text as copied on a web page: about 45 min or until gloss is lost.
    told = base_steps(mix(52), mix(31, stone="type-3"), 2.0)
    # Nodules or undercuts, wetting, the order: common practice, no source.
    marks = [
        "nodules",
        "45 min: it must have set and lost its gloss",
        "Wet the top",
        "Water into",
    ]
    marks += [
        "of type-3, not type-4 (",
        "under vacuum",
        "Pour it within 5 min",
        "separate the cast",
    ]
    places = [next(n for n, line in enumerate(told) if mark in line) for mark in marks]
    assert places == sorted(places)
    assert len(told) == places[-1] + 1


def test_the_cast_is_lifted_out_once_and_last() -> None:
    made, base = mix(52), mix(31, stone="type-3")
    assert "separate the cast from it" in steps(made)[-1]
    first = steps(made, nodules_ml=2.0)
    assert not any("separate the cast from it" in line for line in first)
    told = " ".join((*first, *base_steps(made, base, 2.0)))
    assert told.count("separate the cast from it") == 1
    # Two handouts on pouring casts: 45 to 60 min.
    assert told.endswith("Leave it 45 to 60 min more, then separate the cast from it.")


def test_the_nodules_are_kept_back_before_they_are_needed() -> None:
    told = steps(mix(52), nodules_ml=2.0, ends="The stone ends here.")
    (kept,) = [at for at, line in enumerate(told) if "2.0 mL" in line]
    assert told[kept] == "Put 2.0 mL of the mix aside for the nodules of the base."
    assert told[kept + 1].startswith("Pour within")
    assert told[kept + 2] == "The stone ends here."
    assert "2.0 mL kept back" in base_steps(mix(52), mix(31), 2.0)[0]
    assert not any("aside" in line for line in (*steps(mix(52)), *steps(mix(52), nodules_ml=0.0)))


def test_a_short_base_gets_more_of_its_own_stone() -> None:
    # Model stone, 29 mL to 100 g (study cards, "Gypsum products"): 14.5 mL to 50 g.
    assert "type-3" in base_if_short(mix(31, stone="type-3"))
    assert "14.5 mL of water to 50 g" in base_if_short(mix(31, stone="type-3"))


def test_a_base_without_nodules_holds_by_undercuts() -> None:
    told = base_steps(mix(50), mix(31), 0.0)
    assert "undercuts" in told[0]
    assert "0 mL" not in told[0]
    assert not any(", not type-4" in line for line in told)  # the same stone


def test_costs_are_shared_out_to_the_waste() -> None:
    made = mix(50, lab=Lab(stone=(OwnStone(name="type-4", price_per_kg=10.0),), currency="CHF"))
    # 103 g at 10 a kg; 7.92 of 57.92 mL are waste.
    assert "costs 1.03 CHF, 0.14 CHF of it waste" in yield_in_words(made)[-1]


def test_a_mix_is_told_as_a_sum() -> None:
    # 57.92 - 50 = 7.92 mL; 57.92 - 57.5 = 0.42 mL.
    told = " ".join(yield_in_words(mix(50)))
    assert "50.0 mL cavity + 7.5 mL lost on the way + 0.4 mL rounding up. Of it 7.9 mL are" in told
    # All terms: they stand in JSON too, and are what is weighed in but for the rounding.
    more = Beyond(heap_ml=9.0, nodules_ml=2.1, volume_u_ml=0.5)
    made = first_pour(50, Settings(), more)
    told = " ".join(yield_in_words(made))
    for term in (
        "9.0 mL heap",
        "2.1 mL retention nodules",
        "6.1 mL lost",
        "5.0 mL stay",
        "reserve",
    ):
        assert term in told
    assert "leaves a 5 % chance of running short" in told
    assert sum(dict(made.terms_ml).values()) == pytest.approx(made.mix_ml)


def timed(low: float | None, high: float | None = None) -> Mix:
    """Mix a stone with a stated working time."""
    if low is None:
        return mix(50, stone="type-1")  # no working time was found
    own = OwnStone(name="own", like="4", working_low_min=low, working_high_min=high)
    return mix(50, stone="own", lab=Lab(stone=(own,)))


def test_the_bowl_is_named_where_one_is_known() -> None:
    assert steps(replace(mix(50), bowl="green"))[0].startswith("Water into bowl green first:")
    assert steps(mix(50))[0].startswith("Water into the bowl first:")


@pytest.mark.parametrize("mixes", [1, 2, 3])
def test_again_is_said_where_there_is_more_than_one_mix(mixes: int) -> None:
    told = [line for line in steps(mix(250, mixes=mixes)) if "once more" in line]
    assert len(told) == (mixes > 1)
    assert all(f"{mixes} mixes in all" in line for line in told)


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (None, None, "Pour at once, it sets fast. Prepared"),
        (5.0, 5.0, "Pour within 5 min of step 2. Prepared"),
        (
            5.0,
            7.0,
            "Pour within 5 min of step 2 (some powders allow 7 min: the maker's sheet). ",
        ),
    ],
)
def test_the_time_to_pour(low: float | None, high: float | None, words: str) -> None:
    assert any(line.startswith(words) for line in steps(timed(low, high)))


def test_prepared_teeth_are_filled_first() -> None:
    # Common practice, no source.
    (pour,) = [line for line in steps(mix(52)) if line.startswith("Pour")]
    first, _, then = pour.partition("start at one end")
    assert "Prepared teeth first, each with a small instrument" in first
    assert then


def into_the_bowl(first: Mix, base: Mix) -> str:
    """Give the two steps of the base's water and powder; three come before them."""
    return " ".join(base_steps(first, base, 0.0)[3:5])


def test_the_base_has_its_bowl_and_its_number_of_mixes() -> None:
    first, base = mix(50), mix(31)
    assert into_the_bowl(first, base).startswith("Water into the bowl first:")
    assert into_the_bowl(first, replace(base, bowl="red")).startswith("Water into bowl red first:")
    two = into_the_bowl(first, mix(200, mixes=2))
    assert two.startswith("2 equal mixes, one after the other. Water into the bowl first:")


def test_another_stone_is_told_and_the_same_is_not() -> None:
    first = mix(50)
    assert " of type-3, not type-4 (" in into_the_bowl(first, mix(31, stone="type-3"))
    assert ", not " not in into_the_bowl(first, mix(31))


def test_nodules_take_stone_and_undercuts_take_none() -> None:
    assert "from the 2.5 mL kept back" in base_steps(mix(52), mix(31), 2.5)[0]
    assert "undercuts" in base_steps(mix(50), mix(31), 0.0)[0]
    assert "nodules" not in base_steps(mix(50), mix(31), 0.0)[0]


@pytest.mark.parametrize("mixes", [1, 2])
def test_a_base_in_several_mixes_is_mixed_again(mixes: int) -> None:
    told = base_steps(mix(50), mix(100, mixes=mixes), 0.0)
    again = [at for at, line in enumerate(told) if "once more" in line]
    poured = next(at for at, line in enumerate(told) if line.startswith("Pour it"))
    assert again == ([poured + 1] if mixes > 1 else [])
