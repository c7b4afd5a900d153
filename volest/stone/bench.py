"""Figures of the bench that hold for every stone type: scoop, times, spread of the powder."""

from collections.abc import Mapping
from types import MappingProxyType

from volest.lab import VACUUM, Bench
from volest.stone.figure import PRACTICE, Band, Figure
from volest.stone.water import least_wp_ml_per_100g

SCOOP = Figure(
    value=Bench().scoop_g, unit="g", source="one scoop of die stone at the bench", mark=PRACTICE
)
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
WETTING = Figure(value=30, unit="s", source="by hand until no dry powder is left", mark=PRACTICE)
HAND_MIXING = Band(
    low=30,
    high=60,
    unit="s",
    source="course text on dental materials (30 to 60 s), a handout on pouring casts (60 s)",
    mark="read",
)
VACUUM_MIXING = Figure(value=60, unit="s", source="about a minute under vacuum", mark=PRACTICE)
POURING = Figure(value=1, unit="min", source="pouring one impression", mark=PRACTICE)
CLEANING = Figure(
    value=2, unit="min", source="bowl and spatula cleaned before the next mix", mark=PRACTICE
)
BEFORE_BASE = Figure(
    value=45,
    unit="min",
    source="naval dental handbook as copied, two-step method: about 45 min or until gloss is lost",
    mark="read",
)
KNOB = Figure(value=8, unit="mm", source="width of a knob that holds the base", mark=PRACTICE)
AT_MOST_IN_ONE_MIX = Band(
    low=2,
    high=3,
    unit="impressions",
    source="a supplier's page of rules",
    mark="read",
)
BASE_HEIGHT = Figure(
    value=12.7, unit="mm", source="course page on casts: half an inch", mark="read"
)
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
        "wetting by hand": WETTING,
        "mixing by hand": HAND_MIXING,
        "mixing under vacuum": VACUUM_MIXING,
        "pouring one impression": POURING,
        "cleaning between mixes": CLEANING,
        "impressions in one mix": AT_MOST_IN_ONE_MIX,
        "first pour before the base": BEFORE_BASE,
        "knobs for the base": KNOB,
        "height of a base": BASE_HEIGHT,
        "cast lifted out after": SEPARATING,
        "spread of powder density": DENSITY_SPREAD,
        "density of set gypsum": DIHYDRATE_DENSITY,
    }
)


def mixing_min(way: str) -> float:
    """Say how long one mix takes: the longer soak, then stirring, or wetting by hand and vacuum."""
    stirring_s = WETTING.value + VACUUM_MIXING.value if way == VACUUM else HAND_MIXING.high
    return (SOAK.high + stirring_s) / 60.0
