"""Stone types against published tables."""

import pytest

from volest.errors import UsageError
from volest.stone.reference import BENCH_FIGURES, LEAST_WP
from volest.stone.stones import STONE_TYPES, stone_type

MARKS = {"read", "from memory", "common practice, no source", "derived"}


# Study cards "Gypsum products", water to powder: plaster 45-50, stone 28-30, die stone 19-24.
@pytest.mark.parametrize(
    ("name", "low", "high"),
    [("type-2", 45, 50), ("type-3", 28, 30), ("type-4", 19, 24), ("type-5", 19, 24)],
)
def test_wp_bands(name: str, low: float, high: float) -> None:
    band = stone_type(name).wp_range
    assert (band.low, band.high, band.unit) == (low, high, "mL per 100 g")


# "8: Gypsum materials", table 8.2, a second table: plaster 40-50, stone 25-30, die stone 19-24.
@pytest.mark.parametrize(
    ("name", "low", "high"),
    [("type-2", 40, 50), ("type-3", 25, 30), ("type-4", 19, 24), ("type-5", 19, 24)],
)
def test_usual_wp_lies_in_a_second_table_too(name: str, low: float, high: float) -> None:
    assert low <= stone_type(name).wp.value <= high


def test_die_stone_is_100_g_to_20_ml() -> None:
    # Common practice, no source.
    usual = stone_type("type-4").wp
    assert (usual.value, usual.mark) == (20.0, "common practice, no source")


def test_three_scoops_with_a_little_more_water_stay_in_the_band() -> None:
    # Common practice, no source: 150 g is stretched from 30 to 30.5-31 mL for a longer pour.
    band = stone_type("type-4").wp_range
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
    assert stone_type(form.format(number)).name == f"type-{number}"


def test_roman_names() -> None:
    assert stone_type("Type IV").name == "type-4"


@pytest.mark.parametrize("name", ["", "type", "type-6", "0", "stone", "4.0", "type-44"])
def test_unknown_names_are_refused_with_the_known_ones(name: str) -> None:
    with pytest.raises(UsageError, match="type-1, type-2, type-3, type-4, type-5"):
        stone_type(name)
