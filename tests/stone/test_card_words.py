"""What the card says of bowls, several mixes and time: read line by line."""

from dataclasses import replace

import pytest

from volest.stone.mix import Mix, mix
from volest.stone.reference import Band
from volest.stone.stones import stone_type
from volest.stone.words import base_steps, steps


def timed(low: float | None, high: float | None = None) -> Mix:
    """Mix a stone with a stated working time."""
    kind = stone_type("type-4")
    band = None
    if low is not None:
        band = Band(low=low, high=high or low, unit="min", source="invented", mark="read")
    return mix(50, stone=replace(kind, working_time=band))


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
        (None, None, "Pour at once, it sets fast;"),
        (5.0, 5.0, "Pour within 5 min of step 2;"),
        (5.0, 7.0, "Pour within 5 min of step 2 (some powders allow 7 min: the maker's sheet);"),
    ],
)
def test_the_time_to_pour(low: float | None, high: float | None, words: str) -> None:
    assert any(line.startswith(words) for line in steps(timed(low, high)))


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


def test_knobs_take_stone_and_undercuts_take_none() -> None:
    assert "from the 2.5 mL kept back" in base_steps(mix(52), mix(31), 2.5)[0]
    assert "undercuts" in base_steps(mix(50), mix(31), 0.0)[0]
    assert "knobs" not in base_steps(mix(50), mix(31), 0.0)[0]


@pytest.mark.parametrize("mixes", [1, 2])
def test_a_base_in_several_mixes_is_mixed_again(mixes: int) -> None:
    told = base_steps(mix(50), mix(100, mixes=mixes), 0.0)
    again = [at for at, line in enumerate(told) if "once more" in line]
    poured = next(at for at, line in enumerate(told) if line.startswith("Pour it"))
    assert again == ([poured + 1] if mixes > 1 else [])
