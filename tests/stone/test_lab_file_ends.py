"""Lab files at the ends of what they may say."""

from typing import Any

import pytest

from volest.errors import LabError
from volest.stone.lab_file import check_lab
from volest.stone.reference import LEAST_WP


def stone(**said: Any) -> dict[str, Any]:
    return {"stone": [{"name": "house", "like": "type-4", **said}]}


def bowl(least_ml: float, most_ml: float) -> dict[str, Any]:
    return {"bowl": [{"name": "a", "least_ml": least_ml, "most_ml": most_ml}]}


@pytest.mark.parametrize(
    "values",
    [
        stone(wp=22.0, wp_low=22.0, wp_high=22.0),  # a range of one value still holds it
        stone(wp=LEAST_WP.value, wp_low=LEAST_WP.value, wp_high=24.0),  # just enough to set
        stone(wp=24.0),  # the type's own highest: 19 to 24 (study cards "Gypsum products")
        stone(wp=19.0),
        bowl(29.9, 30.0),
    ],
)
def test_what_is_just_allowed(values: dict[str, Any]) -> None:
    check_lab(values, "lab.toml")


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (stone(wp=22.0, wp_low=23.0, wp_high=22.0), "wp_low, wp_high = 23, 22 (needed: rising"),
        (stone(wp=20.0, wp_low=18.5), "wp_low, wp_high = 18.5, 24 (needed: rising, from 18.6)"),
        (stone(wp=24.1), "stone 1.wp = 24.1 (needed: 19 to 24"),
        (stone(wp=18.9), "stone 1.wp = 18.9 (needed: 19 to 24"),
        (bowl(30.0, 30.0), "bowl 1: least_ml, most_ml = 30, 30 (needed: the smaller"),
        (
            {"stone": [{"name": "house"}]},
            "'house' without like (needed: like = one of type-1",
        ),
        ({"bowl": {"name": "a"}}, "bowl = a table (needed:"),
    ],
)
def test_what_is_just_not_allowed(values: dict[str, Any], words: str) -> None:
    with pytest.raises(LabError) as caught:
        check_lab(values, "lab.toml")
    assert words in str(caught.value)


def test_one_fault_is_it_and_two_are_counted() -> None:
    with pytest.raises(LabError, match="mend it and try again"):
        check_lab(bowl(30.0, 30.0), "lab.toml")
    both = bowl(30.0, 30.0) | stone(wp=30.0)
    with pytest.raises(LabError, match="mend all 2 and try again"):
        check_lab(both, "lab.toml")


def test_two_of_one_name_are_told_by_their_numbers() -> None:
    two = {"bowl": [{"name": "Red", "most_ml": 30.0}, {"name": " red", "most_ml": 60.0}]}
    with pytest.raises(LabError, match=r"bowl 2\.name = ' red'.*a name that bowl 1 has not"):
        check_lab(two, "lab.toml")
