"""From a volume to a mix: powder, water and scoops, and what will be left over."""

import math
from dataclasses import dataclass
from typing import Any

from volest.errors import MixError, UsageError
from volest.notes import Note
from volest.settings import Settings
from volest.stone.bench import LEAST_WP, SCOOP_G
from volest.stone.slurry import ROOM_C, volume_per_gram_ml
from volest.stone.types import StoneType, stone_type
from volest.stone.water import (
    theoretical_water_g,
    water_density_g_per_ml,
)

_DEFAULTS = Settings()

# Slips of the keyboard, not rules of the trade: a full arch takes some 50 to 100 mL.
MOST_VOLUME_ML = 2000.0
MOST_RESIDUE_ML = 500.0
MOST_WASTE_PERCENT = 500.0
MOST_AIR_PERCENT = 50.0
MOST_WP_ML_PER_100G = 100.0
# A hundred-millionth of a gram is float noise, not a reason to weigh one gram more.
NOISE_DIGITS = 8
# Marks of a measuring cylinder that can be read with wet hands.
WATER_STEP_ML = 0.1
STEP_G = {"gram": 1.0, "scoop": SCOOP_G}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mix:
    """What to put into the bowl.

    Parameters
    ----------
    stone : str
        Name of the stone type.
    powder_g, water_ml : float
        Rounded to what can be weighed or measured.
    scoops : int
        Whole scoops that hold at least the powder.
    waste_ml : float
        What will be left after the cavity is full.
    mix_ml : float
        Volume of the rounded mix.
    unrounded_powder_g, unrounded_water_ml : float
        The same before rounding.
    water_c : float
        Temperature of the water, in degrees C.
    notes : tuple of Note
        What is doubtful about the mix.
    """

    stone: str
    powder_g: float
    water_ml: float
    scoops: int
    waste_ml: float
    mix_ml: float
    unrounded_powder_g: float
    unrounded_water_ml: float
    water_c: float = ROOM_C
    notes: tuple[Note, ...] = ()

    @property
    def water_g(self) -> float:
        """The same water on a balance, in g."""
        return self.water_ml * water_density_g_per_ml(self.water_c)

    def as_record(self) -> dict[str, Any]:
        """Return the mix as plain values for JSON.

        Returns
        -------
        dict
            The mix object of the program contract; volumes to a millionth of a mL.
        """
        return {
            "stone": self.stone,
            "powder_g": round(self.powder_g, 6),
            "water_ml": round(self.water_ml, 6),
            "scoops": self.scoops,
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
    by: str = _DEFAULTS.by,
    water_c: float = ROOM_C,
    air_percent: float = 0.0,
) -> Mix:
    """Say how much powder and water fill a volume.

    ``needed = volume * (1 + waste / 100) + residue``, ``powder = needed / (volume per gram)`` by
    ideal mixing (see `volest.stone.slurry`). Powder is rounded up, then the water is worked out
    anew from it: to the nearest 0.1 mL, or up where the nearest would leave the mix short or
    leave less water than the powder binds.

    Parameters
    ----------
    volume_ml : float
        Volume to fill, in mL.
    stone : str or StoneType
        Stone type.
    waste_percent : float
        Share of the volume mixed on top.
    residue_ml : float
        Fixed part on bowl, spatula and brush, in mL.
    wp_ml_per_100g : float, optional
        Water, in mL per 100 g of powder; the type's usual one by default.
    by : str
        'gram' rounds up to whole grams, 'scoop' to whole scoops.
    water_c : float
        Temperature of the water, in degrees C.
    air_percent : float
        Share of the mix that is entrapped air; 0 under vacuum.

    Returns
    -------
    Mix
        Powder, water, scoops and what is left.

    Raises
    ------
    MixError
        If an amount makes no sense, or the water cannot set the powder.
    UsageError
        If the stone or the way of rounding is not known.

    Examples
    --------
    Three scoops, 150 g to 30 mL, are what a full arch is said to take:

    >>> m = mix(75, waste_percent=10, by="scoop")
    >>> m.powder_g, m.water_ml, m.scoops
    (150.0, 30.0, 3)
    """
    kind = stone if isinstance(stone, StoneType) else stone_type(stone)
    wp = kind.wp.value if wp_ml_per_100g is None else wp_ml_per_100g
    _check_amounts(volume_ml, waste_percent, residue_ml, air_percent)
    _check_wp(wp)
    density = kind.powder_density.value
    needed_ml = volume_ml * (1.0 + waste_percent / 100.0) + residue_ml
    unrounded_g = needed_ml / volume_per_gram_ml(density, wp, air_percent=air_percent)
    powder_g = _powder_up(unrounded_g, by)
    solid_share = 1.0 - air_percent / 100.0
    short_ml = needed_ml * solid_share - powder_g / density
    bound_ml = theoretical_water_g(powder_g) / water_density_g_per_ml(water_c)
    water_ml = _measurable_ml(powder_g * wp / 100.0, at_least_ml=max(short_ml, bound_ml))
    mix_ml = (powder_g / density + water_ml) / solid_share
    return Mix(
        stone=kind.name,
        powder_g=powder_g,
        water_ml=water_ml,
        scoops=math.ceil(powder_g / SCOOP_G),
        waste_ml=mix_ml - volume_ml,
        mix_ml=mix_ml,
        unrounded_powder_g=unrounded_g,
        unrounded_water_ml=unrounded_g * wp / 100.0,
        water_c=water_c,
        notes=_notes(kind, wp),
    )


