"""The words of the mix card, against what handbooks say of the order and the dangers."""

import pytest

from volest.stone.card import BEFORE, CAUTIONS, scoops_in_words, steps
from volest.stone.mix import mix


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
    assert any(word in line for line in BEFORE)


def test_the_maker_and_the_lab_win() -> None:
    assert "win over this tool" in CAUTIONS[-1]


@pytest.mark.parametrize(
    ("volume_ml", "by", "words"),
    [
        (70, "scoop", "3 full scoops of 50 g"),
        (10, "scoop", "1 full scoop of 50 g"),
        (10, "gram", "less than 1 scoop of 50 g"),
        (50, "gram", "2 full scoops of 50 g and 3 g"),
    ],
)
def test_scoops_in_words(volume_ml: float, by: str, words: str) -> None:
    # A scoop of 50 g: common practice, no source.
    assert scoops_in_words(mix(volume_ml, by=by)) == words


def test_impression_plaster_is_poured_at_once() -> None:
    # Summary of the American standard: type 1 sets in 2.5 to 5 min; no working time was found.
    assert any("at once" in line for line in steps(mix(50, stone="type-1")))
