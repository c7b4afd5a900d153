"""From a volume to a mix: powder, water and scoops that a bench can deal out, and what is left."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from volest.errors import MixError, UsageError
from volest.lab import VACUUM, Bench
from volest.notes import Note
from volest.settings import Settings
from volest.stone.reference import (
    LEAST_WP,
    StoneType,
    stone_type,
    theoretical_water_g,
    water_density_g_per_ml,
)

_DEFAULTS = Settings()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mix:
    """What to put into the bowl.

    Parameters
    ----------
    kind : StoneType
        The stone.
    volume_ml, needed_ml : float
        What is filled: cavity, heap and nodules; and what has to be mixed for it.
    powder_g, water_ml, mix_ml : float
        Rounded to what can be weighed or measured, over all the equal mixes; and what they make.
    wp_ml_per_100g : float
        The ratio that was asked for; `made_wp_ml_per_100g` is what rounding made of it.
    unrounded_powder_g : float
        Powder before rounding.
    bench : Bench
        Scale, scoop and cylinder that it is rounded to.
    mixes, bowl, way : int, str or None, str
        How many equal mixes, the bowl they go into, and 'hand' or 'vacuum'.
    has_scoop : bool
        Whether the scoop of the bench is one of this stone; if not, all of it is weighed.
    terms_ml : tuple of pairs of str and float
        What the mix is the sum of: cavity, heap, nodules, share, residue, reserve, rounding.
    volume_u_ml, risk_percent : float
        Standard uncertainty of what is filled; chance of running short that the reserve is for.
    whole_scoops : Mix or None
        The same dealt out by whole scoops, where it is weighed and a scoop is known.
    notes : tuple of Note
        What is doubtful about the mix.
    """

    kind: StoneType
    volume_ml: float
    needed_ml: float
    powder_g: float
    water_ml: float
    mix_ml: float
    wp_ml_per_100g: float
    unrounded_powder_g: float
    bench: Bench
    mixes: int = 1
    bowl: str | None = None
    way: str = VACUUM
    has_scoop: bool = True
    terms_ml: tuple[tuple[str, float], ...] = ()
    volume_u_ml: float = 0.0
    risk_percent: float | None = None
    whole_scoops: "Mix | None" = None
    notes: tuple[Note, ...] = ()

    @property
    def stone(self) -> str:
        """Name of the stone."""
        return self.kind.name

    @property
    def scoops(self) -> int:
        """Whole scoops that hold at least the powder: to have ready, not to mix; or 0."""
        return self.has_scoop * math.ceil(round(self.powder_g / self.bench.scoop_g, NOISE_DIGITS))

    @property
    def full_scoops(self) -> int:
        """Full scoops in each of the equal mixes; 0 where no scoop of the stone is known."""
        scoops = round(self.powder_g / self.mixes / self.bench.scoop_g, NOISE_DIGITS)
        return self.has_scoop * math.floor(scoops)

    @property
    def rest_g(self) -> float:
        """Powder of each of the equal mixes beyond its full scoops, in g."""
        full_g = self.full_scoops * self.bench.scoop_g
        return round(self.powder_g / self.mixes - full_g, NOISE_DIGITS)

    @property
    def made_wp_ml_per_100g(self) -> float:
        """The ratio of the rounded amounts, in mL of water per 100 g of powder."""
        return 100.0 * self.water_ml / self.powder_g

    @property
    def waste_ml(self) -> float:
        """What will be left after the cavity is full."""
        return self.mix_ml - self.volume_ml

    @property
    def waste_g(self) -> float:
        """The powder in it, in g."""
        return self.powder_g * self.waste_ml / self.mix_ml

    @property
    def reserve_g(self) -> float:
        """The powder of the reserve, in g."""
        return self.powder_g * dict(self.terms_ml).get("reserve", 0.0) / self.mix_ml

    @property
    def water_g(self) -> float:
        """The same water on a balance, in g."""
        return self.water_ml * water_density_g_per_ml(self.bench.water_c)

    @property
    def unrounded_water_ml(self) -> float:
        """Water before rounding, in mL."""
        return self.unrounded_powder_g * self.wp_ml_per_100g / 100.0

    def as_record(self) -> dict[str, Any]:
        """Return the mix as plain values for JSON."""
        record = _rounded(self, *_TOLD)
        if not self.has_scoop:
            record["scoops"] = None
        record["terms_ml"] = {name: round(ml, _TOLD_DIGITS) for name, ml in self.terms_ml}
        whole = self.whole_scoops
        by_scoop = whole and _rounded(whole, "scoops", "powder_g", "water_ml", "mix_ml")
        unrounded = {"powder_g": self.unrounded_powder_g, "water_ml": self.unrounded_water_ml}
        return {
            **record,
            "by_scoop": by_scoop,
            "unrounded": {name: round(amount, _TOLD_DIGITS) for name, amount in unrounded.items()},
        }


_TOLD = ("stone", "powder_g", "water_ml", "scoops", "mixes", "full_scoops", "rest_g", "way", "bowl",
         "waste_ml", "mix_ml", "volume_u_ml")  # fmt: skip
_TOLD_DIGITS = 6


def _rounded(made: Mix, *names: str) -> dict[str, Any]:
    values = {name: getattr(made, name) for name in names}
    return {
        name: round(one, _TOLD_DIGITS) if isinstance(one, float) else one
        for name, one in values.items()
    }


def mix(
    volume_ml: float,
    *,
    stone: str | StoneType = _DEFAULTS.stone,
    waste_percent: float = _DEFAULTS.waste_percent,
    residue_ml: float = _DEFAULTS.residue_ml,
    reserve_ml: float = 0.0,
    parts_ml: Mapping[str, float] | None = None,
    wp_ml_per_100g: float | None = None,
    stretch_ml_per_100g: float = 0.0,
    by: str = _DEFAULTS.by,
    air_percent: float = 0.0,
    bench: Bench = _DEFAULTS.lab.bench,
    mixes: int = 1,
) -> Mix:
    """Say how much powder and water fill a volume.

    ``needed = volume * (1 + waste / 100) + residue + reserve``, ``powder = needed / (volume per
    gram)`` by ideal mixing. Both are put on steps of the bench so that the mix is never short and
    keeps its ratio (see `dealt_out`). Several equal mixes each leave their residue, each have the
    reserve, and are each rounded. `parts_ml` says what the volume is the sum of.
    """
    kind = stone if isinstance(stone, StoneType) else stone_type(stone)
    check_volume(volume_ml)
    check_extras(waste_percent, residue_ml, air_percent, stretch_ml_per_100g)
    usual = kind.wp.value if wp_ml_per_100g is None else wp_ml_per_100g
    check_wp(usual)
    wp, notes = stretched(kind, usual, stretch_ml_per_100g)
    density = kind.powder_density.value
    share_ml = volume_ml * waste_percent / 100.0
    each_ml = (volume_ml + share_ml) / mixes + residue_ml + reserve_ml
    unrounded_g = each_ml / volume_per_gram_ml(density, wp, air_percent=air_percent)
    binds = theoretical_water_g(100.0) / water_density_g_per_ml(bench.water_c)  # mL per 100 g
    powder_g, water_ml = dealt_out(
        unrounded_g,
        wp,
        density=density,
        wp_held=(max(stiffest(kind, wp), binds), max(kind.wp_range.high, wp)),
        binds_ml_per_100g=binds,
        step_g=powder_step_g(by, bench),
        mark_ml=bench.cylinder_step_ml,
    )
    mix_ml = (powder_g / density + water_ml) / (1.0 - air_percent / 100.0) * mixes
    terms_ml = {
        **(parts_ml or {"cavity": volume_ml}),
        "share": share_ml,
        "residue": residue_ml * mixes,
        "reserve": reserve_ml * mixes,
        "rounding": mix_ml - each_ml * mixes,
    }
    return Mix(
        kind=kind,
        volume_ml=volume_ml,
        needed_ml=each_ml * mixes,
        powder_g=powder_g * mixes,
        water_ml=water_ml * mixes,
        mix_ml=mix_ml,
        terms_ml=tuple(terms_ml.items()),
        wp_ml_per_100g=wp,
        unrounded_powder_g=unrounded_g * mixes,
        bench=bench,
        mixes=mixes,
        notes=(*notes, *marks_note(kind, wp, 100.0 * water_ml / powder_g, by=by)),
    )


def volume_per_gram_ml(
    powder_density: float, wp_ml_per_100g: float, *, air_percent: float = 0.0
) -> float:
    """Return ``(1 / density + W/P / 100) / (1 - air)``, in mL of mix for each g of powder.

    Ideal mixing: the volumes of the grains and of the water add up; air comes on top. W/P always
    means mL of water per 100 g of powder. At 20 degrees C a mL of water weighs 0.9982 g, so the
    same figure read as grams would be 0.18 % less water by volume, not the same mix.
    """
    return (1.0 / powder_density + wp_ml_per_100g / 100.0) / (1.0 - air_percent / 100.0)


# Slips of the keyboard, not rules of the trade: a full arch takes some 35 to 70 mL.
MOST_VOLUME_ML = 2000.0
MOST_WP_ML_PER_100G = 100.0
MOST_EXTRAS = {
    "waste": (500.0, "%"),
    "residue": (500.0, "mL"),
    "entrapped air": (50.0, "%"),
    "extra water": (20.0, "mL per 100 g"),
}
_TINY_PERCENT = 2.0  # 0.15 and 1.15 are how spreadsheets have 15 %


def check_volume(volume_ml: float) -> None:
    """Refuse a volume that cannot be meant."""
    if not 0.0 < volume_ml <= MOST_VOLUME_ML:
        raise MixError(
            f"a volume of {volume_ml:g} mL",
            needed=f"more than 0 and at most {MOST_VOLUME_ML:g} mL",
            remedy="give the volume in mL; a full arch takes some 35 to 70 mL",
            code="mix-volume",
        )


def check_extras(*amounts: float) -> None:
    """Refuse extras, in the order of `MOST_EXTRAS`, that cannot be meant."""
    for (what, (most, unit)), value in zip(MOST_EXTRAS.items(), amounts, strict=False):
        if not 0.0 <= value <= most:
            raise MixError(
                f"{value:g} {unit} of {what}",
                needed=f"0 to {most:g} {unit}",
                remedy=f"give the {what} in {unit}, 0 for none",
                code="mix-amount",
            )


def waste_notes(waste_percent: float) -> tuple[Note, ...]:
    """Flag a share of waste that looks like a fraction or a factor taken for a percentage."""
    if not 0.0 < waste_percent < _TINY_PERCENT:
        return ()
    meant = 100.0 * (waste_percent % 1.0 or waste_percent)  # of a fraction, or of a factor
    return (Note("waste-tiny", waste_percent=waste_percent, meant_percent=meant),)


def check_wp(wp_ml_per_100g: float) -> None:
    """Refuse water that cannot set the powder, or a ratio in the wrong unit."""
    if not LEAST_WP.value <= wp_ml_per_100g <= MOST_WP_ML_PER_100G:
        raise MixError(
            f"W/P {wp_ml_per_100g:g} mL per 100 g",
            needed=f"{LEAST_WP} (less cannot set the powder) to {MOST_WP_ML_PER_100G:g}",
            remedy="give mL of water per 100 g of powder, for example 22 and not 0.22",
            code="mix-wp",
        )


# Textbooks of dental materials, from memory: more water sets later, flows more easily, and leaves
# a weaker, softer stone that expands a little less. No figure is claimed for any of it.
STRETCH_IN_WORDS = (
    "More water than usual: it flows more easily and can be poured for longer, it sets later, "
    "and the stone comes out weaker and softer at its surface."
)

SPOKEN_DIGITS = 1  # a ratio is spoken to a tenth of a mL per 100 g, and judged as it is spoken
# Nearer than this, in mL per 100 g, two ratios are the same at the bench.
SAME_WP = 0.25


def stretched(
    kind: StoneType, wp_ml_per_100g: float, stretch_ml_per_100g: float
) -> tuple[float, tuple[Note, ...]]:
    """Add water for working time, up to the end of the stone's range; with what is doubtful."""
    asked = wp_ml_per_100g + stretch_ml_per_100g
    held = min(asked, max(kind.wp_range.high, wp_ml_per_100g))
    notes = []
    if held < asked:
        told = Note("stretch-held", asked_ml_per_100g=asked, wp_ml_per_100g=held, stone=kind.name)
        notes.append(told)
    if held not in kind.wp_range:
        notes.append(Note("wp-outside", **_against_range(kind, held)))
    return held, tuple(notes)