def _check_amounts(
    volume_ml: float, waste_percent: float, residue_ml: float, air_percent: float
) -> None:
    if not 0.0 < volume_ml <= MOST_VOLUME_ML:
        raise MixError(
            f"a volume of {volume_ml:g} mL",
            needed=f"more than 0 and at most {MOST_VOLUME_ML:g} mL",
            remedy="give the volume in mL; a full arch takes some 50 to 100 mL",
            code="mix-volume",
        )
    for what, value, most, unit in (
        ("waste", waste_percent, MOST_WASTE_PERCENT, "%"),
        ("residue", residue_ml, MOST_RESIDUE_ML, "mL"),
        ("entrapped air", air_percent, MOST_AIR_PERCENT, "%"),
    ):
        if not 0.0 <= value <= most:
            raise MixError(
                f"{value:g} {unit} of {what}",
                needed=f"0 to {most:g} {unit}",
                remedy=f"give the {what} in {unit}, 0 for none",
                code="mix-amount",
            )


def _check_wp(wp_ml_per_100g: float) -> None:
    if not LEAST_WP.value <= wp_ml_per_100g <= MOST_WP_ML_PER_100G:
        raise MixError(
            f"W/P {wp_ml_per_100g:g} mL per 100 g",
            needed=f"{LEAST_WP} (less cannot set the powder) to {MOST_WP_ML_PER_100G:g}",
            remedy="give mL of water per 100 g of powder, for example 22 and not 0.22",
            code="mix-wp",
        )


def _powder_up(powder_g: float, by: str) -> float:
    if by not in STEP_G:
        raise UsageError(
            f"rounding by {by!r}", needed="gram or scoop", remedy="write for example --by scoop"
        )
    return STEP_G[by] * max(1, math.ceil(round(powder_g / STEP_G[by], NOISE_DIGITS)))


def _measurable_ml(water_ml: float, *, at_least_ml: float) -> float:
    steps = round(water_ml / WATER_STEP_ML)
    least = math.ceil(round(at_least_ml / WATER_STEP_ML, NOISE_DIGITS))
    return round(max(steps, least) * WATER_STEP_ML, 1)


def _notes(kind: StoneType, wp_ml_per_100g: float) -> tuple[Note, ...]:
    if wp_ml_per_100g in kind.wp_range:
        return ()
    thin = wp_ml_per_100g > kind.wp_range.high
    what = "weaker and rougher stone" if thin else "a mix too stiff to flow into the pits"
    return (
        Note(
            code="wp-outside",
            text=f"W/P {wp_ml_per_100g:g} mL per 100 g is outside {kind.wp_range} for {kind.name}: "
            f"expect {what}.",
            do="Check the powder maker's sheet; use its ratio.",
        ),
    )
