"""Stone types against tables: ISO 6873, study cards, handbooks. What was not read says so.

A stone of the lab's own: what it says counts, and the rest is as in the type it is like.
"""

import pytest

from volest.errors import UsageError
from volest.lab import Lab, OwnStone
from volest.stone.reference import (
    BENCH_FIGURES,
    LEAST_WP,
    OWN,
    STONE_TYPES,
    Band,
    all_stones,
    find_stone,
    own_stone,
)

MARKS = {"read", "from memory", "common practice, no source", "derived"}
LIKE = find_stone("type-4")


# Study cards "Gypsum products", water to powder: plaster 45-50, stone 28-30, die stone 19-24.
@pytest.mark.parametrize(
    ("name", "low", "high"),
    [("type-2", 45, 50), ("type-3", 28, 30), ("type-4", 19, 24), ("type-5", 19, 24)],
)
def test_wp_bands(name: str, low: float, high: float) -> None:
    band = find_stone(name).wp_range
    assert (band.low, band.high, band.unit) == (low, high, "mL per 100 g")


# "8: Gypsum materials", table 8.2, a second table: plaster 40-50, stone 25-30, die stone 19-24.
@pytest.mark.parametrize(
    ("name", "low", "high"),
    [("type-2", 40, 50), ("type-3", 25, 30), ("type-4", 19, 24), ("type-5", 19, 24)],
)
def test_usual_wp_lies_in_a_second_table_too(name: str, low: float, high: float) -> None:
    assert low <= find_stone(name).wp.value <= high


def test_die_stone_is_100_g_to_20_ml() -> None:
    # Common practice, no source.
    usual = find_stone("type-4").wp
    assert (usual.value, usual.mark) == (20.0, "common practice, no source")


def test_three_scoops_with_a_little_more_water_stay_in_the_band() -> None:
    # Common practice, no source: 150 g is stretched from 30 to 30.5-31 mL for a longer pour.
    band = find_stone("type-4").wp_range
    assert 100 * 30.5 / 150 in band
    assert 100 * 31.0 / 150 in band


@pytest.mark.parametrize("kind", STONE_TYPES.values(), ids=str)
def test_every_figure_has_unit_source_and_mark(kind: object) -> None:
    assert hasattr(kind, "figures")
    for _, figure in [*kind.figures(), *BENCH_FIGURES.items()]:
        assert figure.unit
        assert figure.source
        assert figure.mark in MARKS


def test_usual_wp_is_inside_the_range_and_above_the_least() -> None:
    for kind in STONE_TYPES.values():
        assert kind.wp.value in kind.wp_range
        assert kind.wp_range.low > LEAST_WP.value


def test_recalled_limits_do_not_claim_the_standard() -> None:
    for kind in STONE_TYPES.values():
        assert kind.expansion_limits.mark == "from memory"
        assert "not checked" in kind.expansion_limits.source
        assert not any("per ISO" in figure.source for _, figure in kind.figures())


# ISO 6873, scope as shown in catalogues: five types, numbered 1 to 5.
@pytest.mark.parametrize("number", range(1, 6))
@pytest.mark.parametrize("form", ["type-{}", "type {}", "{}", "Type {}", " type_{} ", "TYPE{}"])
def test_names(form: str, number: int) -> None:
    assert find_stone(form.format(number)).name == f"type-{number}"


def test_roman_names() -> None:
    assert find_stone("Type IV").name == "type-4"


@pytest.mark.parametrize("name", ["", "type", "type-6", "0", "stone", "4.0", "type-44"])
def test_unknown_names_are_refused_with_the_known_ones(name: str) -> None:
    with pytest.raises(UsageError, match="type-1, type-2, type-3, type-4, type-5"):
        find_stone(name)


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
    kind = find_stone(name)
    assert ends(kind.expansion_limits) == (low, high)
    assert kind.expansion_limits.unit == "%"


# Study cards "Gypsum products": setting expansion of plaster, stone and die stone.
@pytest.mark.parametrize(
    ("name", "low", "high"),
    [("type-2", 0.2, 0.3), ("type-3", 0.08, 0.10), ("type-4", 0.05, 0.07)],
)
def test_usual_expansion_lies_in_the_limits(name: str, low: float, high: float) -> None:
    kind = find_stone(name)
    assert ends(kind.expansion_typical) == (low, high)
    assert low in kind.expansion_limits
    assert high in kind.expansion_limits


# True densities of the hemihydrates, g/cm3 (handbooks; from memory): beta 2.63, alpha 2.76.
@pytest.mark.parametrize(
    ("names", "density"), [(("type-1", "type-2"), 2.63), (("type-3", "type-4", "type-5"), 2.76)]
)
def test_plaster_is_beta_and_stone_alpha(names: tuple[str, ...], density: float) -> None:
    for name in names:
        powder = find_stone(name).powder_density
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
    kind = find_stone(name)
    for band, expected in ((kind.working_time, working), (kind.initial_set, initial_set)):
        assert (band is None) == (expected is None)
        if band is not None:
            assert (ends(band), band.unit) == (expected, "min")


def test_impression_plaster_is_the_thinnest() -> None:
    # Textbooks of dental materials, from memory: 50 to 75 mL per 100 g.
    assert ends(find_stone("type-1").wp_range) == (50.0, 75.0)


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
    names = [*all_stones(lab)]
    assert names == [*STONE_TYPES, "house"]
