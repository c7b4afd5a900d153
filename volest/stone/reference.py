"""Numbers and steps of the trade with source and how sure they are: water, bench, materials."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType
from typing import Literal

from volest.errors import MixError, UsageError
from volest.lab import VACUUM, Bench, BenchTime

Mark = Literal["read", "from memory", "common practice, no source", "derived", "the lab's own"]

PRACTICE: Mark = "common practice, no source"
OWN: Mark = "the lab's own"


@dataclass(frozen=True, slots=True, eq=False)
class Figure:
    """One number of the trade; its words stand in one row, as in a table."""

    value: float
    unit: str
    source: str
    mark: Mark

    def __str__(self) -> str:
        return f"{self.value:g}"


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """A range of the trade, both ends included; a row as well."""

    low: float
    high: float
    unit: str
    source: str
    mark: Mark

    def __str__(self) -> str:
        return f"{self.low:g} to {self.high:g}"

    def __contains__(self, value: float) -> bool:
        return self.low <= value <= self.high


# Source: "What Is the Density of Water?", table of density by temperature (read).
WATER_KG_PER_M3 = MappingProxyType(
    {15.0: 999.1026, 20.0: 998.2071, 22.0: 997.7735, 25.0: 997.0479, 30.0: 995.6502}
)

_GUIDE = "pocket guide to chemical hazards, entries on gypsum and plaster (145.2 and 172.2)"
HEMIHYDRATE_G_PER_MOL = Figure(145.15, "g/mol", _GUIDE, "read")
WATER_G_PER_MOL = Figure(18.015, "g/mol", "teaching pages: 2 x 1.008 + 15.999", "read")
# CaSO4.1/2H2O + 3/2 H2O -> CaSO4.2H2O
WATER_MOL_PER_MOL = 1.5


def theoretical_water_g(powder_g: float) -> float:
    """Return the water that the powder binds when it sets fully, in g."""
    share = WATER_MOL_PER_MOL * WATER_G_PER_MOL.value / HEMIHYDRATE_G_PER_MOL.value
    return powder_g * share


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


SCOOP = Figure(Bench().scoop_g, "g", "one scoop of die stone at the bench", PRACTICE)
# Ratios are spoken to a tenth of a mL: the derived 18.617 is compared as the textbooks' 18.6.
LEAST_WP = Figure(
    round(theoretical_water_g(100.0), 1),
    "mL per 100 g",
    "molar masses: 1.5 water to 1 hemihydrate; less cannot set the powder",
    "derived",
)
SOAK = Band(15, 30, "s", "two handouts on pouring casts, one saying 15 s and one 30 s", "read")
WETTING = Figure(30, "s", "by hand until no dry powder is left", PRACTICE)
HAND_MIXING = Band(
    30,
    60,
    "s",
    "course text on dental materials (30 to 60 s), a handout on pouring casts (60 s)",
    "read",
)
VACUUM_MIXING = Figure(60, "s", "about a minute under vacuum", PRACTICE)
_TIME = BenchTime()
POURING = Figure(_TIME.quadrant_min, "min", "pouring a quadrant with a brush", PRACTICE)
POURING_ARCH = Figure(_TIME.arch_min, "min", "pouring a full arch from one end", PRACTICE)
POURING_DIES = Figure(
    _TIME.dies_min, "min", "each prepared tooth is filled by a small instrument first", PRACTICE
)
QUADRANT = Figure(
    2500,
    "mm2",
    "a smaller area inside the rim is a quadrant; of our twelve samples quadrants have "
    "some 1600, arches 3400 and more",
    PRACTICE,
)
CLEANING = Figure(
    _TIME.cleaning_min, "min", "bowl and spatula cleaned before the next mix", PRACTICE
)
DISINFECTING = Band(
    3,
    10,
    "min",
    "a university clinic's operations page (3 min), course page on casts (10 min)",
    "read",
)
BEFORE_BASE = Figure(
    45,
    "min",
    "naval dental handbook as copied, two-step method: about 45 min or until gloss is lost",
    "read",
)
NODULE = Figure(8, "mm", "width of a nodule that holds the base", PRACTICE)
AT_MOST_IN_ONE_MIX = Band(2, 3, "impressions", "a supplier's page of rules", "read")
BASE_HEIGHT = Figure(12.7, "mm", "course page on casts: half an inch", "read")
SEPARATING = Band(
    45, 60, "min", "two handouts on pouring casts, time until the cast is separated", "read"
)
DENSITY_SPREAD = Figure(
    0.1,
    "g/cm3",
    "allowance for colour, modifiers and filler in real powders, either way",
    "derived",
)
DIHYDRATE_DENSITY = Figure(
    2.32, "g/cm3", "pocket guide to chemical hazards, entry on gypsum", "read"
)

BENCH_FIGURES: Mapping[str, Figure | Band] = MappingProxyType(
    {
        "one scoop": SCOOP,
        "least W/P": LEAST_WP,
        "soak before mixing": SOAK,
        "wetting by hand": WETTING,
        "mixing by hand": HAND_MIXING,
        "mixing under vacuum": VACUUM_MIXING,
        "pouring a quadrant": POURING,
        "pouring an arch": POURING_ARCH,
        "pouring an arch with dies": POURING_DIES,
        "largest quadrant": QUADRANT,
        "disinfecting": DISINFECTING,
        "cleaning between mixes": CLEANING,
        "impressions in one mix": AT_MOST_IN_ONE_MIX,
        "first pour before the base": BEFORE_BASE,
        "nodules for the base": NODULE,
        "height of a base": BASE_HEIGHT,
        "cast separated after": SEPARATING,
        "spread of powder density": DENSITY_SPREAD,
        "density of set gypsum": DIHYDRATE_DENSITY,
    }
)


def mixing_min(way: str, time: BenchTime = _TIME) -> float:
    """Say how long one mix takes: the longer soak, then stirring, or wetting by hand and vacuum."""
    said_min = time.vacuum_min if way == VACUUM else time.hand_min
    if said_min is not None:
        return said_min
    stirring_s = WETTING.value + VACUUM_MIXING.value if way == VACUUM else HAND_MIXING.high
    return (SOAK.high + stirring_s) / 60.0


KINDS = ("quadrant", "arch", "dies")


def check_kind(kind: str) -> str:
    """Refuse what is none of the kinds."""
    if kind not in KINDS:
        raise UsageError(
            f"kind {kind!r}",
            needed="one of " + ", ".join(KINDS),
            remedy="write for example --kind '*-prep*=dies'",
        )
    return kind


def kind_of(footprint_mm2: float) -> str:
    """Tell a quadrant from an arch by the area inside its rim; dies have to be said."""
    return KINDS[footprint_mm2 >= QUADRANT.value]


def pouring_min(kind: str, time: BenchTime) -> float:
    """Say how long one of `KINDS` is poured."""
    return dict(zip(KINDS, (time.quadrant_min, time.arch_min, time.dies_min), strict=True))[kind]


_HOUR, _DAY = 60.0, 24 * 60.0
SHORT_MIN = 2 * _HOUR  # a window that a morning's work can miss: when it began must be said
_LAST_IN_HOURS = 5 * _DAY  # 100 h are no number of days


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Step:
    """One thing to do with an impression before it is poured, and where that is from."""

    text: str
    source: str
    mark: Mark


def _practice(text: str) -> Step:
    return Step(text=text, source="said at the bench", mark=PRACTICE)


ELASTOMER, ALGINATE, AGAR = "elastomer", "alginate", "agar"
# How each kind of material is made ready, and how it is kept until it is poured.
STEPS: Mapping[str, tuple[Step, ...]] = MappingProxyType(
    {
        ELASTOMER: (
            _practice("Keep it dry, at room temperature, nothing lying on it."),
            _practice("Wetting agent on, then gentle air: no pool in the tooth imprints."),
        ),
        ALGINATE: (
            Step(
                text="Keep it wrapped damp in a closed bag until it is poured.",
                source="a 4-hour study of alginates: 10 min ideal, 30 min wrapped damp",
                mark="read",
            ),
            _practice("Never leave it in water: it swells."),
            Step(
                text="Shake the water off and dry it gently: damp, no pool.",
                source="a university clinic's operations page: gently dried",
                mark="read",
            ),
            Step(
                text="Never an air blast: it dries out and shrinks.",
                source="naval dental handbook",
                mark="from memory",
            ),
            _practice("No wetting agent."),
        ),
        AGAR: (
            _practice("Keep it in a closed box with a wet cloth, and no longer than it must be."),
            _practice("Shake the water off and blot it: damp, no pool. Never an air blast."),
            _practice("No wetting agent."),
        ),
    }
)
UNKNOWN = (
    _practice("Wetting agent on an elastomer, then gentle air: no pool in the tooth imprints."),
    _practice("None on alginate or agar: keep it damp, shake the water off, never an air blast."),
)


def _at(value: float, source: str, mark: Mark = "read") -> Figure:
    return Figure(value, "min", source, mark)


_NOW = _at(0.0, "no wait is asked for")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Window:
    """From when until when an impression can be poured: minutes after it left the mouth."""

    material: str
    family: str  # 'elastomer', 'alginate' or 'agar': how it is made ready
    latest: Figure
    beyond: str  # what is known of one that is older
    earliest: Figure = _NOW
    lost: Figure | None = None  # from then on all that was found speaks against it

    def __str__(self) -> str:
        start = f"{in_words(self.earliest.value)} to " if self.earliest.value else "within "
        return f"{start}{in_words(self.latest.value)}"

    @property
    def is_short(self) -> bool:
        """Whether it can pass while one works: then it must be said when it began."""
        return self.latest.value < SHORT_MIN


_NO_MORE = "longer was not studied in what was found; makers may allow more"

# Sources disagree; the cautious end is taken.
WINDOWS: Mapping[str, Window] = MappingProxyType(
    {
        window.material: window
        for window in (
            Window(
                material="alginate",
                family=ALGINATE,
                latest=_at(15.0, "course page on casts: 15 min; a study: 10 min, 30 wrapped damp"),
                beyond="sources disagree: 10 min, or 30 wrapped damp, in one study; up to 24 h in "
                "moist air in another; a journal found 0.5 % at most after 5 days wrapped",
                lost=_at(5 * _DAY, "a journal on alginates: 0.5 % at most to 5 days, wrapped"),
            ),
            Window(
                material="alginate-extended",
                family=ALGINATE,
                latest=_at(100 * _HOUR, "two studies of extended-pour alginates: 100 to 120 h"),
                beyond="two studies of such alginates went to 100 and 120 h, by product",
            ),
            Window(
                material="agar",
                family=AGAR,
                latest=_at(15.0, "studies of reversible hydrocolloid: 15 min, 30 min"),
                beyond="studies allow 15 and 30 min",
                lost=_at(30.0, "studies of reversible hydrocolloid: 15 min, 30 min"),
            ),
            Window(
                material="condensation-silicone",
                family=ELASTOMER,
                latest=_at(30.0, "a study of 2020: shrinkage already significant at 30 min"),
                beyond="it goes on shrinking: significant at 30 min in a study of 2020; another "
                "says at once",
                lost=_at(_HOUR, "textbooks of dental materials", "from memory"),
            ),
            Window(
                material="polysulfide",
                family=ELASTOMER,
                latest=_at(_HOUR, "textbooks of dental materials", "from memory"),
                beyond="a study found dies that grow with storage; the hour is from textbooks",
            ),
            Window(
                material="polyether",
                family=ELASTOMER,
                earliest=_at(30.0, "textbooks of dental materials", "from memory"),
                latest=_at(_DAY, "a study of storage: sound at 24 h"),
                beyond="a study of two products found it sound at 24 h and bad at 7 days in 55 % "
                "humidity, and did not look between; makers allow more",
            ),
            Window(
                material="addition-silicone",
                family=ELASTOMER,
                earliest=_at(_HOUR, "a study of 1988: older ones release hydrogen, newer at once"),
                latest=_at(7 * _DAY, "a study of storage: sound at 7 days"),
                beyond=f"a study of storage found it sound at 7 days; {_NO_MORE}",
            ),
            Window(
                material="vinyl-polyether-silicone",
                family=ELASTOMER,
                latest=_at(14 * _DAY, "a study of 2017: change below 0.5 % at 14 days"),
                beyond=f"a study of 2017 found less than 0.5 % of change at 14 days; {_NO_MORE}",
            ),
        )
    }
)


def pour_window(material: str) -> Window:
    """Find the window of a material by its name in any spelling; the known ones are named."""
    name = "-".join(material.casefold().replace("-", " ").split())
    found = WINDOWS.get(name)
    if found is None:
        meant = [known for known in WINDOWS if name and name in known]
        raise UsageError(
            f"material {material!r}",
            needed="one of " + ", ".join(WINDOWS),
            remedy=f"write for example --material {' or '.join(meant or ['alginate'])}",
        )
    return found


def in_words(minutes: float) -> str:
    """Write a time in minutes up to two hours, in hours up to five days, then in days."""
    for unit, length, most in (("min", 1.0, 2 * _HOUR), ("h", _HOUR, _LAST_IN_HOURS)):
        if minutes <= most:
            return f"{whole(minutes / length)} {unit}"
    return f"{whole(minutes / _DAY)} days"


def whole(time: float) -> int:
    """Round a time, halves always up: what is a minute apart stays so.

    >>> whole(15.5), whole(16.5)
    (16, 17)
    """
    return math.floor(time + 0.5)
