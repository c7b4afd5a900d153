"""Figures of the bench that hold for every stone type: scoop, times, spread of the powder."""

from collections.abc import Mapping
from types import MappingProxyType

from volest.stone.types import PRACTICE, Band, Figure
from volest.stone.water import least_wp_ml_per_100g

SCOOP = Figure(value=50.0, unit="g", source="one scoop of die stone at the bench", mark=PRACTICE)
SCOOP_G = SCOOP.value
LEAST_WP = Figure(
    value=least_wp_ml_per_100g(),
    unit="mL per 100 g",
    source="molar masses: 1.5 water to 1 hemihydrate; less cannot set the powder",
    mark="derived",
)
SOAK = Band(
    low=15,
    high=30,
    unit="s",
    source="two handouts on pouring casts, one saying 15 s and one 30 s",
    mark="read",
)
VACUUM_MIXING = Figure(value=60, unit="s", source="about a minute under vacuum", mark=PRACTICE)
SEPARATING = Band(
    low=45,
    high=60,
    unit="min",
    source="two handouts on pouring casts, time until the cast is lifted out",
    mark="read",
)
DENSITY_SPREAD = Figure(
    value=0.1,
    unit="g/cm3",
    source="allowance for colour, modifiers and filler in real powders, either way",
    mark="derived",
)
DIHYDRATE_DENSITY = Figure(
    value=2.32,
    unit="g/cm3",
    source="pocket guide to chemical hazards, entry on gypsum",
    mark="read",
)

BENCH_FIGURES: Mapping[str, Figure | Band] = MappingProxyType(
    {
        "one scoop": SCOOP,
        "least W/P": LEAST_WP,
        "soak before mixing": SOAK,
        "mixing under vacuum": VACUUM_MIXING,
        "cast lifted out after": SEPARATING,
        "spread of powder density": DENSITY_SPREAD,
        "density of set gypsum": DIHYDRATE_DENSITY,
    }
)
