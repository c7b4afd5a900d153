"""Stone types 1 to 5 of ISO 6873, and what a lab says of its own stones put in their place."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from volest.errors import UsageError
from volest.lab import Bench, Lab, OwnStone
from volest.stone.reference import OWN, PRACTICE, Band, Figure, Mark

_TABLE_OF_WATER = 'study cards "Gypsum products", water to powder by material'
_TEXTBOOK = "textbooks of dental materials"
_RECALLED_LIMITS = "recalled limits of the 1998 and 2013 texts, not checked against either"
_PAGE_OF_TYPICALS = "study cards on gypsum, setting expansion by material"
_GENERAL_TEXT = "course text on dental materials, lessons on plaster and on stone"


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


def _wp(low: float, high: float, source: str = _TABLE_OF_WATER, mark: Mark = "read") -> Band:
    return Band(low, high, "mL per 100 g", source, mark)


def _middle(band: Band) -> Figure:
    value = (band.low + band.high) / 2
    return Figure(value, band.unit, "middle of the W/P range", "derived")


def _expansion(low: float, high: float) -> Band:
    return Band(low, high, "%", _RECALLED_LIMITS, "from memory")


def _typical(low: float, high: float) -> Band:
    return Band(low, high, "%", _PAGE_OF_TYPICALS, "read")


def _minutes(low: float, high: float, source: str) -> Band:
    return Band(low, high, "min", source, "read")


_BETA = Figure(2.63, "g/cm3", "handbook value of beta hemihydrate", "from memory")
_ALPHA = Figure(2.76, "g/cm3", "handbook value of alpha hemihydrate", "from memory")
_WORKING = _minutes(5, 7, 'study cards "Gypsum products", gypsum in general')
_THIN = _wp(50, 75, _TEXTBOOK, "from memory")
_PLASTER, _STONE, _DIE = _wp(45, 50), _wp(28, 30), _wp(19, 24)

STONE_TYPES = MappingProxyType(
    {
        kind.name: kind
        for kind in (
            StoneType(
                name="type-1",
                title="impression plaster",
                wp=_middle(_THIN),
                wp_range=_THIN,
                powder_density=_BETA,
                expansion_limits=_expansion(0.0, 0.15),
                initial_set=_minutes(
                    2.5, 5, "summary of the American standard, there: setting time"
                ),
            ),
            StoneType(
                name="type-2",
                title="model plaster",
                wp=_middle(_PLASTER),
                wp_range=_PLASTER,
                powder_density=_BETA,
                expansion_limits=_expansion(0.0, 0.30),
                expansion_typical=_typical(0.2, 0.3),
                working_time=_WORKING,
                initial_set=_minutes(5, 10, _GENERAL_TEXT),
            ),
            StoneType(
                name="type-3",
                title="model stone",
                wp=_middle(_STONE),
                wp_range=_STONE,
                powder_density=_ALPHA,
                expansion_limits=_expansion(0.0, 0.20),
                expansion_typical=_typical(0.08, 0.10),
                working_time=_WORKING,
                initial_set=_minutes(8, 10, _GENERAL_TEXT),
            ),
            StoneType(
                name="type-4",
                title="die stone, low expansion",
                wp=Figure(
                    20.0, "mL per 100 g", "100 g to 20 mL as it is said at the bench", PRACTICE
                ),
                wp_range=_DIE,
                powder_density=_ALPHA,
                expansion_limits=_expansion(0.0, 0.15),
                expansion_typical=_typical(0.05, 0.07),
                working_time=_WORKING,
            ),
            StoneType(
                name="type-5",
                title="die stone, high expansion",
                wp=_middle(_DIE),
                wp_range=_DIE,
                powder_density=_ALPHA,
                expansion_limits=_expansion(0.16, 0.30),
                working_time=_WORKING,
            ),
        )
    }
)

# The trade writes the types in roman figures too, mostly on the sacks.
_ROMAN = {"i": "1", "ii": "2", "iii": "3", "iv": "4", "v": "5"}


def stone_type(name: str) -> StoneType:
    """Find a stone type by its name: 'type-4', 'Type IV' or '4'; else the known ones are named."""
    words = name.casefold().replace("-", " ").replace("_", " ").strip()
    number = words.removeprefix("type").strip()
    found = STONE_TYPES.get(f"type-{_ROMAN.get(number, number)}")
    if found is None:
        raise UsageError(
            f"stone {name!r}",
            needed="one of " + ", ".join(STONE_TYPES),
            remedy="a stone of the lab's own needs its --lab FILE; 'volest lab' lists the types",
        )
    return found


def find_stone(name: str, lab: Lab) -> StoneType:
    """Find a stone by name, the lab's own first; the known ones are named where there is none."""
    wanted = name.strip().casefold()
    for own in lab.stone:
        if own.name.strip().casefold() == wanted or is_type(own.name, wanted):
            return own_stone(own, lab.currency)
    try:
        return stone_type(name)
    except UsageError as fault:
        remedy = "'volest lab' lists them" if lab.stone else fault.remedy
        known = [*dict.fromkeys([*(own.name for own in lab.stone), *STONE_TYPES])]
        raise UsageError(
            f"stone {name!r}", needed="one of " + ", ".join(known), remedy=remedy
        ) from fault


def all_stones(lab: Lab) -> Sequence[StoneType]:
    """List every stone that a lab can ask for: the types as it has them, then its own."""
    types = [find_stone(name, lab) for name in STONE_TYPES]
    taken = {kind.name for kind in types}
    more = [own_stone(own, lab.currency) for own in lab.stone]
    return [*types, *(kind for kind in more if kind.name not in taken)]


def own_stone(own: OwnStone, currency: str) -> StoneType:
    """Put what the lab says into the type that its stone is like, with the lab's mark."""
    like = stone_type(own.like or own.name)
    name = like.name if is_type(own.name, like.name) else own.name
    low = like.wp_range.low if own.wp_low is None else own.wp_low
    high = like.wp_range.high if own.wp_high is None else own.wp_high
    ranged = own.wp_low is not None or own.wp_high is not None
    return replace(
        like,
        name=name,
        title=own.title or like.title,
        wp=_figure(own.wp, like.wp.unit) or like.wp,
        wp_range=Band(low, high, like.wp_range.unit, "lab file", OWN) if ranged else like.wp_range,
        powder_density=_figure(own.powder_density, "g/cm3") or like.powder_density,
        working_time=_working(own, like),
        price=_figure(own.price_per_kg, f"{currency} per kg"),
        currency=currency,
        scoop=_figure(own.scoop_g, "g"),
    )


def bench_for(kind: StoneType, lab: Lab) -> Bench:
    """Give the bench with the scoop of one stone, where the lab has weighed it."""
    return lab.bench if kind.scoop is None else replace(lab.bench, scoop_g=kind.scoop.value)


def is_type(name: str, wanted: str) -> bool:
    """Say whether two spellings mean the same type; False also where one is no type."""
    try:
        return stone_type(name) is stone_type(wanted)
    except UsageError:
        return False


def _working(own: OwnStone, like: StoneType) -> Band | None:
    low, high = own.working_low_min, own.working_high_min
    if low is None and high is None:
        return like.working_time
    ends = [end for end in (low, high) if end is not None]
    return Band(min(ends), max(ends), "min", "lab file", OWN)


def _figure(value: float | None, unit: str) -> Figure | None:
    if value is None:
        return None
    return Figure(value, unit, "lab file", OWN)
