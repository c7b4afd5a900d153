"""Numbers and steps of the trade, sourced, with how sure they are: water, bench, stone, materials.

Stone types are 1 to 5 of ISO 6873; what a lab says of its own stones is put in their place.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from types import MappingProxyType
from typing import Any, Literal

from volest.errors import MixError, UsageError
from volest.lab import VACUUM, Bench, BenchTime, Lab, OwnStone

Mark = Literal["read", "from memory", "common practice, no source", "derived", "the lab's own"]

PRACTICE: Mark = "common practice, no source"
OWN: Mark = "the lab's own"
MEMORY: Mark = "from memory"


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


_HANDOUTS, _NAVAL = "two handouts on pouring casts", "naval dental handbook"
_CASTS, _CLINIC = "course page on casts", "a university clinic's operations page"
_TEXT, _TEXTBOOKS = "course text on dental materials", "textbooks of dental materials"
_TIME = BenchTime()
# Ratios are spoken to a tenth of a mL: the derived 18.617 is compared as the textbooks' 18.6.
LEAST_WP = Figure(round(theoretical_water_g(100.0), 1), "mL per 100 g",
                  "molar masses: 1.5 water to 1 hemihydrate; less cannot set the powder",
                  "derived")  # fmt: skip
SOAK = Band(15, 30, "s", f"{_HANDOUTS}, one saying 15 s and one 30 s", "read")
WETTING = Figure(30, "s", "by hand until no dry powder is left", PRACTICE)
HAND_MIXING = Band(30, 60, "s", f"{_TEXT} (30 to 60 s), a handout on pouring casts (60 s)", "read")
VACUUM_MIXING = Figure(60, "s", "about a minute under vacuum", PRACTICE)
QUADRANT = Figure(2500, "mm2", "a smaller area inside the rim is a quadrant; of our twelve samples "
                  "quadrants have some 1600, arches 3400 and more", PRACTICE)  # fmt: skip
DISINFECTING = Band(3, 10, "min", f"{_CLINIC} (3 min), {_CASTS} (10 min)", "read")
BEFORE_BASE = Figure(45, "min", f"{_NAVAL} as copied, two-step method: about 45 min or until gloss "
                     "is lost", "read")  # fmt: skip
NODULE = Figure(8, "mm", "width of a nodule that holds the base", PRACTICE)
SEPARATING = Band(45, 60, "min", f"{_HANDOUTS}, time until the cast is separated", "read")

BENCH_FIGURES: Mapping[str, Figure | Band] = MappingProxyType({
    "one scoop": Figure(Bench().scoop_g, "g", "one scoop of die stone at the bench", PRACTICE),
    "least W/P": LEAST_WP,
    "soak before mixing": SOAK,
    "wetting by hand": WETTING,
    "mixing by hand": HAND_MIXING,
    "mixing under vacuum": VACUUM_MIXING,
    "pouring a quadrant":
        Figure(_TIME.quadrant_min, "min", "pouring a quadrant with a brush", PRACTICE),
    "pouring an arch":
        Figure(_TIME.arch_min, "min", "pouring a full arch from one end", PRACTICE),
    "pouring an arch with dies":
        Figure(_TIME.dies_min, "min", "each prepared tooth is filled by a small instrument first",
               PRACTICE),
    "largest quadrant": QUADRANT,
    "disinfecting": DISINFECTING,
    "cleaning between mixes":
        Figure(_TIME.cleaning_min, "min", "bowl and spatula cleaned before the next mix", PRACTICE),
    "impressions in one mix": Band(2, 3, "impressions", "a supplier's page of rules", "read"),
    "first pour before the base": BEFORE_BASE,
    "nodules for the base": NODULE,
    "height of a base": Figure(12.7, "mm", f"{_CASTS}: half an inch", "read"),
    "cast separated after": SEPARATING,
    "spread of powder density":
        Figure(0.1, "g/cm3", "allowance for colour, modifiers and filler in real powders, either "
               "way", "derived"),
    "density of set gypsum":
        Figure(2.32, "g/cm3", "pocket guide to chemical hazards, entry on gypsum", "read"),
})  # fmt: skip


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
        raise _unknown(f"kind {kind!r}", KINDS, "write for example --kind '*-prep*=dies'")
    return kind


def _unknown(found: str, known: Iterable[str], remedy: str) -> UsageError:
    return UsageError(found, needed="one of " + ", ".join(known), remedy=remedy)


def kind_of(footprint_mm2: float) -> str:
    """Tell a quadrant from an arch by the area inside its rim; dies have to be said."""
    return KINDS[footprint_mm2 >= QUADRANT.value]


def pouring_min(kind: str, time: BenchTime) -> float:
    """Say how long one of `KINDS` is poured."""
    return dict(zip(KINDS, (time.quadrant_min, time.arch_min, time.dies_min), strict=True))[kind]


_HOUR, _DAY = 60.0, 24 * 60.0
SHORT_MIN = 2 * _HOUR  # a window that a morning's work can miss: when it began must be said


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """One thing to do with an impression before it is poured, and where that is from."""

    text: str
    source: str = "said at the bench"
    mark: Mark = PRACTICE


ELASTOMER, ALGINATE, AGAR = "elastomer", "alginate", "agar"
# How each kind of material is made ready, and how it is kept until it is poured.
STEPS: Mapping[str, tuple[Step, ...]] = MappingProxyType({
    ELASTOMER: (
        Step("Keep it dry, at room temperature, nothing lying on it."),
        Step("Wetting agent on, then gentle air: no pool in the tooth imprints."),
    ),
    ALGINATE: (
        Step("Keep it wrapped damp in a closed bag until it is poured.",
             "a 4-hour study of alginates: 10 min ideal, 30 min wrapped damp", "read"),
        Step("Never leave it in water: it swells."),
        Step("Shake the water off and dry it gently: damp, no pool.",
             f"{_CLINIC}: gently dried", "read"),
        Step("Never an air blast: it dries out and shrinks.", _NAVAL, MEMORY),
        Step("No wetting agent."),
    ),
    AGAR: (
        Step("Keep it in a closed box with a wet cloth, and no longer than it must be."),
        Step("Shake the water off and blot it: damp, no pool. Never an air blast."),
        Step("No wetting agent."),
    ),
})  # fmt: skip
UNKNOWN = (
    Step("Wetting agent on an elastomer, then gentle air: no pool in the tooth imprints."),
    Step("None on alginate or agar: keep it damp, shake the water off, never an air blast."),
)


def _at(value: float, source: str, mark: Mark = "read") -> Figure:
    return Figure(value, "min", source, mark)


_NOW = _at(0.0, "no wait is asked for")


@dataclass(frozen=True, slots=True, eq=False)
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
_AGAR = "studies of reversible hydrocolloid: 15 min, 30 min"

# Sources disagree; the cautious end is taken.
WINDOWS: Mapping[str, Window] = MappingProxyType({window.material: window for window in (
    Window("alginate", ALGINATE,
           _at(15.0, f"{_CASTS}: 15 min; a study: 10 min, 30 wrapped damp"),
           "sources disagree: 10 min, or 30 wrapped damp, in one study; up to 24 h in moist air in "
           "another; a journal found 0.5 % at most after 5 days wrapped",
           lost=_at(5 * _DAY, "a journal on alginates: 0.5 % at most to 5 days, wrapped")),
    Window("alginate-extended", ALGINATE,
           _at(100 * _HOUR, "two studies of extended-pour alginates: 100 to 120 h"),
           "two studies of such alginates went to 100 and 120 h, by product"),
    Window("agar", AGAR, _at(15.0, _AGAR), "studies allow 15 and 30 min", lost=_at(30.0, _AGAR)),
    Window("condensation-silicone", ELASTOMER,
           _at(30.0, "a study of 2020: shrinkage already significant at 30 min"),
           "it goes on shrinking: significant at 30 min in a study of 2020; another says at once",
           lost=_at(_HOUR, _TEXTBOOKS, MEMORY)),
    Window("polysulfide", ELASTOMER, _at(_HOUR, _TEXTBOOKS, MEMORY),
           "a study found dies that grow with storage; the hour is from textbooks"),
    Window("polyether", ELASTOMER, _at(_DAY, "a study of storage: sound at 24 h"),
           "a study of two products found it sound at 24 h and bad at 7 days in 55 % humidity, and "
           "did not look between; makers allow more",
           earliest=_at(30.0, _TEXTBOOKS, MEMORY)),
    Window("addition-silicone", ELASTOMER, _at(7 * _DAY, "a study of storage: sound at 7 days"),
           f"a study of storage found it sound at 7 days; {_NO_MORE}",
           earliest=_at(_HOUR, "a study of 1988: older ones release hydrogen, newer at once")),
    Window("vinyl-polyether-silicone", ELASTOMER,
           _at(14 * _DAY, "a study of 2017: change below 0.5 % at 14 days"),
           f"a study of 2017 found less than 0.5 % of change at 14 days; {_NO_MORE}"),
)})  # fmt: skip


def pour_window(material: str) -> Window:
    """Find the window of a material by its name in any spelling; the known ones are named."""
    name = "-".join(material.casefold().replace("-", " ").split())
    found = WINDOWS.get(name)
    if found is None:
        meant = [known for known in WINDOWS if name and name in known] or ["alginate"]
        remedy = f"write for example --material {' or '.join(meant)}"
        raise _unknown(f"material {material!r}", WINDOWS, remedy)
    return found


def in_words(minutes: float) -> str:
    """Write a time in minutes up to two hours, in hours up to five days, then in days."""
    if minutes <= 2 * _HOUR:
        return f"{whole(minutes)} min"
    if minutes <= 5 * _DAY:  # 100 h are no number of days
        return f"{whole(minutes / _HOUR)} h"
    return f"{whole(minutes / _DAY)} days"


def whole(time: float) -> int:
    """Round a time, halves always up: what is a minute apart stays so.

    >>> whole(15.5), whole(16.5)
    (16, 17)
    """
    return math.floor(time + 0.5)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StoneType:
    """One type of gypsum; None where no figure was found."""

    name: str
    title: str
    wp: Figure  # usual water, in mL per 100 g of powder
    wp_range: Band  # outside which a mix is flagged
    powder_density: Figure  # true density of the grains, without the air between them
    expansion_limits: Band  # linear, at 2 h
    expansion_typical: Band | None = None
    working_time: Band | None = None  # minutes in which it can be poured
    initial_set: Band | None = None  # minutes after which it first hardens
    price: Figure | None = None  # of a kg, where the lab has said so
    currency: str = ""  # of the price
    scoop: Figure | None = None  # of a level one, where the lab has weighed it

    def figures(self) -> tuple[tuple[str, Figure | Band], ...]:
        """List what is known of the type, by name, in the order of the table."""
        rows = (
            ("usual W/P", self.wp),
            ("W/P range", self.wp_range),
            ("true density of powder", self.powder_density),
            ("working time", self.working_time),
            ("initial set", self.initial_set),
            ("setting expansion, limits", self.expansion_limits),
            ("setting expansion, typical", self.expansion_typical),
            ("price", self.price),
            ("one scoop", self.scoop),
        )
        return tuple((name, figure) for name, figure in rows if figure is not None)


_WP = "mL per 100 g"
_CARDS = 'study cards "Gypsum products"'
_THIN = Band(50, 75, _WP, _TEXTBOOKS, MEMORY)
_PLASTER, _STONE, _DIE = (
    Band(low, high, _WP, f"{_CARDS}, water to powder by material", "read")
    for low, high in ((45, 50), (28, 30), (19, 24))
)
_BETA = Figure(2.63, "g/cm3", "handbook value of beta hemihydrate", MEMORY)
_ALPHA = Figure(2.76, "g/cm3", "handbook value of alpha hemihydrate", MEMORY)
_WORKING = Band(5, 7, "min", f"{_CARDS}, gypsum in general", "read")
_FIRST_SET = "summary of the American standard, there: setting time"
_LESSONS = f"{_TEXT}, lessons on plaster and on stone"


def _type(
    name: str, title: str, water: Band, density: Figure, limits: tuple[float, float], **more: Any
) -> StoneType:
    """Make a type out of a row of the table; usual is the middle of the range, if no other."""
    recalled = "recalled limits of the 1998 and 2013 texts, not checked against either"
    usual = Figure((water.low + water.high) / 2, _WP, "middle of the W/P range", "derived")
    known = {"wp_range": water, "powder_density": density, "wp": usual, "working_time": _WORKING}
    limited = Band(*limits, "%", recalled, MEMORY)
    return StoneType(name=name, title=title, expansion_limits=limited, **{**known, **more})


def _typically(low: float, high: float) -> Band:
    return Band(low, high, "%", "study cards on gypsum, setting expansion by material", "read")


STONE_TYPES = MappingProxyType({kind.name: kind for kind in (
    _type("type-1", "impression plaster", _THIN, _BETA, (0.0, 0.15), working_time=None,
          initial_set=Band(2.5, 5, "min", _FIRST_SET, "read")),
    _type("type-2", "model plaster", _PLASTER, _BETA, (0.0, 0.30),
          expansion_typical=_typically(0.2, 0.3),
          initial_set=Band(5, 10, "min", _LESSONS, "read")),
    _type("type-3", "model stone", _STONE, _ALPHA, (0.0, 0.20),
          expansion_typical=_typically(0.08, 0.1),
          initial_set=Band(8, 10, "min", _LESSONS, "read")),
    _type("type-4", "die stone, low expansion", _DIE, _ALPHA, (0.0, 0.15),
          expansion_typical=_typically(0.05, 0.07),
          wp=Figure(20.0, _WP, "100 g to 20 mL as it is said at the bench", PRACTICE)),
    _type("type-5", "die stone, high expansion", _DIE, _ALPHA, (0.16, 0.30)),
)})  # fmt: skip

# The trade writes the types in roman figures too, mostly on the sacks.
_ROMAN = {"i": "1", "ii": "2", "iii": "3", "iv": "4", "v": "5"}
_NO_LAB = Lab()


def find_stone(name: str, lab: Lab = _NO_LAB) -> StoneType:
    """Find a stone, the lab's own first: 'type-4', 'Type IV' or '4'; else the known are named."""
    wanted = name.strip().casefold()
    for own in lab.stone:
        if own.name.strip().casefold() == wanted or is_type(own.name, wanted):
            return own_stone(own, lab.currency)
    found = _type_named(name)
    if found is None:
        remedy = "'volest lab' lists them"
        if not lab.stone:
            remedy = "a stone of the lab's own needs its --lab FILE; 'volest lab' lists the types"
        known = dict.fromkeys([*(own.name for own in lab.stone), *STONE_TYPES])
        raise _unknown(f"stone {name!r}", known, remedy)
    return found


