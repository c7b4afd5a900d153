"""The lab's own stones: a type as the sources have it, with what the lab says put in its place."""

from collections.abc import Sequence
from dataclasses import replace

from volest.errors import UsageError
from volest.lab import Bench, Lab, OwnStone
from volest.stone.reference import OWN, Band, Figure
from volest.stone.types import STONE_TYPES, StoneType, stone_type


def find_stone(name: str, lab: Lab) -> StoneType:
    """Find a stone by name, the lab's own first; the known ones are named where there is none."""
    wanted = name.strip().casefold()
    for own in lab.stone:
        if own.name.strip().casefold() == wanted or is_type(own.name, wanted):
            return own_stone(own, lab.currency)
    try:
        return stone_type(name)
    except UsageError as fault:
        remedy = "'volest stones' lists them" if lab.stone else fault.remedy
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
        wp_range=_band(low, high, like.wp_range.unit) if ranged else like.wp_range,
        powder_density=_figure(own.powder_density, "g/cm3") or like.powder_density,
        working_time=_working(own, like),
        price=_figure(own.price_per_kg, f"{currency} per kg"),
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
    return _band(min(ends), max(ends), "min")


def _figure(value: float | None, unit: str) -> Figure | None:
    if value is None:
        return None
    return Figure(value=value, unit=unit, source="lab file", mark=OWN)


def _band(low: float, high: float, unit: str) -> Band:
    return Band(low=low, high=high, unit=unit, source="lab file", mark=OWN)