def stiffest(kind: StoneType, wp_ml_per_100g: float) -> float:
    """Say down to which ratio a mix counts as asked: not below the range unless asked for.

    >>> from volest.stone.reference import stone_type
    >>> stiffest(stone_type("4"), 22.0), stiffest(stone_type("4"), 18.7)
    (21.75, 18.7)
    """
    return min(wp_ml_per_100g, max(wp_ml_per_100g - SAME_WP, kind.wp_range.low))


def marks_note(
    kind: StoneType, wp_ml_per_100g: float, rounded: float, *, by: str = "gram"
) -> tuple[Note, ...]:
    """Flag a ratio that only the rounding has pushed out of the range."""
    if wp_ml_per_100g not in kind.wp_range or round(rounded, SPOKEN_DIGITS) in kind.wp_range:
        return ()
    return (Note("wp-by-marks", by=by, **_against_range(kind, rounded)),)


def _against_range(kind: StoneType, wp_ml_per_100g: float) -> dict[str, float | str]:
    low, high = kind.wp_range.low, kind.wp_range.high
    return {"wp_ml_per_100g": wp_ml_per_100g, "low": low, "high": high, "stone": kind.name}


# A hundred-millionth of a gram is float noise, not a reason to weigh one gram more.
NOISE_DIGITS = 8
# Steps are written in decimals; nine of them hold every step and drop the float's tail.
_CLEAN_DIGITS = 9
# Water follows the powder, and keeps the order of mixes, where a step of powder moves it by so
# many marks; else the powder follows the water.
_FINE_MARKS = 1.5


