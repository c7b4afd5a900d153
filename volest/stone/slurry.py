"""Ideal mixing: volumes and densities of powder and water stirred together.

The volumes of the grains and of the water add up; air, where there is any, comes on top.
W/P always means mL of water per 100 g of powder. At 20 degrees C a mL of water weighs 0.9982 g,
so the same figure read as grams would be 0.18 % less water by volume, not the same mix.
"""

from volest.stone.reference import DIHYDRATE_DENSITY, theoretical_water_g, water_density_g_per_ml

ROOM_C = 20.0


def volume_per_gram_ml(
    powder_density: float, wp_ml_per_100g: float, *, air_percent: float = 0.0
) -> float:
    """Return ``(1 / density + W/P / 100) / (1 - air)``, in mL of mix for each g of powder."""
    return (1.0 / powder_density + wp_ml_per_100g / 100.0) / (1.0 - air_percent / 100.0)


def slurry_density(
    powder_density: float, wp_ml_per_100g: float, *, water_c: float = ROOM_C
) -> float:
    """Return the density of a mix without air."""
    water_g = wp_ml_per_100g / 100.0 * water_density_g_per_ml(water_c)
    return (1.0 + water_g) / volume_per_gram_ml(powder_density, wp_ml_per_100g)


def dry_density(powder_density: float, wp_ml_per_100g: float) -> float:
    """Return the density of the set stone once the free water has gone.

    The stone keeps the volume of the mix; powder and bound water stay, the rest leaves pores.
    """
    return (1.0 + theoretical_water_g(1.0)) / volume_per_gram_ml(powder_density, wp_ml_per_100g)


def contraction_percent(
    powder_density: float, wp_ml_per_100g: float | None = None, *, water_c: float = ROOM_C
) -> float:
    """Return how much less room the crystals take than powder and bound water did.

    It shows as pores inside the stone, not at its outside, so no allowance is added to a mix.
    """
    bound_g = theoretical_water_g(1.0)
    bound_ml = bound_g / water_density_g_per_ml(water_c)
    wp = 100.0 * bound_ml if wp_ml_per_100g is None else wp_ml_per_100g
    change_ml = (1.0 + bound_g) / DIHYDRATE_DENSITY.value - 1.0 / powder_density - bound_ml
    return 100.0 * change_ml / volume_per_gram_ml(powder_density, wp)
