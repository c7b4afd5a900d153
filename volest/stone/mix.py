"""From a volume to a mix: powder, water and scoops, and what will be left over."""

import math
from dataclasses import dataclass
from typing import Any

from volest.lab import VACUUM, Bench
from volest.notes import Note
from volest.settings import Settings
from volest.stone.amounts import check_extras, check_mixes, check_volume, check_wp, waste_notes
from volest.stone.ratio import marks_note, stiffest, stretched
from volest.stone.reference import theoretical_water_g, water_density_g_per_ml
from volest.stone.rounding import NOISE_DIGITS, dealt_out, powder_step_g
from volest.stone.slurry import volume_per_gram_ml
from volest.stone.stones import StoneType, stone_type

_DEFAULTS = Settings()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mix:
    """What to put into the bowl.

    Parameters
    ----------
    kind : StoneType
        The stone.
    volume_ml, needed_ml : float
        What is filled, and what has to be mixed for it, waste included.
    powder_g, water_ml : float
        Rounded to what can be weighed or measured; over all the equal mixes.
    mix_ml : float
        Volume of the rounded mix.
    wp_ml_per_100g : float
        The ratio that was asked for; `made_wp_ml_per_100g` is what rounding made of it.
    unrounded_powder_g, unrounded_water_ml : float
        Powder and water before rounding.
    bench : Bench
        Scale, scoop and cylinder that it is rounded to.
    mixes : int
        Number of equal mixes that it is made in.
    bowl : str or None
        The bowl it goes into.
    way : str
        'hand' or 'vacuum'.
    has_scoop : bool
        Whether the scoop of the bench is one of this stone; if not, all of it is weighed.
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
    unrounded_water_ml: float
    bench: Bench
    mixes: int = 1
    bowl: str | None = None
    way: str = VACUUM
    has_scoop: bool = True
    notes: tuple[Note, ...] = ()

    @property
    def stone(self) -> str:
        """Name of the stone."""
        return self.kind.name

    @property
    def scoops(self) -> int:
        """Whole scoops that hold at least the powder: to have ready, not to mix; or 0."""
        scoops = round(self.powder_g / self.bench.scoop_g, NOISE_DIGITS)
        return math.ceil(scoops) if self.has_scoop else 0

    @property
    def full_scoops(self) -> int:
        """Full scoops in each of the equal mixes; 0 where no scoop of the stone is known."""
        scoops = round(self.powder_g / self.mixes / self.bench.scoop_g, NOISE_DIGITS)
        return math.floor(scoops) if self.has_scoop else 0

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
    def surplus_ml(self) -> float:
        """The part of the waste that only the rounding makes."""
        return self.mix_ml - self.needed_ml

    @property
    def water_g(self) -> float:
        """The same water on a balance, in g."""
        return self.water_ml * water_density_g_per_ml(self.bench.water_c)

    def as_record(self) -> dict[str, Any]:
        """Return the mix as plain values for JSON."""
        return {
            "stone": self.stone,
            "powder_g": round(self.powder_g, 6),
            "water_ml": round(self.water_ml, 6),
            "scoops": self.scoops if self.has_scoop else None,
            "mixes": self.mixes,
            "full_scoops": self.full_scoops,
            "rest_g": round(self.rest_g, 6),
            "way": self.way,
            "bowl": self.bowl,
            "waste_ml": round(self.waste_ml, 6),
            "mix_ml": round(self.mix_ml, 6),
            "unrounded": {
                "powder_g": round(self.unrounded_powder_g, 6),
                "water_ml": round(self.unrounded_water_ml, 6),
            },
        }


def mix(
    volume_ml: float,
    *,
    stone: str | StoneType = _DEFAULTS.stone,
    waste_percent: float = _DEFAULTS.waste_percent,
    residue_ml: float = _DEFAULTS.residue_ml,
    wp_ml_per_100g: float | None = None,
    stretch_ml_per_100g: float = 0.0,
    by: str = _DEFAULTS.by,
    air_percent: float = 0.0,
    bench: Bench = _DEFAULTS.lab.bench,
    mixes: int = 1,
) -> Mix:
    """Say how much powder and water fill a volume.

    ``needed = volume * (1 + waste / 100) + residue``, ``powder = needed / (volume per gram)`` by
    ideal mixing (see `volest.stone.slurry`). Both are put on steps of the bench so that the mix is
    never short and keeps its ratio (see `volest.stone.rounding.dealt_out`). Several equal mixes
    each leave their residue and are each rounded.
    """
    kind = stone if isinstance(stone, StoneType) else stone_type(stone)
    check_volume(volume_ml)
    check_extras(waste_percent, residue_ml, air_percent, stretch_ml_per_100g)
    check_mixes(mixes)
    usual = kind.wp.value if wp_ml_per_100g is None else wp_ml_per_100g
    check_wp(usual)
    wp, notes = stretched(kind, usual, stretch_ml_per_100g)
    density, solid = kind.powder_density.value, 1.0 - air_percent / 100.0
    each_ml = volume_ml / mixes * (1.0 + waste_percent / 100.0) + residue_ml
    unrounded_g = each_ml / volume_per_gram_ml(density, wp, air_percent=air_percent)
    binds = _binds_ml_per_100g(bench)
    powder_g, water_ml = dealt_out(
        unrounded_g,
        wp,
        density=density,
        wp_held=(max(stiffest(kind, wp), binds), max(kind.wp_range.high, wp)),
        binds_ml_per_100g=binds,
        step_g=powder_step_g(by, bench),
        mark_ml=bench.cylinder_step_ml,
    )
    return Mix(
        kind=kind,
        volume_ml=volume_ml,
        needed_ml=each_ml * mixes,
        powder_g=powder_g * mixes,
        water_ml=water_ml * mixes,
        mix_ml=(powder_g / density + water_ml) / solid * mixes,
        wp_ml_per_100g=wp,
        unrounded_powder_g=unrounded_g * mixes,
        unrounded_water_ml=unrounded_g * wp / 100.0 * mixes,
        bench=bench,
        mixes=mixes,
        notes=(
            *notes,
            *marks_note(kind, wp, 100.0 * water_ml / powder_g, by=by),
            *waste_notes(waste_percent),
        ),
    )


def _binds_ml_per_100g(bench: Bench) -> float:
    return theoretical_water_g(100.0) / water_density_g_per_ml(bench.water_c)
