"""A stone of the lab's own: what it says counts, and the rest is as in the type it is like."""

import pytest

from volest.lab import Lab, OwnStone
from volest.stone.reference import OWN
from volest.stone.stones import STONE_TYPES, all_stones, find_stone, own_stone, stone_type

LIKE = stone_type("type-4")


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (20.0, 26.0, (20.0, 26.0)),
        (20.0, None, (20.0, LIKE.wp_range.high)),
        (None, 26.0, (LIKE.wp_range.low, 26.0)),
    ],
)
def test_a_range_of_which_one_end_is_the_lab_s(
    low: float | None, high: float | None, expected: tuple[float, float]
) -> None:
    made = own_stone(OwnStone(name="house", like="type-4", wp_low=low, wp_high=high), "EUR")
    assert (made.wp_range.low, made.wp_range.high) == expected
    assert made.wp_range.mark == OWN


def test_a_range_of_which_nothing_is_said_is_the_type_s() -> None:
    assert own_stone(OwnStone(name="house", like="type-4"), "EUR").wp_range is LIKE.wp_range


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [(4.0, 9.0, (4.0, 9.0)), (4.0, None, (4.0, 4.0)), (None, 9.0, (9.0, 9.0))],
)
def test_working_time_from_one_end_or_both(
    low: float | None, high: float | None, expected: tuple[float, float]
) -> None:
    own = OwnStone(name="house", like="type-4", working_low_min=low, working_high_min=high)
    working = own_stone(own, "EUR").working_time
    assert working is not None
    assert (working.low, working.high, working.unit) == (*expected, "min")


def test_what_is_said_counts_and_the_rest_is_the_type_s() -> None:
    said = OwnStone(name="house", like="type-4", wp=21.5, powder_density=2.6, price_per_kg=4.0)
    made = own_stone(said, "CHF")
    assert (made.name, made.title) == ("house", LIKE.title)
    assert (made.wp.value, made.powder_density.value) == (21.5, 2.6)
    assert made.price is not None
    assert (made.price.value, made.price.unit) == (4.0, "CHF per kg")
    plain = own_stone(OwnStone(name="plain", like="type-4"), "CHF")
    assert (plain.wp, plain.powder_density, plain.price) == (LIKE.wp, LIKE.powder_density, None)
    assert plain.working_time is LIKE.working_time


def test_a_type_may_be_changed_under_its_own_name() -> None:
    lab = Lab(stone=(OwnStone(name="Type IV", wp=21.0), OwnStone(name="house", like="type-3")))
    assert find_stone("type-4", lab).wp.value == 21.0
    assert find_stone("4", lab).name == "type-4"
    names = [kind.name for kind in all_stones(lab)]
    assert names == [*STONE_TYPES, "house"]
