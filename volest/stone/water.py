"""What water weighs, and how much of it the powder binds."""

from itertools import pairwise
from types import MappingProxyType

from volest.errors import MixError
from volest.stone.figure import Figure

# Source: "What Is the Density of Water?", table of density by temperature (read).
WATER_KG_PER_M3 = MappingProxyType(
    {15.0: 999.1026, 20.0: 998.2071, 22.0: 997.7735, 25.0: 997.0479, 30.0: 995.6502}
)

_GUIDE = "pocket guide to chemical hazards, entries on gypsum and plaster (145.2 and 172.2)"
HEMIHYDRATE_G_PER_MOL = Figure(value=145.15, unit="g/mol", source=_GUIDE, mark="read")
WATER_G_PER_MOL = Figure(
    value=18.015, unit="g/mol", source="standard atomic weights", mark="from memory"
)
# CaSO4.1/2H2O + 3/2 H2O -> CaSO4.2H2O
WATER_MOL_PER_MOL = 1.5


def theoretical_water_g(powder_g: float) -> float:
    """Return the water that the powder binds when it sets fully, in g."""
    share = WATER_MOL_PER_MOL * WATER_G_PER_MOL.value / HEMIHYDRATE_G_PER_MOL.value
    return powder_g * share


def least_wp_ml_per_100g() -> float:
    """Return the W/P below which a mix is refused.

    Ratios are spoken to a tenth of a mL, so the derived 18.617 is compared as 18.6, the figure of
    the textbooks.
    """
    return round(theoretical_water_g(100.0), 1)


def water_density_g_per_ml(water_c: float) -> float:
    """Return the density of water at 15 to 30 degrees C, straight between the table's rows."""
    for (low_c, low), (high_c, high) in pairwise(WATER_KG_PER_M3.items()):
        if low_c <= water_c <= high_c:
            return (low + (high - low) * (water_c - low_c) / (high_c - low_c)) / 1000.0
    raise MixError(
        f"water at {water_c:g} degrees C",
        needed="15 to 30 degrees C",
        remedy="use water at room temperature",
        code="water-temperature",
    )