def powder_step_g(by: str, bench: Bench) -> float:
    """Give the step in which the powder is dealt out: by 'gram' or by whole 'scoop'."""
    steps = {"gram": bench.scale_step_g, "scoop": bench.scoop_g}
    if by not in steps:
        raise UsageError(
            f"rounding by {by!r}", needed="gram or scoop", remedy="write for example --by scoop"
        )
    return steps[by]


def powder_up(powder_g: float, step_g: float) -> float:
    """Round powder up to whole steps, at least one."""
    steps = max(1, math.ceil(round(powder_g / step_g, NOISE_DIGITS)))
    return round(steps * step_g, _CLEAN_DIGITS)


def dealt_out(
    powder_g: float,
    wp_ml_per_100g: float,
    *,
    density: float,
    wp_held: tuple[float, float],
    binds_ml_per_100g: float,
    step_g: float,
    mark_ml: float,
) -> tuple[float, float]:
    """Put a mix on steps of powder and marks of water, so that it is never short.

    Fine marks: powder up to a step, its water to the nearest mark, up where that would be short.
    Coarse marks, where a step of powder moves the water by less than a mark and a half: water up
    to a mark and powder to go with it, since a mark more to the same powder thins the mix. The
    mark below, with more powder in its place, serves where it takes less and keeps the ratio.

    `wp_held` is the stiffest ratio that still counts as the one to mix at, and the thinnest that
    the stone takes; below `binds_ml_per_100g` the powder does not set. Gives g and mL.
    """
    exact_ml = powder_g * wp_ml_per_100g / 100.0
    up_g = powder_up(powder_g, step_g)
    if step_g * wp_ml_per_100g / 100.0 >= _FINE_MARKS * mark_ml:
        nearest = round(up_g * wp_ml_per_100g / 100.0 / mark_ml) * mark_ml
        short_ml = exact_ml + (powder_g - up_g) / density
        bound_ml = up_g * binds_ml_per_100g / 100.0
        return up_g, _mark_up(max(nearest, short_ml, bound_ml), mark_ml)
    below_ml = math.floor(round(exact_ml / mark_ml, NOISE_DIGITS)) * mark_ml
    above_ml = _mark_up(exact_ml, mark_ml)
    below_g = powder_up(powder_g + density * (exact_ml - below_ml), step_g)
    above_g = max(round(100.0 * above_ml / wp_ml_per_100g / step_g) * step_g, up_g)
    if below_g < above_g and 100.0 * below_ml / below_g >= wp_held[0]:
        return below_g, round(below_ml, _CLEAN_DIGITS)
    if 100.0 * above_ml / above_g > wp_held[1]:
        above_g += step_g
    bound_ml = above_g * binds_ml_per_100g / 100.0
    return round(above_g, _CLEAN_DIGITS), _mark_up(max(above_ml, bound_ml), mark_ml)


def _mark_up(water_ml: float, mark_ml: float) -> float:
    return round(math.ceil(round(water_ml / mark_ml, NOISE_DIGITS)) * mark_ml, _CLEAN_DIGITS)


def shown(amount: float, step: float) -> str:
    """Write an amount no finer than its step."""
    text = f"{step:.6f}".rstrip("0")
    digits = len(text.partition(".")[2])
    return f"{round(amount / step) * step:.{digits}f}"
