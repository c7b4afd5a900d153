"""Water against molar masses, a density table and an independent formula."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from volest.errors import MixError
from volest.stone.reference import (
    least_wp_ml_per_100g,
    theoretical_water_g,
    water_density_g_per_ml,
)


def test_theoretical_water() -> None:
    # 1.5 x 18.015 / 145.15 by hand; textbooks print 18.6.
    assert theoretical_water_g(100.0) == pytest.approx(18.617, abs=0.005)
    assert least_wp_ml_per_100g() == 18.6


def test_theoretical_water_from_the_masses_of_both_solids() -> None:
    # Pocket guide to chemical hazards: hemihydrate 145.2, gypsum 172.2 g/mol (one decimal each).
    assert theoretical_water_g(145.2) == pytest.approx(172.2 - 145.2, abs=0.1)


# "What Is the Density of Water?", table of density by temperature.
@pytest.mark.parametrize(
    ("water_c", "kg_per_m3"),
    [(15, 999.1026), (20, 998.2071), (22, 997.7735), (25, 997.0479), (30, 995.6502)],
)
def test_density_table(water_c: float, kg_per_m3: float) -> None:
    assert water_density_g_per_ml(water_c) * 1000 == pytest.approx(kg_per_m3, abs=1e-4)


@given(st.floats(15.0, 30.0))
def test_density_between_the_rows(water_c: float) -> None:
    # Recommended density of water, weights and measures committee 2001, formula; from memory.
    # A chord over 5 degrees sags by up to 0.034 kg/m3, three parts in 100 000 of a mix's water.
    wanted = 999.97495 * (
        1 - (water_c - 3.983035) ** 2 * (water_c + 301.797) / (522528.9 * (water_c + 69.34881))
    )
    assert water_density_g_per_ml(water_c) * 1000 == pytest.approx(wanted, abs=0.04)


@pytest.mark.parametrize("water_c", [14.9, 30.1, -5.0, math.nan, math.inf])
def test_temperatures_outside_the_table_are_refused(water_c: float) -> None:
    with pytest.raises(MixError, match="15 to 30"):
        water_density_g_per_ml(water_c)
