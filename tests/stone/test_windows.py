"""Pour windows by material, against studies and textbooks."""

import pytest

from volest.errors import UsageError
from volest.stone.reference import WINDOWS, in_words, pour_window


# Cautious ends of: course page on casts (15 min), two studies of extended-pour alginates (100 to
# 120 h), studies of reversible hydrocolloid (15, 30 min), a study of 2020 on condensation silicone
# (30 min), textbooks from memory (polysulfide 1 h, polyether from 30 min), studies of storage
# (polyether 24 h, addition silicone 7 days, vinyl polyether silicone 14 days).
@pytest.mark.parametrize(
    ("material", "earliest_min", "latest_min"),
    [
        ("alginate", 0, 15),
        ("alginate-extended", 0, 6000),
        ("agar", 0, 15),
        ("condensation-silicone", 0, 30),
        ("polysulfide", 0, 60),
        ("polyether", 30, 1440),
        ("addition-silicone", 60, 10080),
        ("vinyl-polyether-silicone", 0, 20160),
    ],
)
def test_windows(material: str, earliest_min: float, latest_min: float) -> None:
    window = pour_window(material)
    assert (window.earliest.value, window.latest.value) == (earliest_min, latest_min)
    assert window.earliest.unit == window.latest.unit == "min"


def test_every_material_has_a_test() -> None:
    assert len(WINDOWS) == 8


def test_names_in_any_spelling() -> None:
    assert pour_window("Addition Silicone") is WINDOWS["addition-silicone"]
    with pytest.raises(UsageError, match="alginate, "):
        pour_window("wax")


def test_times_in_the_unit_people_use() -> None:
    assert [in_words(x) for x in (15, 120, 1440, 6000, 20160)] == [
        "15 min",
        "120 min",
        "24 h",
        "100 h",
        "14 days",
    ]
