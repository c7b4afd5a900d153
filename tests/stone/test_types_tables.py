"""Stone types against tables: ISO 6873, study cards, handbooks. What was not read says so."""

import pytest

from volest.stone.reference import Band
from volest.stone.stones import STONE_TYPES, stone_type


def ends(band: Band | None) -> tuple[float, float]:
    assert band is not None
    return band.low, band.high


# ISO 6873, table 1, linear setting expansion after 2 h in per cent (from memory).
@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("type-1", 0.0, 0.15),
        ("type-2", 0.0, 0.30),
        ("type-3", 0.0, 0.20),
        ("type-4", 0.0, 0.15),
        ("type-5", 0.16, 0.30),
    ],
)
def test_limits_of_expansion(name: str, low: float, high: float) -> None:
    kind = stone_type(name)
    assert ends(kind.expansion_limits) == (low, high)
    assert kind.expansion_limits.unit == "%"


# Study cards "Gypsum products": setting expansion of plaster, stone and die stone.
@pytest.mark.parametrize(
    ("name", "low", "high"),
    [("type-2", 0.2, 0.3), ("type-3", 0.08, 0.10), ("type-4", 0.05, 0.07)],
)
def test_usual_expansion_lies_in_the_limits(name: str, low: float, high: float) -> None:
    kind = stone_type(name)
    assert ends(kind.expansion_typical) == (low, high)
    assert low in kind.expansion_limits
    assert high in kind.expansion_limits


# True densities of the hemihydrates, g/cm3 (handbooks; from memory): beta 2.63, alpha 2.76.
@pytest.mark.parametrize(
    ("names", "density"), [(("type-1", "type-2"), 2.63), (("type-3", "type-4", "type-5"), 2.76)]
)
def test_plaster_is_beta_and_stone_alpha(names: tuple[str, ...], density: float) -> None:
    for name in names:
        powder = stone_type(name).powder_density
        assert (powder.value, powder.unit) == (density, "g/cm3")


# Study cards "Gypsum products": working time 5 to 7 min, initial set of plaster 5 to 10, of stone
# 8 to 10; summary of the American standard: impression plaster 2.5 to 5 min.
@pytest.mark.parametrize(
    ("name", "working", "initial_set"),
    [
        ("type-1", None, (2.5, 5.0)),
        ("type-2", (5.0, 7.0), (5.0, 10.0)),
        ("type-3", (5.0, 7.0), (8.0, 10.0)),
        ("type-4", (5.0, 7.0), None),
        ("type-5", (5.0, 7.0), None),
    ],
)
def test_times(
    name: str, working: tuple[float, float] | None, initial_set: tuple[float, float] | None
) -> None:
    kind = stone_type(name)
    for band, expected in ((kind.working_time, working), (kind.initial_set, initial_set)):
        assert (band is None) == (expected is None)
        if band is not None:
            assert (ends(band), band.unit) == (expected, "min")


def test_impression_plaster_is_the_thinnest() -> None:
    # Textbooks of dental materials, from memory: 50 to 75 mL per 100 g.
    assert ends(stone_type("type-1").wp_range) == (50.0, 75.0)


def test_a_usual_ratio_is_the_middle_where_nothing_else_is_known() -> None:
    for kind in STONE_TYPES.values():
        if kind.name != "type-4":  # 100 g to 20 mL: common practice, no source
            assert kind.wp.value == (kind.wp_range.low + kind.wp_range.high) / 2.0


def test_figures_that_are_not_known_are_not_listed() -> None:
    names = {kind.name: [name for name, _ in kind.figures()] for kind in STONE_TYPES.values()}
    assert "working time" not in names["type-1"]
    assert "setting expansion, typical" not in names["type-5"]
    assert {"usual W/P", "W/P range", "true density of powder"} <= set(names["type-1"])
    assert all("price" not in listed for listed in names.values())