def _type_named(name: str) -> StoneType | None:
    words = name.casefold().replace("-", " ").replace("_", " ").strip()
    number = words.removeprefix("type").strip()
    return STONE_TYPES.get(f"type-{_ROMAN.get(number, number)}")


def is_type(name: str, wanted: str) -> bool:
    """Say whether two spellings mean the same type; False also where one is no type."""
    found = _type_named(name)
    return found is not None and found is _type_named(wanted)


def all_stones(lab: Lab) -> dict[str, StoneType]:
    """Name every stone that a lab can ask for: the types as it has them, then its own."""
    names = (*STONE_TYPES, *(own.name for own in lab.stone))
    return {kind.name: kind for kind in (find_stone(name, lab) for name in names)}


def own_stone(own: OwnStone, currency: str) -> StoneType:
    """Put what the lab says into the type that its stone is like, with the lab's mark."""
    like = find_stone(own.like or own.name)
    name = like.name if is_type(own.name, like.name) else own.name
    low = like.wp_range.low if own.wp_low is None else own.wp_low
    high = like.wp_range.high if own.wp_high is None else own.wp_high
    ranged = own.wp_low is not None or own.wp_high is not None
    ends = [end for end in (own.working_low_min, own.working_high_min) if end is not None]
    working = Band(min(ends), max(ends), "min", "lab file", OWN) if ends else like.working_time
    return replace(
        like,
        name=name,
        title=own.title or like.title,
        wp=_figure(own.wp, like.wp.unit) or like.wp,
        wp_range=Band(low, high, like.wp_range.unit, "lab file", OWN) if ranged else like.wp_range,
        powder_density=_figure(own.powder_density, "g/cm3") or like.powder_density,
        working_time=working,
        price=_figure(own.price_per_kg, f"{currency} per kg"),
        currency=currency,
        scoop=_figure(own.scoop_g, "g"),
    )


def _figure(value: float | None, unit: str) -> Figure | None:
    return None if value is None else Figure(value, unit, "lab file", OWN)
